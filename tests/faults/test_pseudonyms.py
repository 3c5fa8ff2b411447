"""What leaves the house under pseudonyms names nobody, tells the same from month to month, and can't be read back."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner

from blankoff import pipeline
from blankoff.cli import main
from blankoff.errors import BlankoffError, SettingsError
from blankoff.pipeline import reporting
from blankoff.pipeline.pseudonyms import KEY_VARIABLE, Pseudonyms, _texts_of, pseudonyms_for, read_key
from blankoff.report.sheet import sheet_content
from blankoff.report.words import FOR_WHOM
from blankoff.store import open_store
from tests.faults.conftest import NAME, NOW, PERSON, Reviewed
from tests.pipeline.fleets import copy_sample

KEY, OTHER = b"k" * 32, b"another key, as long as it takes"
ELSEWHERE = re.compile(
    rf"{re.escape(PERSON)}|{re.escape(NAME)}|Quillon|Ashgrove|\bT0[1-4]\b|Tech (Aqua|Brass|Cedar|Dune)"
)


@pytest.fixture(scope="module")
def pages(reviewed: Reviewed, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A month's pages under pseudonyms."""
    out = tmp_path_factory.mktemp("away")
    mine = reviewed.copy(out)
    with open_store(mine.store) as store:
        pipeline.write_month(store, "2026-10", out / "pages", pseudonym_key=KEY)
    return out / "pages"


def test_no_page_file_or_file_name_names_anybody(pages: Path) -> None:
    files = [p for p in pages.rglob("*") if p.is_file() and p.name != "charts.js"]
    assert len(files) > 15
    assert {p.suffix for p in files} >= {".html", ".csv", ".xlsx", ".ics", ".txt"}
    for path in files:
        name = path.relative_to(pages).as_posix()
        for text in (name, *_texts_of(path)):
            found = ELSEWHERE.search(text)
            assert found is None, f"{name}: {found}"
    people = sorted(p.stem for p in (pages / "technician").iterdir())
    assert people
    assert all(p.startswith("person-") for p in people)
    # a hash of the plain id, as in the names of pages that stay in the house, would be undone by trying ids
    plain = {hashlib.sha256(f"technician\0{i}".encode()).hexdigest()[:10] for i in (PERSON, "T01", "T03", "T04")}
    assert not any(h in p for h in plain for p in people)


def test_pages_about_people_say_for_whom_they_are(pages: Path) -> None:
    assert FOR_WHOM["training"] in (pages / "training.html").read_text(encoding="utf-8")
    for page in (pages / "technician").iterdir():
        assert FOR_WHOM["person"] in page.read_text(encoding="utf-8")


def test_pages_tell_the_same_but_for_who(pages: Path, reviewed: Reviewed, tmp_path: Path) -> None:
    with open_store(reviewed.store) as store:
        pipeline.write_month(store, "2026-10", tmp_path / "home")
    for name in ("maintenance.csv", "maintenance.ics"):
        assert (pages / name).read_bytes() == (tmp_path / "home" / name).read_bytes(), (
            "the maintenance list names nobody"
        )
    count = {k: len(list((k / "technician").iterdir())) for k in (pages, tmp_path / "home")}
    assert len(set(count.values())) == 1
    evacuations = {k: {p.name for p in (k / "evacuation").iterdir()} for k in (pages, tmp_path / "home")}
    assert evacuations[pages] == evacuations[tmp_path / "home"]


def test_stable_with_one_key_and_unlike_with_another(reviewed: Reviewed) -> None:
    with open_store(reviewed.store, read_only=True) as store:
        registers = store.registers()
    one, again, other = (pseudonyms_for(k, registers).of for k in (KEY, KEY, OTHER))
    assert one == again
    assert set(one) == {PERSON, "T01", "T03", "T04"}
    assert not set(one.values()) & set(other.values())
    fewer = {"technicians": registers["technicians"].head(1)}
    assert pseudonyms_for(KEY, fewer).of.items() <= one.items(), "nobody's depends on who else is there"


def test_the_sheet_names_nobody(reviewed: Reviewed, tmp_path: Path) -> None:
    with open_store(reviewed.store, read_only=True) as store:
        theirs = store.table("result").filter(pl.col("technician_id") == PERSON)["evacuation_id"].to_list()
        assert theirs
        people = pseudonyms_for(KEY, store.registers())
        for evacuation_id in theirs[:2]:
            data = people.in_month(reporting._one(store, evacuation_id))
            content = str(sheet_content(reporting.open_book(data).evacuation(evacuation_id), NOW.date()))
            assert people.of[PERSON] in content
            assert not ELSEWHERE.search(content)
        with_names = str(
            sheet_content(reporting.open_book(reporting._one(store, theirs[0])).evacuation(theirs[0]), NOW.date())
        )
        assert NAME in with_names, "else the check above proves nothing"
    words = ["sheet", "--store", str(reviewed.store), theirs[0], "--out", str(tmp_path / "x.pdf"), "--pseudonyms"]
    done = CliRunner().invoke(main, words, env={KEY_VARIABLE: KEY.decode()})
    assert done.exit_code == 0, done.output
    with open_store(reviewed.store, read_only=True) as store:
        assert "was made from the log" in pipeline.verify_sheet(store, tmp_path / "x.pdf")


def test_exports_name_nobody_and_keep_their_counts(reviewed: Reviewed, tmp_path: Path) -> None:
    with open_store(reviewed.store, read_only=True) as store:
        pipeline.export(store, tmp_path / "away", csv=True, pseudonym_key=KEY)
        result = store.table("result")
    for path in (tmp_path / "away").glob("*.csv"):
        found = ELSEWHERE.search(path.read_text(encoding="utf-8"))
        assert found is None, f"{path.name}: {found}"
    away = pl.read_parquet(tmp_path / "away" / "result.parquet")
    assert away.drop("technician_id").equals(result.drop("technician_id"))
    sizes = [f["technician_id"].value_counts()["count"].sort().to_list() for f in (away, result)]
    assert sizes[0] == sizes[1]
    finding = pl.read_parquet(tmp_path / "away" / "finding.parquet")
    assert not set(finding["finding_id"]) & {"aaaa", "bbbb"}, "made from the id without a key, it could be undone"


def test_keys(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(KEY_VARIABLE, raising=False)
    with pytest.raises(SettingsError, match="head -c 32"):
        read_key()
    with pytest.raises(SettingsError, match="cannot be read"):
        read_key(tmp_path / "none")
    (tmp_path / "short").write_bytes(b"secret\n")
    with pytest.raises(SettingsError, match="6 bytes"):
        read_key(tmp_path / "short")
    (tmp_path / "key").write_bytes(KEY + b"\n")
    monkeypatch.setenv(KEY_VARIABLE, KEY.decode())
    assert read_key(tmp_path / "key") == read_key() == KEY
    fleet = copy_sample(tmp_path / "fleet")
    for words in (["--pseudonyms"], ["--key-file", str(tmp_path / "key")]):
        done = CliRunner().invoke(main, ["review", str(fleet), *words], env={KEY_VARIABLE: ""})
        assert done.exit_code == 2, done.output
        assert "--pseudonyms" in done.output or "pseudonyms need a key" in done.output
    assert not (fleet / "fleet.duckdb").exists()


def test_whatever_still_names_somebody_is_not_handed_on(
    reviewed: Reviewed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mine = reviewed.copy(tmp_path)
    monkeypatch.setattr(Pseudonyms, "in_month", lambda self, data: data)  # a fault of ours
    (tmp_path / "pages").mkdir()
    with open_store(mine.store) as store, pytest.raises(BlankoffError, match="would still name a technician"):
        pipeline.write_month(store, "2026-10", tmp_path / "pages", pseudonym_key=KEY)
    assert list((tmp_path / "pages").iterdir()) == []
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []


def test_awkward_ids_in_text() -> None:
    people = Pseudonyms(KEY, {"7": "Rosa Quill", "A1": "Quill", "T.1": None}, frozenset({"A1"}))
    p = people.of
    assert people.in_text("technician 7 did 7 of 17") == f"technician {p['7']} did 7 of 17"
    assert people.in_text("Pump A1 is worn; ask technician A1") == f"Pump A1 is worn; ask technician {p['A1']}"
    assert people.in_text("rosa quill and T.1, not Tx1 or T.12") == f"{p['7']} and {p['T.1']}, not Tx1 or T.12"
    frame = people.in_frame(
        pl.DataFrame(
            {
                "pump_id": ["A1", "van of T.1"],
                "factor": ["pump", "technician"],
                "level_id": ["A1", "A1"],
                "entangled_with": [["technician:A1", "pump:A1"], None],
                "path": ["logs/Rosa Quill/x.csv.gz", "evacuations.csv"],
                "problem": ["it cannot be so (found 'says Rosa')", None],
                "evidence": [["E-T.1-1"], []],
            }
        )
    )
    assert frame["pump_id"].to_list() == ["A1", f"van of {p['T.1']}"]
    assert frame["level_id"].to_list() == ["A1", p["A1"]]
    assert frame["entangled_with"].to_list() == [[f"technician:{p['A1']}", "pump:A1"], None]
    assert re.fullmatch(r"logs/[a-z2-7]{10}\.csv\.gz", frame["path"][0])
    assert frame["path"][1] == "evacuations.csv"
    assert frame["problem"].to_list() == ["it cannot be so", None]
    assert frame["evidence"].to_list() == [[f"E-{p['T.1']}-1"], []]
