"""Input built like the real thing, but wrong in places: settings, whole folders, the command line. Nothing ends in a traceback."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from blankoff.cli import main
from blankoff.errors import SettingsError
from blankoff.ingest.check import check_fleet
from blankoff.ingest.folder import scan_fleet
from blankoff.ingest.logs import read_logs
from blankoff.settings import read_settings

ROOT = Path(__file__).resolve().parents[2]
MORE = 20 if os.environ.get("BLANKOFF_FULL") else 1

HEAD = "evacuation_id,log_file,started_at,technician_id,pump_id,hose_id,ambient_c,target_micron,reported"
GOOD = "E1,a.csv,2026-05-04T14:00:00,T1,P1,H1,21,500,passed"


def parts(text: str) -> list[str]:
    """The words of a text."""
    return text.split()


CELLS = st.sampled_from(
    [
        "",
        "C:\\x",
        "04/05/26 1:00 PM",
        '"',
        '"a""b"',
        "'; DROP TABLE result; --",
        "\x00",
        "\ufeff",
        "\u202e",
        "x" * 300,
        "PASSED ",
        "12\n13",
        "{{ 7*7 }}",
        *parts(
            """
            E1 E2 a.csv ../a.csv /etc/passwd logs/../../x b.csv.gz link.csv 2026-05-04 99/99/9999 T1 P'1 =1+1
            <b>x</b> 1e400 -5 nan inf é 😀 passed 0x10 1,5 %n%s
            """
        ),
    ]
)
LOG_CELLS = st.sampled_from(
    [
        "",
        "02/03/04 05:06",
        "\x00",
        '"',
        "9" * 50,
        "30/10/2026 02:30:00",
        *parts(
            """
            0 1 2.5 -1 nan inf OL 1e309 760000 500 0.5 2026-05-04T14:00:00 25:61:61 NULL é 1,2 =cmd 23:59:59
            00:00:01
            """
        ),
    ]
)
HEADINGS = st.sampled_from(
    [
        "elapsed_s",
        "timestamp",
        "pressure_micron",
        "pressure_pa",
        "pressure_inhg",
        "pressure_furlong",
        "ambient_c",
        "ambient_f",
        "mark",
        "",
        "pressure_micron ",
        "PRESSURE_KPA",
        "\ufefftimestamp",
        "x",
    ]
)


def table(heading: list[str], rows: list[list[str]], delimiter: str, end: str) -> bytes:
    """A delimited table, as a careless program writes it."""
    lines = [delimiter.join(heading), *(delimiter.join(r) for r in rows)]
    return end.join(lines).encode("utf-8", "surrogatepass")


logs = st.builds(
    table,
    st.lists(HEADINGS, min_size=1, max_size=5),
    st.lists(st.lists(LOG_CELLS, min_size=0, max_size=6), max_size=30),
    st.sampled_from([",", ";", "\t", "|"]),
    st.sampled_from(["\n", "\r\n", "\r", "\n\n"]),
)
registers = st.builds(
    table,
    st.lists(st.sampled_from([*HEAD.split(","), "x", "", "evacuation_id"]), min_size=3, max_size=12),
    st.lists(st.lists(CELLS, max_size=12), max_size=12),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["\n", "\r\n", "\r"]),
)
good_heading = st.builds(
    lambda rows, end: table(HEAD.split(","), [GOOD.split(","), *rows], ",", end),
    st.lists(st.lists(CELLS, min_size=5, max_size=9), max_size=12),
    st.sampled_from(["\n", "\r\n"]),
)
names = st.sampled_from(
    ["a.csv", "b.csv.gz", "c.csv.zst", "d.parquet", "e.txt", "sub/f.csv", "ünï.csv", " .csv", "=g.csv"]
)


@given(register=st.one_of(registers, good_heading), files=st.dictionaries(names, logs, max_size=4), link=st.booleans())
@settings(deadline=None, max_examples=60 * MORE, suppress_health_check=list(HealthCheck))
def test_any_fleet_folder_ends_in_counts_that_add_up(
    register: bytes, files: dict[str, bytes], link: bool, tmp_path_factory: pytest.TempPathFactory
) -> None:
    root = tmp_path_factory.mktemp("f")
    fleet = root / "fleet"
    (fleet / "logs" / "sub").mkdir(parents=True)
    secret = root / "secret.csv"
    secret.write_text("elapsed_s,pressure_micron\n0,777\n1,777\n2,777\n")
    for name, content in files.items():
        (fleet / "logs" / name).write_bytes(content)
    if link:
        (fleet / "logs" / "link.csv").symlink_to(secret)
        (fleet / "logs" / "away").symlink_to(root, target_is_directory=True)
    (fleet / "evacuations.csv").write_bytes(register)
    begun = time.monotonic()
    done = CliRunner().invoke(main, ["check", str(fleet), "--json"])
    assert time.monotonic() - begun < 20
    assert done.exit_code in (0, 1, 2), done.output
    assert done.exception is None or isinstance(done.exception, SystemExit), repr(done.exception)
    if done.exit_code == 2:
        assert "Error: " in done.output
        return
    found = check_fleet(fleet)
    scan = scan_fleet(fleet)
    assert scan.files_handed_in == len(files) + 2 * link
    assert not any("link" in p or "away" in p for p in scan.files["path"].to_list()), (
        "links that lead out are not followed"
    )
    assert found.quarantine.filter(found.quarantine["problem"].str.len_chars() < 5).is_empty(), "every refusal says why"
    for row in found.registers.to_dicts():
        assert row["rows_handed_in"] == row["rows_kept"] + row["rows_refused"]


scalars = st.one_of(
    st.integers(-(10**20), 10**20).map(str),
    st.floats().map(repr),
    st.sampled_from(
        [
            '"much"',
            '""',
            "true",
            "[]",
            "[1, 2]",
            "{}",
            '"America/Denver"',
            '"Mars/Base"',
            '"pa"',
            '"utf-16"',
            "2026-01-01",
        ]
    ),
    st.text(max_size=8).map(lambda t: "'''" + t.replace("'", "") + "'''"),
)
sections = st.sampled_from(
    [
        "acceptance.'a b'",
        *parts(
            """
            acceptance acceptance.split maintenance judging fleet log_layouts.a log_layouts.a.time log_layouts
            log_layouts.a.pressure nonsense units
            """
        ),
    ]
)
fields = st.sampled_from(
    [
        "x y",
        *parts(
            """
            timezone units target_micron hold_limit_micron hold_minutes oil_change_cost files delimiter decimal
            encoding skip_rows header column format unit seed bounds_level shortest_hold_min time
            """
        ),
    ]
)
tomls = st.lists(
    st.tuples(st.one_of(st.just(""), sections), st.lists(st.tuples(fields, scalars), max_size=4)), max_size=5
).map(
    lambda parts: "\n".join(
        (f"[{name}]\n" if name else "") + "\n".join(f"{k if ' ' not in k else repr(k)} = {v}" for k, v in pairs)
        for name, pairs in parts
    )
)


@given(text=st.one_of(tomls, st.text(max_size=60), st.binary(max_size=60)))
@settings(deadline=None, max_examples=300 * MORE, suppress_health_check=list(HealthCheck))
def test_any_settings_file_is_read_or_refused(text: str | bytes, tmp_path: Path) -> None:
    path = tmp_path / "fleet.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8", "replace"))
    try:
        read = read_settings(path)
    except SettingsError as error:
        said = str(error)
        assert "fleet.toml" in said, said
    else:
        assert read.model_dump_json()


@pytest.mark.parametrize("form", ["%", "%Q", "%s", "%d" * 3, "a%", "%S%.f"])
def test_a_time_format_that_is_none_is_refused_with_the_settings(form: str, tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_text(
        f'[log_layouts.a]\nfiles = "*.txt"\ntime = {{ column = 1, format = "{form}" }}\npressure = {{ column = 2, unit = "pa" }}\n'
    )
    with pytest.raises(SettingsError, match=r"log_layouts\.a\.time\.format"):
        read_settings(tmp_path / "fleet.toml")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("a=" + "[" * 4_000, "brackets within brackets"),
        ("a=[\n" + "[\n" * 100_000, "brackets within brackets"),
        ("a." * 400_000 + "b=1", "larger than 256 KB"),
        ("a." * 100_000 + "b=1", "a line of more than 4096"),
        ("log_layouts." + "a." * 2_000 + "b=1", "log_layouts.a"),
        ("[acceptance]\nhold_minutes = " + "9" * 4_050, "hold_minutes"),
        ("#" * 300_000, "larger than 256 KB"),
    ],
)
def test_settings_that_would_be_read_for_hours_or_break_the_reader(text: str, says: str, tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_text(text)
    begun = time.monotonic()
    with pytest.raises(SettingsError, match="fleet") as refused:
        read_settings(tmp_path / "fleet.toml")
    assert says in str(refused.value)
    assert time.monotonic() - begun < 20


@given(
    delimiter=st.sampled_from([",", ";", "\t", " ", "::", "a", '"', "\\", ".", "|", "\n", "\0"]),
    decimal=st.sampled_from([".", ",", "d", " ", '"']),
    encoding=st.sampled_from(
        ["utf-8", "utf-16", "utf-16-le", "latin-1", "cp1252", "utf-7", "utf-8-sig", "ascii", "idna", "punycode"]
    ),
    skip=st.integers(0, 12),
    header=st.booleans(),
    column=st.sampled_from(["Zeit", "1", "2", "", "Druck"]),
    form=st.sampled_from(["", "%d.%m.%Y %H:%M:%S", "%H:%M", "%", "%Q", "%s", "%d" * 40, "%z"]),
    content=st.one_of(logs, st.binary(max_size=300)),
)
@settings(deadline=None, max_examples=80 * MORE, suppress_health_check=list(HealthCheck))
def test_any_layout_on_any_file(
    delimiter: str,
    decimal: str,
    encoding: str,
    skip: int,
    header: bool,
    column: str,
    form: str,
    content: bytes,
    tmp_path: Path,
) -> None:
    quoted = {k: v.encode("unicode_escape").decode().replace('"', '\\"') for k, v in (("d", delimiter), ("c", decimal))}
    time_column = column if not column.isdigit() else int(column)
    (tmp_path / "fleet.toml").write_text(
        f'[log_layouts.a]\nfiles = "*.txt"\ndelimiter = "{quoted["d"]}"\ndecimal = "{quoted["c"]}"\nencoding = "{encoding}"\n'
        f'skip_rows = {skip}\nheader = {str(header).lower()}\ntime = {{ column = {time_column!r}, format = "{form}" }}\n'
        'pressure = { column = 2, unit = "hpa" }\n',
        encoding="utf-8",
    )
    (tmp_path / "logs").mkdir(exist_ok=True)
    log = tmp_path / "logs" / "a.txt"
    log.write_bytes(content)
    try:
        read = read_settings(tmp_path / "fleet.toml")
    except SettingsError:
        return
    readout = read_logs([log], tmp_path, read)
    assert readout.info.height == 1
    assert readout.info["readable"][0] or readout.quarantine.height == 1


@pytest.fixture(scope="module")
def places(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tiny fleet and some files to name on the command line."""
    root = tmp_path_factory.mktemp("places")
    (root / "fleet" / "logs").mkdir(parents=True)
    (root / "fleet" / "evacuations.csv").write_text(f"{HEAD}\n")
    (root / "junk.duckdb").write_bytes(b"junk" * 1000)
    (root / "junk.csv").write_bytes(b"\xff\x00,\n1,2\n")
    (root / "bad.toml").write_text("[acceptance\n")
    (root / "empty").mkdir()
    return root


WORDS = st.sampled_from(
    [
        "",
        "x" * 5000,
        *parts(
            """
            review ingest check assess report sheet log export forget --store --out --month --as-of --json
            --lenient --pseudonyms --key-file --yes --csv --verify --believed-on --settings --volume --target
            --limit --hold --help -- - = --store= --nonsense 2026-10 2026-13 2026-02-30 -1 nan inf 1e999
            {r}/fleet {r}/junk.duckdb {r}/junk.csv {r}/bad.toml {r}/empty {r}/none/x.pdf {r}/new.duckdb {r}
            /proc/x T1 é ٢٠٢٦-١٠
            """
        ),
    ]
)


@given(
    words=st.lists(WORDS, max_size=7),
    first=st.sampled_from(["ingest", "check", "assess", "report", "sheet", "log", "export", "forget", ""]),
)
@settings(deadline=None, max_examples=150 * MORE, suppress_health_check=list(HealthCheck))
def test_any_command_line_is_done_or_refused(words: list[str], first: str, places: Path) -> None:
    given_words = [w.format(r=places) for w in ([first] if first else []) + words]
    done = CliRunner().invoke(main, given_words)
    assert done.exception is None or isinstance(done.exception, SystemExit), (given_words, repr(done.exception))
    assert done.exit_code in (0, 1, 2), given_words
    assert "Traceback" not in done.output


@pytest.mark.scheduled
@pytest.mark.parametrize("target", ["log", "register", "settings", "packed", "words", "store"])
def test_coverage_guided_fuzzing(target: str, tmp_path: Path) -> None:
    pytest.importorskip("atheris", reason="needs the coverage-guided fuzzer: pip install atheris")
    seconds = 600 if os.environ.get("BLANKOFF_FULL") else 20
    command = [
        sys.executable,
        str(ROOT / ".ci" / "fuzz.py"),
        target,
        f"-max_total_time={seconds}",
        "-rss_limit_mb=2000",
        "-timeout=20",
    ]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False, timeout=seconds + 300)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-4000:]
