"""What an assessment keeps beside the contract's tables: the oil forecast's back-test, and charts per asset."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl

from blankoff import pipeline
from blankoff.fleet.asset_charts import CHART_SCHEMA
from blankoff.fleet.backtest import BACKTEST_SCHEMA
from blankoff.store import open_store
from tests.pipeline.fleets import copy_sample

NOW = dt.datetime(2026, 11, 25, 12, tzinfo=dt.UTC)


def test_back_test_and_charts_are_kept_by_day(tmp_path: Path) -> None:
    days = (dt.date(2026, 9, 30), dt.date(2026, 10, 31))
    with open_store(tmp_path / "s.duckdb") as store:
        pipeline.ingest(copy_sample(tmp_path / "fleet"), store, now=NOW)
        for day in days:
            pipeline.assess(store, day, now=NOW)
        for name, schema in (("oil_backtest", BACKTEST_SCHEMA), ("asset_chart", CHART_SCHEMA)):
            kept = store.raw(name)
            assert set(schema) <= set(kept.columns), name
            assert set(kept["as_of"]) <= set(days)
        assert {"days_ahead", "forecasts", "median_error_days", "covered_share"} <= set(
            store.raw("oil_backtest_summary").columns
        )
        charts = store.raw("asset_chart")
        assert charts.height > 0
        assert charts.select("as_of", "factor", "level_id").is_unique().all()
        assert charts.filter(pl.col("signalled_on").is_null())["sum_now"].max() <= charts["limit"].max()  # type: ignore[operator]
