"""The same input gives the same tables, whatever the order, the steps, the machine; and corrections can be undone."""

from __future__ import annotations

import datetime as dt
import os
import platform
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner

from blankoff import pipeline, schemas
from blankoff.cli import main
from blankoff.ingest import folder
from blankoff.pipeline import results
from blankoff.store import KEPT_BEFORE, open_store
from blankoff.store.beliefs import as_it_stood
from tests.pipeline.fleets import assert_same_tables, copy_sample, plain_logs, tables

FULL_ONLY = pytest.mark.skipif(not os.environ.get("BLANKOFF_FULL"), reason="compiles all kernels: with BLANKOFF_FULL=1")
DAY = dt.date(2026, 10, 31)


def at(day: int) -> dt.datetime:
    """A moment at which somebody runs the program."""
    return dt.datetime(2026, 11, day, 12, tzinfo=dt.UTC)


def build(fleet: Path, store: Path, day: int = 25, *, assess: bool = True) -> dict[str, pl.DataFrame]:
    """Ingest and assess a fleet; return the tables."""
    with open_store(store) as opened:
        pipeline.ingest(fleet, opened, now=at(day), workers=1)
        if assess:
            pipeline.assess(opened, DAY, now=at(day))
    return tables(store)


@pytest.fixture(scope="module")
def straight(tmp_path_factory: pytest.TempPathFactory) -> dict[str, pl.DataFrame]:
    """The sample's tables by one undisturbed run."""
    root = tmp_path_factory.mktemp("straight")
    return build(copy_sample(root / "fleet"), root / "s.duckdb")


def test_results_come_out_alike_however_many_are_brought_up_to_date_at_a_time(
    straight: dict[str, pl.DataFrame], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seven rows at a time; then rows that are gone, wrong, or of nobody are put right in whichever stretch they lie."""
    monkeypatch.setattr(results, "AT_ONCE", 7)
    build(copy_sample(tmp_path / "fleet"), tmp_path / "s.duckdb", assess=False)
    with open_store(tmp_path / "s.duckdb") as store:
        whole = store.raw("result").sort("evacuation_id")
        ids = whole["evacuation_id"]
        strange = whole.head(2).with_columns(evacuation_id=pl.Series(["", "~~ no such evacuation"]))
        wrong = whole[[3, 20]].with_columns(verdict=pl.lit("failed"), reason=pl.lit("leak"))
        with store.transaction():
            store.delete("result", "evacuation_id", pl.DataFrame({"evacuation_id": ids[[9, -1]]}))
            store.replace("result", "evacuation_id", wrong)
            store.insert("result", strange)
        with store.transaction():
            assert results.refresh_results(store, store.settings()) == wrong.height + strange.height
        assert store.raw("result").sort("evacuation_id").equals(whole)
        set_aside = store.raw("result_before")["evacuation_id"].to_list()
        assert sorted(set_aside) == sorted([*ids[[3, 20]], *strange["evacuation_id"]])
    groups = ["group_id", "group_name"]
    assert tables(tmp_path / "s.duckdb")["result"].drop(groups).equals(straight["result"].drop(groups))


def test_the_order_of_files_and_rows_changes_nothing(
    straight: dict[str, pl.DataFrame], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Folders are listed backwards, and every register is written backwards, but for what is given twice."""
    fleet = copy_sample(tmp_path / "fleet")
    walk = folder._walk
    monkeypatch.setattr(folder, "_walk", lambda where: iter(list(walk(where))[::-1]))
    for path in fleet.glob("*.csv"):
        lines = path.read_text(encoding="utf-8").splitlines()
        rows = lines[1:]
        twice = {r for r in rows if sum(o.split(",")[0] == r.split(",")[0] for o in rows) > 1}
        moved = [r for r in rows if r not in twice][::-1]
        if path.stem in ("services", "coaching"):
            moved, twice = rows[::-1], set()
        path.write_text("\n".join([lines[0], *moved, *(r for r in rows if r in twice)]) + "\n", encoding="utf-8")
    other = build(fleet, tmp_path / "s.duckdb")
    # a refusal says in which line it was: that alone is another
    for name in ("result", "phase", "finding", "effect", "oil_forecast", "practice"):
        assert other[name].equals(straight[name]), f"table {name} differs"
    assert other["quarantine"].height == straight["quarantine"].height


def test_many_increments_come_to_what_one_run_does(straight: dict[str, pl.DataFrame], tmp_path: Path) -> None:
    fleet, store = copy_sample(tmp_path / "fleet"), tmp_path / "s.duckdb"
    register = fleet / "evacuations.csv"
    whole = register.read_text(encoding="utf-8").splitlines()
    logs = sorted(p for p in (fleet / "logs").rglob("*") if p.is_file())
    for part in range(4):  # every fourth log waits elsewhere until its turn
        for log in logs[part::4]:
            log.rename(log.with_name(f"{log.name}.later"))
    for part in range(4):
        for log in logs[part::4]:
            log.with_name(f"{log.name}.later").rename(log)
        rows = len(whole) if part == 3 else 1 + (part + 1) * len(whole) // 5
        register.write_text("\n".join(whole[:rows]) + "\n", encoding="utf-8")
        build(fleet, store, 20 + part, assess=part in (1, 3))
    assert_same_tables(tables(store), straight)


ELSEWHERE = (
    {"TZ": "Asia/Kathmandu", "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONHASHSEED": "1"},
    {"TZ": "America/St_Johns", "LC_ALL": "de_DE.UTF-8", "PYTHONHASHSEED": "2"},
    {"TZ": "Pacific/Chatham", "LC_ALL": "tr_TR.UTF-8", "LANGUAGE": "tr", "PYTHONHASHSEED": "3"},
)


@pytest.mark.scheduled
@pytest.mark.parametrize("elsewhere", ELSEWHERE)
def test_locale_time_zone_and_hash_seed_change_nothing(
    elsewhere: dict[str, str], straight: dict[str, pl.DataFrame], tmp_path: Path
) -> None:
    """In a process of its own; a locale that isn't installed leaves the C locale, which differs as well."""
    fleet, store = copy_sample(tmp_path / "fleet"), tmp_path / "s.duckdb"
    code = (
        "import locale, sys\ntry:\n    locale.setlocale(locale.LC_ALL, '')\nexcept locale.Error:\n    pass\n"
        "from blankoff.cli import main\n"
        "main(['ingest', sys.argv[1], '--store', sys.argv[2], '--lenient'], standalone_mode=False)\n"
        "main(['assess', '--store', sys.argv[2], '--as-of', '2026-10-31'], standalone_mode=False)\n"
    )
    command = [sys.executable, "-W", "error", "-c", code, str(fleet), str(store)]
    done = subprocess.run(command, env={**os.environ, **elsewhere}, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert_same_tables(tables(store), straight)


COMMAND = """
import sys
import numpy._core._multiarray_umath as umath
from threadpoolctl import threadpool_info
import scipy.linalg
from blankoff.cli import main
main(['ingest', sys.argv[1], '--store', sys.argv[2], '--lenient'], standalone_mode=False)
main(['assess', '--store', sys.argv[2], '--as-of', '2026-10-31'], standalone_mode=False)
import numba
print(sorted({info.get('architecture') for info in threadpool_info() if info['internal_api'] == 'openblas'}))
print(any(umath.__cpu_features__[name] for name in umath.__cpu_dispatch__))
print(numba.core.codegen.get_host_cpu_features() if not numba.config.CPU_NAME else numba.config.CPU_NAME)
"""


def lesser_processor(*, kernels: bool) -> dict[str, str]:
    """Environment in which a program finds a processor of 2004: no AVX, no FMA, in the C library, NumPy and OpenBLAS; and, if
    asked, in the kernels, which are then compiled anew."""
    from numpy._core._multiarray_umath import __cpu_dispatch__, __cpu_features__

    none = "-AVX,-AVX2,-FMA,-FMA4,-AVX512F,-AVX_Usable,-AVX2_Usable,-FMA_Usable,-FMA4_Usable"
    env = {
        "GLIBC_TUNABLES": f"glibc.cpu.hwcaps={none}",
        "NPY_DISABLE_CPU_FEATURES": " ".join(f for f in __cpu_dispatch__ if __cpu_features__[f]),
        "OPENBLAS_CORETYPE": "Prescott",
        "ARROW_USER_SIMD_LEVEL": "NONE",
        "NUMBA_NUM_THREADS": "1",
        "OMP_NUM_THREADS": "1",
        "POLARS_MAX_THREADS": "1",
        **ELSEWHERE[1],
    }
    if kernels:
        env |= {
            "NUMBA_CPU_NAME": "generic",
            "NUMBA_CPU_FEATURES": "-avx,-avx2,-fma,-fma4,-avx512f,-sse4.1,-sse4.2,-ssse3",
        }
    return env


@pytest.mark.scheduled
@pytest.mark.skipif(platform.machine() != "x86_64", reason="emulates lesser x86-64 processors, on one")
@pytest.mark.parametrize("kernels", [False, pytest.param(True, marks=FULL_ONLY)])
def test_a_lesser_processor_gives_the_same_tables(
    kernels: bool, straight: dict[str, pl.DataFrame], tmp_path: Path
) -> None:
    """To the last digit that tables state; beyond it the C library's logarithms and OpenBLAS's sums differ, as is seen here."""
    fleet, store = copy_sample(tmp_path / "fleet"), tmp_path / "s.duckdb"
    env = {**os.environ, **lesser_processor(kernels=kernels)}
    if kernels:
        env["NUMBA_CACHE_DIR"] = str(tmp_path / "kernels")
    done = subprocess.run(
        [sys.executable, "-c", COMMAND, str(fleet), str(store)], env=env, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    blas, vectors, name = done.stdout.splitlines()[-3:]
    assert blas in ("['Prescott']", "['Katmai']"), (
        "OpenBLAS has another name for its oldest kernels, or was not emulated"
    )
    assert vectors == "False"
    assert (name == "generic") == kernels
    assert_same_tables(tables(store), straight)
    with open_store(store, read_only=True) as opened:
        measure = opened.raw("measure").sort("evacuation_id")
    assert not measure.equals(unstated(tmp_path)), "nothing differed: the emulation shows nothing"


def unstated(where: Path) -> pl.DataFrame:
    """What the sample's logs measure here, to all digits, as the tables do not state it."""
    build(copy_sample(where / "here"), where / "here.duckdb", assess=False)
    with open_store(where / "here.duckdb", read_only=True) as opened:
        return opened.raw("measure").sort("evacuation_id")


# --- corrections ---------------------------------------------------------------------------------------------------------


def test_a_log_sent_again_with_more_rows_corrects_its_job_alone_and_the_month_can_be_reproduced(tmp_path: Path) -> None:
    fleet, store = copy_sample(tmp_path / "fleet"), tmp_path / "s.duckdb"
    whole_fleet = build(fleet, tmp_path / "whole.duckdb", assess=False)["result"]
    held = whole_fleet.filter(pl.col("reason") == "held")["evacuation_id"].to_list()
    register = pl.read_csv(fleet / "evacuations.csv", infer_schema=False)
    names = {p.relative_to(fleet / "logs").as_posix(): p for p in plain_logs(fleet)}
    mine = register.filter(pl.col("evacuation_id").is_in(held) & pl.col("log_file").is_in(list(names)))
    one, log = mine["evacuation_id"][0], names[mine["log_file"][0]]
    whole = log.read_text(encoding="utf-8").splitlines(keepends=True)
    log.write_text("".join(whole[: len(whole) // 2]), encoding="utf-8")
    believed = build(fleet, store, 3)
    with open_store(store) as opened:
        run = opened.next_run_no() - 1

    log.write_text("".join(whole), encoding="utf-8")
    with open_store(store) as opened:
        done = pipeline.ingest(fleet, opened, now=at(9), workers=1)
        assert (done.files_read, done.jobs_judged) == (1, 1)
        late = register.filter(evacuation_id=one).with_columns(evacuation_id=pl.lit("LATE"), log_file=pl.lit(""))
        pl.concat([register, late]).write_csv(fleet / "evacuations.csv")
        pipeline.ingest(fleet, opened, now=at(10), workers=1)
        pipeline.assess(opened, DAY, now=at(10))
        after = opened.table("result").filter(pl.col("evacuation_id") != "LATE")
        reasons = dict(opened.table("result").select("evacuation_id", "reason").iter_rows())
    assert (reasons[one], reasons["LATE"]) == ("held", "no_log")
    grouped = ["group_id", "group_name"]  # laid over anew by each assessment
    others = pl.col("evacuation_id") != one
    assert after.filter(others).drop(grouped).equals(believed["result"].filter(others).drop(grouped))

    with open_store(store, read_only=True) as opened:
        assert opened.last_run_on(dt.date(2026, 11, 3)) == opened.last_run_on(dt.date(2026, 11, 8)) == run
        for name in KEPT_BEFORE:
            stood = opened.believed(name, run)
            assert stood.drop(grouped, strict=False).equals(believed[name].drop(grouped, strict=False)), name
            now = opened.table(name)
            latest = opened.next_run_no()
            assert opened.believed(name, latest).equals(now), name
            assert opened.believed(name, 0).is_empty(), name
    words = ["export", "--store", str(store), "--out", str(tmp_path / "out"), "--believed-on"]
    assert CliRunner().invoke(main, [*words, "2026-11-05"]).exit_code == 0
    assert sorted(p.stem for p in (tmp_path / "out").glob("*")) == sorted(KEPT_BEFORE)
    written = pl.read_parquet(tmp_path / "out" / "result.parquet")
    assert written.drop(grouped).equals(believed["result"].drop(grouped))
    early = CliRunner().invoke(main, [*words, "2026-11-01"])
    assert (early.exit_code, "held nothing yet" in early.output) == (2, True)


def test_two_files_that_change_places_keep_their_readings(tmp_path: Path) -> None:
    """What a file held before goes, unless it came in another file's place in the same run."""
    fleet, store = copy_sample(tmp_path / "fleet"), tmp_path / "s.duckdb"
    build(fleet, store, assess=False)
    one, other = plain_logs(fleet)[:2]
    content = one.read_bytes(), other.read_bytes()
    one.write_bytes(content[1])
    other.write_bytes(content[0])
    assert_same_tables(build(fleet, store, assess=False), build(fleet, tmp_path / "new.duckdb", assess=False))
    with open_store(store, read_only=True) as opened:
        files = opened.read("log_files").filter(status="stored")
        for log in files.iter_rows(named=True):
            assert opened.samples_of_logs(files.filter(path=log["path"])).readings == log["readings"]


def test_rows_that_go_and_come_back() -> None:
    """Key a: one value to run 3, then another. Key b: came in run 2, went in run 4, came back in run 6 as it was."""
    current = pl.DataFrame({"k": ["a", "b"], "v": [2, 7]})
    before = pl.DataFrame({"k": ["a", "b"], "v": [1, 7], "superseded_by_run": [3, 4]})
    appeared = pl.DataFrame({"k": ["a", "b", "b"], "run_no": [1, 2, 6]})
    wanted = {0: [], 1: [("a", 1)], 2: [("a", 1), ("b", 7)], 3: [("a", 2), ("b", 7)], 4: [("a", 2)], 5: [("a", 2)]}
    wanted |= {6: [("a", 2), ("b", 7)], 9: [("a", 2), ("b", 7)]}
    for run, rows in wanted.items():
        assert sorted(as_it_stood(current, before, appeared, ["k"], run).rows()) == rows, run


def test_every_kept_table_is_one_of_the_contract() -> None:
    assert set(KEPT_BEFORE) < set(schemas.TABLES)
