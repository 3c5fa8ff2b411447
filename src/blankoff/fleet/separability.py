"""What a fleet's history can tell apart, from who worked with what and from what is left in doubt.

Two levels of different factors part on an evacuation that one of them was on without the other.  Levels that never
parted are one to any data; levels that parted too seldom are one to these data: knowing one's partner would settle the
level, not knowing leaves most of the prior doubt.  Both are said with the partner's name.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

__all__ = ["Doubt", "components", "entangled", "meetings"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PARTED_AT_LEAST = 2
"""Evacuations apart below which two levels count as never told apart, whatever the noise (judgement)."""
PARTED_SURELY = 12
"""Evacuations apart from which a pair is not called entangled for its doubt (judgement)."""
DOUBT_LEFT = 0.5
"""Share of a level's prior variance still there, above which an otherwise settled level is unsettled."""
DOUBT_IF_PARTNER_KNOWN = 0.5
"""The same if the partners were known, over what is left: above it, more jobs and not a swap are wanting."""
CORRELATION = -0.5
"""Posterior correlation below which two levels trade their effects."""


@dataclass(frozen=True)
class Doubt:
    """What one measure's model leaves in doubt.

    Attributes
    ----------
    left, prior, alone : (levels of all factors, end to end)
        Variance of each level's newest stretch: after all data, before any, and if the other factors were known.
    newest : list of (levels, covariance)
        Blocks of the newest stretches' posterior covariance; levels numbered factor after factor.
    """

    left: Floats
    prior: Floats
    alone: Floats
    newest: Sequence[tuple[Ints, Floats]]


def meetings(codes: Mapping[str, Ints], sizes: Mapping[str, int]) -> pl.DataFrame:
    """Count how often each two levels were on one evacuation, and how often one was without the other.

    Parameters
    ----------
    codes : mapping of factor to int64 (n,)
        Level of each evacuation, -1 where unknown (an unknown partner parts nobody).
    sizes : mapping of factor to int
        Number of levels.

    Returns
    -------
    DataFrame
        ``factor, level, other_factor, other_level, together, apart``; each pair that met stands once each way.
        ``apart`` counts the evacuations of either with a known other than the partner.
    """
    parts = []
    factors = list(codes)
    for i, a in enumerate(factors):
        for b in factors[i + 1 :]:
            both = (codes[a] >= 0) & (codes[b] >= 0)
            key = codes[a][both] * max(sizes[b], 1) + codes[b][both]
            pairs, together = np.unique(key, return_counts=True)
            level_a, level_b = pairs // max(sizes[b], 1), pairs % max(sizes[b], 1)
            of_a = np.bincount(codes[a][both], minlength=sizes[a])
            of_b = np.bincount(codes[b][both], minlength=sizes[b])
            apart = of_a[level_a] + of_b[level_b] - 2 * together
            for f, g, x, y in ((a, b, level_a, level_b), (b, a, level_b, level_a)):
                parts.append(
                    pl.DataFrame(
                        {
                            "factor": pl.Series([f] * len(pairs), dtype=pl.String),
                            "level": x.astype(np.int64),
                            "other_factor": pl.Series([g] * len(pairs), dtype=pl.String),
                            "other_level": y.astype(np.int64),
                            "together": together.astype(np.int64),
                            "apart": apart.astype(np.int64),
                        }
                    )
                )
    return pl.concat(parts).sort("factor", "level", "other_factor", "other_level")


def components(codes: Mapping[str, Ints], sizes: Mapping[str, int]) -> dict[str, Ints]:
    """Connected parts of the design: levels that any chain of shared evacuations links carry the same number.

    Levels of different parts are compared only through what work they did, never through shared gear.
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    factors = list(codes)
    start = dict(zip(factors, np.concatenate([[0], np.cumsum([sizes[f] for f in factors])[:-1]]), strict=True))
    total = sum(sizes.values())
    first = np.full(len(next(iter(codes.values()))), -1, dtype=np.int64)
    edges_a, edges_b = [], []
    for f in factors:
        node = np.where(codes[f] >= 0, codes[f] + start[f], -1)
        linked = (first >= 0) & (node >= 0)
        edges_a.append(first[linked])
        edges_b.append(node[linked])
        first = np.where(first >= 0, first, node)
    a, b = np.concatenate(edges_a), np.concatenate(edges_b)
    graph = coo_array((np.ones(len(a)), (a, b)), shape=(total, total))
    _, label = connected_components(graph, directed=False)
    return {f: label[start[f] : start[f] + sizes[f]].astype(np.int64) for f in factors}


def entangled(pairs: pl.DataFrame, sizes: Mapping[str, int], doubt: Doubt) -> dict[str, list[list[tuple[str, int]]]]:
    """Name, per factor and level, the levels it can't be told from on one measure.

    Parameters
    ----------
    pairs : DataFrame
        From `meetings`.
    sizes : mapping of factor to int
        In the order in which ``doubt`` lists factors.
    doubt : Doubt

    Returns
    -------
    dict of factor to list (levels) of list of (factor, level)
        Empty where the level is separable.
    """
    factors = list(sizes)
    found: dict[str, list[set[tuple[str, int]]]] = {f: [set() for _ in range(sizes[f])] for f in factors}
    never = pairs.filter(pl.col("apart") < PARTED_AT_LEAST)
    for f, level, g, other in never.select("factor", "level", "other_factor", "other_level").iter_rows():
        found[f][level].add((g, other))
    apart = {
        (f, level, g, other): (n, m)
        for f, level, g, other, m, n in pairs.filter(pl.col("apart").is_between(PARTED_AT_LEAST, PARTED_SURELY - 1))
        .select("factor", "level", "other_factor", "other_level", "together", "apart")
        .iter_rows()
    }
    names = [(f, i) for f in factors for i in range(sizes[f])]
    unsettled = (doubt.left > DOUBT_LEFT * doubt.prior) & (doubt.alone < DOUBT_IF_PARTNER_KNOWN * doubt.left)
    for levels, covariance in doubt.newest:
        sd = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
        traded = (covariance / np.outer(sd, sd) < CORRELATION) & unsettled[levels][:, None] & unsettled[levels][None, :]
        for i, j in zip(*np.nonzero(traded), strict=True):
            a, b = names[levels[i]], names[levels[j]]
            if a[0] != b[0] and (*a, *b) in apart:
                found[a[0]][a[1]].add(b)
    return {f: [sorted(s) for s in found[f]] for f in factors}
