"""The main job end to end on the committed sample: accounts add up, only what is new is done."""

from __future__ import annotations

import datetime as dt
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from blankoff import pipeline
from blankoff.errors import NotInStoreError
from blankoff.pipeline.unchanged import is_unchanged, made_of
from blankoff.report import pages as report_pages
from blankoff.report.data import MonthData
from blankoff.store import open_store
from tests.pipeline.fleets import assert_same_tables, break_fleet, copy_sample, plain_logs, tables

NOW = dt.datetime(2026, 11, 25, 12, tzinfo=dt.UTC)


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Path]:
    """The sample, reviewed once: fleet folder, store, pages."""
    root = tmp_path_factory.mktemp("reviewed")
    fleet = copy_sample(root / "fleet")
    pipeline.review(fleet, root / "fleet.duckdb", out=root / "pages", now=NOW)
    return fleet, root / "fleet.duckdb", root / "pages"


def coverage_adds_up(done: pipeline.Intake) -> None:
    rows = done.coverage
    assert (rows["handed_in"] == rows["used"] + rows["refused"]).all()


def test_a_damaged_fleet_is_reviewed_and_everything_accounted_for(tmp_path: Path) -> None:
    fleet = copy_sample(tmp_path / "fleet")
    before = pipeline.review(copy_sample(tmp_path / "whole"), tmp_path / "w.duckdb", out=tmp_path / "w", now=NOW)
    damage = break_fleet(fleet)
    done = pipeline.review(fleet, tmp_path / "s.duckdb", out=tmp_path / "pages", now=NOW)
    coverage_adds_up(done.intake)
    counts = {r["item"]: r for r in done.intake.coverage.iter_rows(named=True)}
    whole = {r["item"]: r for r in before.intake.coverage.iter_rows(named=True)}
    assert counts["log files"]["refused"] == whole["log files"]["refused"] + damage["broken_logs"]
    assert counts["evacuations"]["refused"] == whole["evacuations"]["refused"] + damage["repeated_rows"]
    assert "hoses" not in counts
    assert counts["pumps"]["used"] == 0
    with open_store(tmp_path / "s.duckdb", read_only=True) as store:
        result, quarantine = store.table("result"), store.table("quarantine")
    assert result.height == counts["evacuations"]["used"]
    assert (result["reason"] == "unreadable_log").sum() >= damage["broken_logs"]
    assert quarantine["problem"].str.len_chars().min() > 10, "every refusal says why"
    assert quarantine.filter(pl.col("problem").str.contains("thousand")).height >= 1
    assert (tmp_path / "pages" / "index.html").is_file()
    said = done.text()
    assert "not handed in" in said
    assert "hoses" in said


def test_a_second_run_reads_nothing_and_one_new_file_costs_one_file(tmp_path: Path) -> None:
    fleet = copy_sample(tmp_path / "fleet")
    late = plain_logs(fleet)[2]
    shutil.move(late, tmp_path / late.name)
    with open_store(tmp_path / "s.duckdb") as store:
        first = pipeline.ingest(fleet, store, now=NOW)
        again = pipeline.ingest(fleet, store, now=NOW)
        assert (again.files_read, again.jobs_judged) == (0, 0)
        shutil.move(tmp_path / late.name, late)
        one = pipeline.ingest(fleet, store, now=NOW)
        assert (one.files_read, one.jobs_judged) == (1, 1)
    assert first.files_read >= 30
    with open_store(tmp_path / "whole.duckdb") as store:
        pipeline.ingest(fleet, store, now=NOW)
    assert_same_tables(tables(tmp_path / "s.duckdb"), tables(tmp_path / "whole.duckdb"))


def test_the_number_of_workers_changes_nothing(tmp_path: Path) -> None:
    fleet = copy_sample(tmp_path / "fleet")
    for workers in (1, 3):
        with open_store(tmp_path / f"{workers}.duckdb") as store:
            pipeline.ingest(fleet, store, now=NOW, workers=workers)
    assert_same_tables(tables(tmp_path / "1.duckdb"), tables(tmp_path / "3.duckdb"))


def test_a_changed_register_row_changes_what_depends_on_it_and_nothing_else(tmp_path: Path) -> None:
    fleet = copy_sample(tmp_path / "fleet")
    store_path = tmp_path / "s.duckdb"
    with open_store(store_path) as store:
        pipeline.ingest(fleet, store, now=NOW)
    before = tables(store_path)["result"]
    one = before.filter(pl.col("reason") == "held")["evacuation_id"][0]
    register = pl.read_csv(fleet / "evacuations.csv", infer_schema=False)
    register = register.with_columns(
        pl.when(pl.col("evacuation_id") == one).then(pl.lit("20")).otherwise("target_micron").alias("target_micron")
    )
    register.write_csv(fleet / "evacuations.csv")
    with open_store(store_path) as store:
        done = pipeline.ingest(fleet, store, now=NOW)
    assert (done.files_read, done.jobs_judged) == (0, 1)
    after = tables(store_path)["result"]
    assert after.filter(pl.col("evacuation_id") == one)["reason"].item() == "target_missed"
    others = pl.col("evacuation_id") != one
    assert after.filter(others).equals(before.filter(others))
    with open_store(store_path, read_only=True) as store:  # and the store remembers what it believed before
        earlier = store.earlier_beliefs("result")
        assert earlier["evacuation_id"].to_list() == [one]
        assert earlier.select(before.columns).equals(before.filter(~others))
        assert (
            store.raw("run").filter(pl.col("rows_superseded") == 1)["run_no"].to_list()
            == earlier["superseded_by_run"].to_list()
        )


def test_assessing_uses_only_what_was_known(reviewed: tuple[Path, Path, Path], tmp_path: Path) -> None:
    fleet, _, _ = reviewed
    day = dt.date(2026, 9, 30)
    with open_store(tmp_path / "all.duckdb") as store:
        pipeline.ingest(fleet, store, now=NOW)
        pipeline.assess(store, day, now=NOW)
        assert pipeline.assess(store, day, now=NOW).reused
    cut = copy_sample(tmp_path / "cut")
    for name, column in (("evacuations", "started_at"), ("services", "serviced_on"), ("coaching", "coached_on")):
        frame = pl.read_csv(cut / f"{name}.csv", infer_schema=False)
        frame.filter(pl.col(column).str.slice(0, 10) <= day.isoformat()).write_csv(cut / f"{name}.csv")
    with open_store(tmp_path / "cut.duckdb") as store:
        pipeline.ingest(cut, store, now=NOW)
        pipeline.assess(store, day, now=NOW)
    one, other = tables(tmp_path / "all.duckdb"), tables(tmp_path / "cut.duckdb")
    for name in ("finding", "effect", "oil_forecast", "practice"):
        assert one[name].equals(other[name]), name


def test_the_same_store_gives_the_same_bytes(reviewed: tuple[Path, Path, Path], tmp_path: Path) -> None:
    _, store_path, pages = reviewed
    with open_store(store_path) as store:
        pipeline.write_month(store, "2026-10", tmp_path / "again")
        sheets = [pipeline.write_sheet(store, "E00001", tmp_path / f"{k}.pdf", made_on=NOW.date()) for k in (1, 2)]
        assert "E00001" in pipeline.verify_sheet(store, sheets[0])
        with pytest.raises(NotInStoreError, match="not in the store"):
            pipeline.write_sheet(store, "../../x", tmp_path / "no.pdf")
    assert sheets[0].read_bytes() == sheets[1].read_bytes()
    files = sorted(p.relative_to(pages) for p in pages.rglob("*") if p.is_file())
    assert files == sorted(p.relative_to(tmp_path / "again") for p in (tmp_path / "again").rglob("*") if p.is_file())
    for name in files:
        assert (pages / name).read_bytes() == (tmp_path / "again" / name).read_bytes(), name


def test_pages_are_written_again_only_where_they_would_be_others(
    reviewed: tuple[Path, Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, store_path, pages = reviewed
    mine = tmp_path / "pages"
    shutil.copytree(pages, mine)
    writes: list[bool] = []
    write = report_pages.write_month

    def counted(data: MonthData, out: Path, **more: Any) -> list[Path]:
        writes.append(more["all_evacuations"])
        return write(data, out, **more)

    monkeypatch.setattr(report_pages, "write_month", counted)
    with open_store(store_path, read_only=True) as store:
        data = pipeline.reporting.month_data(store, "2026-10")
        state = made_of(data, every_log=False)
        assert pipeline.write_month(store, "2026-10", mine) == mine / "index.html"
        assert writes == []
        # whatever of the month is another makes them others
        for other in (
            replace(data, as_of=data.as_of - dt.timedelta(days=1)),
            replace(data, phase=data.phase.head(data.phase.height - 1)),
            replace(data, not_made=(*data.not_made, ("x", "y"))),
            replace(data, registers={**data.registers, "pumps": data.registers["pumps"].head(1)}),
        ):
            assert made_of(other, every_log=False) != state
        assert made_of(data, every_log=True) != state
        # and a page that somebody changed, took away or added is mended
        good = (pages / "operations.html").read_bytes()
        (mine / "operations.html").write_bytes(good.replace(b"Operations", b"operations", 1))
        touched, left = sorted(p.relative_to(pages) for p in (pages / "pump").iterdir())[:2]
        (mine / touched).write_bytes(b"not ours")
        assert not is_unchanged(mine, state)
        lies_at = (mine / left).stat().st_ino
        pipeline.write_month(store, "2026-10", mine)
        assert (mine / "operations.html").read_bytes() == good
        assert (mine / touched).read_bytes() == (pages / touched).read_bytes()
        assert (mine / left).stat().st_ino == lies_at, "what nobody changed is taken as it is"
        (mine / "training.html").unlink()
        assert not is_unchanged(mine, state)
        shutil.copy(pages / "training.html", mine)
        assert is_unchanged(mine, state)
        (mine / "more.html").touch()
        assert not is_unchanged(mine, state)
    assert writes == [False]


def test_pages_never_replace_what_is_not_pages(reviewed: tuple[Path, Path, Path], tmp_path: Path) -> None:
    _, store_path, _ = reviewed
    mine = tmp_path / "mine"
    mine.mkdir()
    (mine / "thesis.txt").write_text("dear to me", encoding="utf-8")
    with open_store(store_path) as store, pytest.raises(Exception, match="not pages of ours"):
        pipeline.write_month(store, "2026-10", mine)
    assert (mine / "thesis.txt").is_file()
