"""Score single evacuations, drawn by the simulator and judged in one batch.

    python -m tests.accuracy.cases [--seed 901] [--each 40] [--family tuning held_back]

Reports do not exist for single cases: a job without a log or a copied one is the fleet's to score (`tests.accuracy.fleet`).
"""

from __future__ import annotations

import argparse

import numpy as np
import polars as pl

from blankoff.evacuation.judge import judge_batch
from blankoff.samples import JobContext, SampleBatch
from blankoff_synthetic import KINDS, draw_case
from tests.accuracy import figures as fg

CONTEXT = (
    "target_micron", "hold_limit_micron", "hold_minutes", "ambient_c", "altitude_m", "volume_l", "top_of_range_micron",
    "accuracy_percent",
)  # fmt: skip


def judged_cases(seed: int, each: int, family: str) -> pl.DataFrame:
    """Draw `each` clear cases of every kind, and as many as they fall, and judge them.

    Verdicts are scored on the clear ones; probabilities and speeds on all, for what is clear was chosen by its answer.
    Columns are as `figures.judgements` takes them, and ``kind``.
    """
    drawn, clear = [], []
    for k, kind in enumerate(KINDS):
        for chosen in (True, False):
            rng = np.random.default_rng([seed, k, family == "tuning", not chosen])
            drawn += [(kind, *draw_case(rng, kind, family, require_clear=chosen)) for _ in range(each)]
            clear += [chosen] * each
    batch = SampleBatch.concat(
        [SampleBatch.of_one(str(i), p.elapsed_s, p.pressure_micron, p.ambient_c) for i, (_, p, _) in enumerate(drawn)]
    )
    context = JobContext(*(np.array([float(getattr(job, n)) for *_, job in drawn]) for n in CONTEXT))
    ours = judge_batch(batch, context).measure.with_columns(
        volume_l=pl.Series([float(job.volume_l) for *_, job in drawn]), kind=pl.Series([kind for kind, *_ in drawn])
    )
    true = pl.DataFrame([pull.truth for _, pull, _ in drawn], strict=False, infer_schema_length=None).with_columns(
        volume_l=pl.Series([float(job.volume_l) for *_, job in drawn]), clear=pl.Series(clear)
    )
    both = [c if c not in ours.columns else f"{c}_true" for c in true.columns]
    return ours.hstack(true.rename(dict(zip(true.columns, both, strict=True))))


def main(arguments: list[str] | None = None) -> int:
    """Draw, judge, score, print."""
    parser = argparse.ArgumentParser(
        prog="tests.accuracy.cases", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--seed", type=int, default=901)
    parser.add_argument("--each", type=int, default=40, help="cases of every kind")
    parser.add_argument("--family", nargs="+", default=["tuning", "held_back"])
    given = parser.parse_args(arguments)
    for family in given.family:
        jobs = judged_cases(given.seed, given.each, family)
        print(f"\n{family}, seed {given.seed}, {jobs.height} cases")
        for figure in fg.judgements(jobs):
            print(figure.line())
        wrong = (
            jobs.filter(pl.col("clear") & (pl.col("reason") != pl.col("reason_true")))
            .group_by("reason_true", "reason")
            .len()
            .sort("len")
        )
        print(wrong.reverse())
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
