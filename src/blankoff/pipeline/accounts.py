"""What was handed in, what of it is in the store and what in quarantine: counts that add up, in words and as a frame."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import polars as pl

COVERAGE_SCHEMA: dict[str, Any] = {"item": pl.String, "handed_in": pl.Int64, "used": pl.Int64, "refused": pl.Int64}


def spaced(number: int) -> str:
    """Return a count with thousands parted by a blank."""
    return f"{number:,}".replace(",", " ")


@dataclass(frozen=True)
class Intake:
    """What an ingest found and did.

    Parameters
    ----------
    coverage
        One row per kind of input (``log files``, then each register): ``item, handed_in, used, refused``, where
        ``handed_in = used + refused``.
    files_read
        Log files read in this run.
    jobs_judged
        Evacuations judged in this run, those from stored samples included.
    lines_refused
        Lines refused inside readable logs, over the whole store.
    fields_refused
        Fields refused inside used register rows.
    quarantined
        Rows of table ``quarantine``.
    missing
        Registers and columns that were not handed in.
    reasons
        The commonest problems in quarantine, with counts.
    kept
        Log files that are in the store but no longer in the folder.
    """

    coverage: pl.DataFrame
    files_read: int = 0
    jobs_judged: int = 0
    lines_refused: int = 0
    fields_refused: int = 0
    quarantined: int = 0
    missing: tuple[str, ...] = ()
    reasons: tuple[tuple[str, int], ...] = field(default=())
    kept: int = 0

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for JSON."""
        return {
            "handed_in": {row["item"]: {k: row[k] for k in ("handed_in", "used", "refused")} for row in self._rows()},
            "files_read": self.files_read,
            "evacuations_judged": self.jobs_judged,
            "lines_refused_in_used_logs": self.lines_refused,
            "fields_refused_in_used_rows": self.fields_refused,
            "quarantine_rows": self.quarantined,
            "not_handed_in": list(self.missing),
            "commonest_problems": [{"problem": p, "count": n} for p, n in self.reasons],
            "kept_though_gone_from_folder": self.kept,
        }

    def text(self, store_word: str = "in the store") -> str:
        """Return the account in words, one kind of input a line."""
        lines = [
            f"{row['item']:<18}{spaced(row['handed_in']):>9} handed in = {spaced(row['used']):>9} {store_word}"
            f" + {spaced(row['refused']):>6} in quarantine"
            for row in self._rows()
        ]
        lines.append(
            f"read just now: {spaced(self.files_read)} log files; judged: {spaced(self.jobs_judged)} evacuations"
        )
        if self.lines_refused or self.fields_refused:
            lines.append(
                f"refused inside what was used: {spaced(self.lines_refused)} lines of logs, "
                f"{spaced(self.fields_refused)} fields of registers"
            )
        if self.kept:
            lines.append(f"{spaced(self.kept)} logs are no longer in the folder; the store keeps them")
        if self.missing:
            lines.append("not handed in: " + "; ".join(self.missing))
        if self.reasons:
            lines.append("why things are in quarantine (all in table `quarantine`):")
            lines.extend(f"  {spaced(count):>6} x {problem}" for problem, count in self.reasons)
        return "\n".join(lines)

    def _rows(self) -> list[dict[str, Any]]:
        return self.coverage.to_dicts()


def common_reasons(quarantine: pl.DataFrame, most: int = 8) -> tuple[tuple[str, int], ...]:
    """Return the commonest problems, what was found in the single case left out, with how often each came."""
    if quarantine.is_empty():
        return ()
    kinds = (
        quarantine.select(pl.col("problem").fill_null("").str.replace(r" \(found .*\)$", "").alias("problem"))
        .group_by("problem")
        .len("n")
        .sort("n", "problem", descending=[True, False])
        .head(most)
    )
    return tuple((p, int(n)) for p, n in kinds.iter_rows())
