"""Registers: typed frames, or a reason per row and field; counts that add up whatever is handed in."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from blankoff import schemas
from blankoff.errors import FleetFolderError
from blankoff.ingest import register_cells
from blankoff.ingest.folder import match_logs, scan_fleet
from blankoff.ingest.registers import Registers, clean_log_path, read_registers
from blankoff.ingest.rejects import Rejects
from blankoff.ingest.text import split_lines
from blankoff.settings import Settings

HEAD = "evacuation_id,log_file,started_at,technician_id,pump_id,hose_id,ambient_c,reported"
ROW = "{},a.csv,2026-05-04T14:00,T1,P1,H1,21.5,passed"


def _fleet(folder: Path, evacuations: str | bytes, **others: str | bytes) -> Path:
    folder.mkdir(exist_ok=True)
    for name, content in {"evacuations": evacuations, **others}.items():
        data = content.encode() if isinstance(content, str) else content
        (folder / f"{name}.csv").write_bytes(data)
    return folder


def _check_counts(got: Registers) -> None:
    counts = got.counts
    assert (counts["rows_handed_in"] == counts["rows_kept"] + counts["rows_refused"]).all()
    for name, kept in counts.select("register", "rows_kept").iter_rows():
        assert got.frames[name].height == kept
    assert set(got.frames) == set(schemas.REGISTERS)


def _read(folder: Path, evacuations: str | bytes, **others: str | bytes) -> Registers:
    got = read_registers(_fleet(folder, evacuations, **others), Settings(timezone="America/Denver"))
    _check_counts(got)
    return got


CLEAN = "\n".join([HEAD, *(ROW.format(f"E{i}") for i in range(5))]) + "\n"


@pytest.mark.parametrize(
    "content",
    [
        CLEAN,
        CLEAN.replace("\n", "\r\n"),
        "\ufeff" + CLEAN,
        CLEAN.encode("utf-16"),
        CLEAN.replace(",", ";"),
        CLEAN.replace(",", ";").replace("21.5", "21,5"),
        CLEAN.replace(",", "\t"),
        CLEAN.replace(",", " , "),
        CLEAN.replace("E1,", '"E1",').replace("technician_id", "Technician_ID"),
        CLEAN.replace("\nE2", "\n\n,,,,,,,\nE2"),
        CLEAN.replace("2026-05-04T14:00", "2026-05-04 14:00:00"),
        CLEAN.replace("2026-05-04T14:00", "2026-05-04T20:00Z"),
        CLEAN.replace("2026-05-04T14:00", "2026-05-04T22:00+02:00"),
        CLEAN.replace("passed", "Passed "),
        CLEAN.replace("reported", "reported,remarks").replace("passed", "passed,x"),
    ],
)
def test_every_legal_spelling_gives_the_same_rows(content: str | bytes, tmp_path: Path) -> None:
    got = _read(tmp_path, content)
    frame = got.frames["evacuations"]
    assert frame["evacuation_id"].to_list() == [f"E{i}" for i in range(5)]
    assert frame["started_at"].unique().to_list() == [dt.datetime(2026, 5, 4, 20, tzinfo=dt.UTC)]
    assert frame["ambient_c"].unique().to_list() == [21.5]
    assert frame["reported"].unique().to_list() == ["passed"]
    assert got.quarantine.is_empty()
    assert frame.select(schemas.EVACUATIONS.names).schema == pl.Schema(schemas.EVACUATIONS.polars_schema)


def test_parquet_gives_what_csv_gives(tmp_path: Path) -> None:
    csv = _read(tmp_path / "csv", CLEAN, gauges="gauge_id,calibrated_on,top_of_range_micron\n7,2026-01-02,20000\n")
    folder = tmp_path / "parquet"
    folder.mkdir()
    for name in ("evacuations", "gauges"):
        csv.frames[name].drop("row").write_parquet(folder / f"{name}.parquet")
    typed = pl.DataFrame({"gauge_id": [7], "calibrated_on": [dt.date(2026, 1, 2)], "top_of_range_micron": [20000]})
    typed.write_parquet(folder / "gauges.parquet")
    got = read_registers(folder, Settings(timezone="America/Denver"))
    _check_counts(got)
    for name in ("evacuations", "gauges"):
        assert got.frames[name].drop("row").equals(csv.frames[name].drop("row"))


BAD_ROW = {
    "no id": ("E9", "", "evacuation_id"),
    "no technician": (",T1,", ",,", "technician_id"),
    "impossible date": ("2026-05-04T14:00", "2026-02-30T14:00", "started_at"),
    "no date": ("2026-05-04T14:00", "", "started_at"),
    "text for a date": ("2026-05-04T14:00", "yesterday", "started_at"),
    "id given twice": ("E9", "E1", "evacuation_id"),
    "NULs": ("E9", "\0\0\0", ""),
    "open quotation mark": ("E9", '"E9', ""),
    "more fields": ("passed", "passed,and,more", ""),
    "a heading": (ROW.format("E9"), HEAD, ""),
}


@pytest.mark.parametrize("name", BAD_ROW)
def test_a_bad_row_costs_that_row(name: str, tmp_path: Path) -> None:
    old, new, field = BAD_ROW[name]
    lines = CLEAN.splitlines()
    bad = ROW.format("E9").replace(old, new)
    got = _read(tmp_path, "\n".join([*lines[:3], bad, *lines[3:]]) + "\n")
    assert got.frames["evacuations"]["evacuation_id"].to_list() == [f"E{i}" for i in range(5)]
    assert got.quarantine["row"].to_list() == [4]
    assert got.quarantine["field"].to_list() == [field or None]
    assert got.quarantine["path"].to_list() == ["evacuations.csv"]
    assert got.counts.row(0)[2:] == (6, 5, 1)


@pytest.mark.parametrize(
    ("old", "new", "field"),
    [
        ("21.5", "warm", "ambient_c"),
        ("21.5", "900", "ambient_c"),
        ("21.5", "nan", "ambient_c"),
        ("passed", "perhaps", "reported"),
    ],
)
def test_a_bad_optional_field_costs_the_field(old: str, new: str, field: str, tmp_path: Path) -> None:
    got = _read(tmp_path, CLEAN + ROW.format("E9").replace(old, new) + "\n")
    frame = got.frames["evacuations"]
    assert frame.height == 6
    assert frame[field].to_list()[-1] is None
    assert got.quarantine.select("row", "field").rows() == [(7, field)]


def test_bytes_of_another_encoding_cost_their_row(tmp_path: Path) -> None:
    got = _read(tmp_path, CLEAN.encode() + ROW.format("Bühl").encode("cp1252") + b"\n")
    assert got.frames["evacuations"].height == 5
    whole = CLEAN + "".join(ROW.format(f"ü{i}") + "\n" for i in range(5))
    assert _read(tmp_path, whole.encode("cp1252")).frames["evacuations"]["evacuation_id"][-1] == "ü4"


@pytest.mark.parametrize(
    "content",
    [
        CLEAN.encode().replace(b"\n", b",\xffbranch\xfe\n", 1),
        CLEAN.encode() + b'"E9\n\xff\xfe",,2026-05-04,T1,P1\n',
        CLEAN.encode() + b'"E9\n\x00",,2026-05-04,T1,P1\n',
        b'6"""e"""ea_d\nre"""eaid\nrted\n"Eted:\n"E-"0v"""e""aa\x83\x83',
    ],
    ids=["in the heading", "in a quoted line below", "NUL in a quoted line below", "no register at all"],
)
def test_bytes_that_are_no_text_never_break_the_reader(content: bytes, tmp_path: Path) -> None:
    """Each of these was found by coverage-guided fuzzing, or is next to one that was."""
    try:
        got = _read(tmp_path, content)
    except FleetFolderError:
        assert content.startswith(b"6")
        return
    _check_counts(got)
    assert got.frames["evacuations"].height >= 1
    assert "E9" not in "".join(got.frames["evacuations"]["evacuation_id"].to_list())


def test_any_text_is_an_id(tmp_path: Path) -> None:
    ids = ["007", "Ü/9", "null", "=SUM(1)", "日本", "O'Brien; DROP", "a, b", 'say "x"', "1e5"]
    rows = [ROW.format('"' + i.replace('"', '""') + '"') for i in ids]
    got = _read(tmp_path, "\n".join([HEAD, *rows]) + "\n")
    assert got.frames["evacuations"]["evacuation_id"].to_list() == ids


def test_missing_registers_and_columns_are_said_not_fatal(tmp_path: Path) -> None:
    got = _read(tmp_path, "evacuation_id,started_at\nE1,2026-05-04T14:00\n")
    frame = got.frames["evacuations"]
    assert frame["log_file"].to_list() == [None]
    missing = got.missing
    assert ("pumps", None) in missing.select("register", "column").rows()
    assert ("evacuations", "pump_id") in missing.select("register", "column").rows()
    assert got.quarantine.is_empty()


def test_a_wrong_register_is_refused_whole(tmp_path: Path) -> None:
    got = _read(tmp_path, CLEAN, pumps="article,price\n1,2\n", hoses=b"PK\x03\x04\0\0", gauges=b"")
    assert got.quarantine.select("path", "row").rows() == [
        ("pumps.csv", None),
        ("hoses.csv", None),
        ("gauges.csv", None),
    ]
    assert {"pumps", "hoses", "gauges"} <= set(got.missing["register"])


@pytest.mark.parametrize("content", ["", "a,b\n1,2\n", "log_file,started_at\na.csv,2026-05-04\n"])
def test_without_evacuations_there_is_no_run(content: str, tmp_path: Path) -> None:
    with pytest.raises(FleetFolderError):
        read_registers(_fleet(tmp_path, content))
    (tmp_path / "evacuations.csv").unlink()
    with pytest.raises(FleetFolderError, match=r"no evacuations\.csv"):
        read_registers(tmp_path)


def test_a_register_handed_in_twice_is_said(tmp_path: Path) -> None:
    folder = _fleet(tmp_path, CLEAN)
    pl.DataFrame({"evacuation_id": ["X"]}).write_parquet(folder / "evacuations.parquet")
    got = read_registers(folder)
    assert got.frames["evacuations"].height == 5
    assert got.quarantine["path"].to_list() == ["evacuations.parquet"]


def test_services_and_coaching(tmp_path: Path) -> None:
    got = _read(
        tmp_path,
        CLEAN,
        services="serviced_on,asset,asset_id,action\n2026-01-02,Pump,P1,Oil change\n2026-01-02,pump,P1,oil_change\n"
        "2026-01-03,pump,P1,polish\n2026-01-32,hose,H1,repair\n",
        coaching="coached_on,technician_id,topic\n2026-03-01,T1,holds_skipped\n",
    )
    assert got.frames["services"].drop("row").rows() == [(dt.date(2026, 1, 2), "pump", "P1", "oil_change")]
    assert got.quarantine.select("row", "field").rows() == [(3, "serviced_on"), (4, "action"), (5, "serviced_on")]
    assert got.frames["coaching"].height == 1


def test_day_and_month_of_a_register(tmp_path: Path) -> None:
    rows = [ROW.format(f"E{i}").replace("2026-05-04T14:00", f"{d}/05/2026 14:00") for i, d in enumerate((3, 4, 25))]
    got = _read(tmp_path / "decided", "\n".join([HEAD, *rows]) + "\n")
    assert [d.day for d in got.frames["evacuations"]["started_at"]] == [3, 4, 25]
    open_ = _read(tmp_path / "open", "\n".join([HEAD, *rows[:2], ROW.format("E9")]) + "\n")
    assert open_.frames["evacuations"]["evacuation_id"].to_list() == ["E9"]
    assert "is the date" in open_.quarantine["problem"][0]


def test_order_of_rows_changes_nothing_but_their_order(tmp_path: Path) -> None:
    lines = CLEAN.splitlines()
    one = _read(tmp_path / "a", CLEAN).frames["evacuations"].drop("row")
    two = _read(tmp_path / "b", "\n".join([HEAD, *lines[:0:-1]]) + "\n").frames["evacuations"].drop("row")
    assert one.equals(two.sort("evacuation_id"))


@pytest.mark.parametrize(
    "path",
    ["../x.csv", "/etc/passwd", "a/../../x.csv", "C:\\x.csv", "..\\x.csv", "a/..", "x\0.csv", ".", "", "//host/x"],
)
def test_paths_that_leave_logs_are_refused(path: str) -> None:
    assert clean_log_path(path) is None


def test_paths_inside_logs() -> None:
    assert clean_log_path("./2026\\may/a b.csv") == "2026/may/a b.csv"
    assert clean_log_path("..a/b..csv") == "..a/b..csv"


def test_scan_and_match(tmp_path: Path) -> None:
    rows = ["a.csv", "logs/sub/b.csv.gz", "none.csv", "../evil.csv", "", "link.csv", "notes.md"]
    body = [ROW.format(f"E{i}").replace("a.csv", r) for i, r in enumerate(rows)]
    folder = _fleet(tmp_path / "fleet", "\n".join([HEAD, *body]) + "\n")
    (folder / "logs" / "sub").mkdir(parents=True)
    for name in ("a.csv", "sub/b.csv.gz", "sub/orphan.csv", "notes.md", ".DS_Store"):
        (folder / "logs" / name).write_text("x")
    (tmp_path / "evil.csv").write_text("secret")
    (folder / "logs" / "link.csv").symlink_to(tmp_path / "evil.csv")
    (folder / "logs" / "inner.csv").symlink_to(folder / "logs" / "a.csv")
    (folder / "logs" / "around").symlink_to(folder / "logs")
    scan = scan_fleet(folder)
    assert scan.files["log_file"].to_list() == ["a.csv", "inner.csv", "sub/b.csv.gz", "sub/orphan.csv"]
    assert scan.quarantine["path"].to_list() == ["logs/around", "logs/link.csv", "logs/notes.md"]
    assert scan.files_handed_in == scan.files.height + scan.quarantine.height
    match = match_logs(read_registers(folder), scan)
    assert match.assigned["log_file"].to_list() == ["a.csv", "sub/b.csv.gz", None, None, None, None, None]
    assert match.unnamed == ("inner.csv", "sub/orphan.csv")
    assert match.quarantine["row"].to_list() == [4, 5, 7, 8, None, None]
    assert match.quarantine["path"].to_list()[-2:] == ["logs/inner.csv", "logs/sub/orphan.csv"]


def test_scan_of_no_fleet(tmp_path: Path) -> None:
    with pytest.raises(FleetFolderError, match="no such folder"):
        scan_fleet(tmp_path / "none")
    with pytest.raises(FleetFolderError, match="logs/"):
        scan_fleet(tmp_path)


_CELL = st.one_of(
    st.text(max_size=12),
    st.sampled_from(
        ["E1", "2026-05-04", "2026-02-30", "03/04/2026", "21,5", "1e400", "nan", '"', '""', "\0", "passed", "é"]
    ),
)


@given(
    register=st.sampled_from(sorted(schemas.REGISTERS)),
    rows=st.lists(st.lists(_CELL, max_size=20), max_size=8),
    tail=st.binary(max_size=30),
    delimiter=st.sampled_from([",", ";", "\t"]),
)
@settings(deadline=None, max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_register_ends_in_frames_or_quarantine(
    register: str, rows: list[list[str]], tail: bytes, delimiter: str, tmp_path: Path
) -> None:
    text = "\n".join([delimiter.join(schemas.REGISTERS[register].names), *(delimiter.join(r) for r in rows)]) + "\n"
    content = text.encode("utf-8", "surrogatepass") + tail
    folder = _fleet(tmp_path, CLEAN)
    for name in schemas.REGISTERS:
        if name != "evacuations":
            (folder / f"{name}.csv").unlink(missing_ok=True)
    (folder / f"{register}.csv").write_bytes(content)
    got = read_registers(folder)
    _check_counts(got)
    refused = got.counts.filter(pl.col("register") == register)["rows_refused"][0]
    assert got.quarantine["row"].n_unique() >= min(refused, 1)
    for table in schemas.REGISTERS.values():
        key = got.frames[table.name].select(table.key)
        assert key.n_unique() == key.height


@given(
    rows=st.lists(
        st.lists(st.one_of(st.sampled_from(["E1", "E2", "", " ", "7", "é", "a b"]), st.text(max_size=5)), max_size=9)
    ),
    ended=st.booleans(),
)
@example(rows=[["E1"] * 7 + ["\x1f"]], ended=False)
@settings(deadline=None, max_examples=150)
def test_rows_split_together_are_those_split_one_by_one(rows: list[list[str]], ended: bool) -> None:
    lines = split_lines("\n".join([HEAD, *(",".join(r) for r in rows)]) + ("\n" if ended else ""))
    together = register_cells._split_together(lines, 0, ",", [h.strip() for h in HEAD.split(",")])
    if together is None:
        return
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(register_cells, "_split_together", lambda *_: None)
        one_by_one = register_cells._csv_cells(lines, "evacuations.csv", rejects := Rejects("evacuations.csv"))
    assert rejects.total == 0
    assert together.lines == one_by_one.lines
    assert {k: v.to_list() for k, v in together.columns.items()} == {
        k: v.to_list() for k, v in one_by_one.columns.items()
    }


def test_hours_that_came_twice_or_never_are_asked_about_and_nothing_is_lost(tmp_path: Path) -> None:
    """Reference: the IANA zone data. Denver's clocks were set back on 2026-11-01 at 2, forward on 2026-03-08 at 2."""
    times = {
        "2026-11-01T00:59": "",
        "2026-11-01T01:00": "came twice",
        "2026-11-01 01:59:59": "came twice",
        "2026-11-01T01:30-07:00": "",
        "2026-11-01T08:30Z": "",
        "2026-11-01T02:00": "",
        "2026-03-08T01:59": "",
        "2026-03-08T02:00": "never showed",
        "2026-03-08T02:59": "never showed",
        "2026-03-08T03:00": "",
        "2026-07-01T01:30": "",
    }
    rows = [ROW.format(f"E{i}").replace("2026-05-04T14:00", text) for i, text in enumerate(times)]
    got = _read(tmp_path / "f", "\n".join([HEAD, *rows]) + "\n")
    assert got.frames["evacuations"].height == len(times)
    asked = dict(got.quarantine.select("row", "problem").iter_rows())
    for line, says in enumerate(times.values(), 2):
        assert bool(says) == (line in asked), (line, asked)
        assert says in asked.get(line, "")
    assert set(got.quarantine["field"]) == {"started_at"}
    began = got.frames["evacuations"]["started_at"].to_list()
    assert began[1] == dt.datetime(2026, 11, 1, 7, 0, tzinfo=dt.UTC), "the first of the two"
    assert began[3] == began[4] == dt.datetime(2026, 11, 1, 8, 30, tzinfo=dt.UTC)
