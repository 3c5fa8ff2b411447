"""The benchmarks run, on a small size, and nothing has become many times slower. Full size: see `run`."""

from __future__ import annotations

import statistics
from pathlib import Path

import pytest

from blankoff import pipeline
from blankoff.store import open_store
from tests.benchmarks.corpus import make_corpus
from tests.benchmarks.run import draw, growth, measure, ratios, table


@pytest.mark.scheduled
def test_small_benchmark_keeps_its_ratios(tmp_path: Path) -> None:
    rounds = measure(tmp_path, 600, 2, forms=("parquet",))
    print(table(rounds, 600))
    found = {name: statistics.median(values) for name, values in ratios(rounds, 600, "cpu").items()}
    # a few hundred logs carry the fixed cost of a run, and CI's machine has other work: these catch a slip, no more
    assert found["whole path over the bare scan"] < 12
    assert found["per log over the pandas loop"] < 0.4
    assert rounds[0]["csv"]["peak_mb"] < 1000
    assert all(told["csv"]["jobs"] == 600 for told in rounds)
    rows = growth(tmp_path, [200, 600])
    draw(rows, tmp_path / "growth.svg")
    assert (tmp_path / "growth.svg").read_text(encoding="utf-8").startswith("<svg")


def test_the_corpus_is_the_same_each_time_and_its_forms_read_alike(tmp_path: Path) -> None:
    one, two = make_corpus(tmp_path / "one", 12, readings=120), make_corpus(tmp_path / "two", 12, readings=120)
    for path in sorted(one.folder.rglob("*.csv")):
        assert path.read_bytes() == (two.folder / path.relative_to(one.folder)).read_bytes()
    seen = {}
    for form in ("csv", "parquet", "messy"):
        corpus = make_corpus(tmp_path / "one", 12, form=form, readings=120)  # type: ignore[arg-type]
        with open_store(tmp_path / f"{form}.duckdb") as store:
            done = pipeline.ingest(corpus.folder, store)
            assert done.quarantined == 0
            assert corpus.readings == store.samples_of_logs(store.read("log_files")).readings
            seen[form] = store.table("result").select("evacuation_id", "verdict", "isolated_at_s")
    assert seen["csv"].equals(seen["parquet"], null_equal=True)
    assert seen["csv"]["verdict"].to_list() == seen["messy"]["verdict"].to_list()
