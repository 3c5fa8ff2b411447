# ---
# jupyter:
#   jupytext:
#     text_representation:
#       extension: .py
#       format_name: percent
#   kernelspec:
#     display_name: Python 3
#     language: python
#     name: python3
# ---

# %% [markdown]
# # Telling pump, hose set and technician apart
#
# A slow pull may be the pump's, the hose's, the technician's or the circuit's own. Van and gear travel together, so a year
# of an invented contractor is simulated, nine technicians with ten of everything, and blankoff is asked whose fault it is
# and what it cannot know.

# %%
import tempfile
from dataclasses import replace
from datetime import date
from pathlib import Path

import altair as alt
import polars as pl

import blankoff as bo
from blankoff_synthetic import load_scenario, make_fleet

alt.renderers.enable("svg")

# %%
scratch = tempfile.TemporaryDirectory()
folder = Path(scratch.name) / "fleet"
base = load_scenario("contractor")
scenario = replace(
    base, name="one_year", seed=11, started_on="2025-11-01", months=12, evacuations=520,
    technicians=replace(base.technicians, count=9, hired_midway=0, specialists=2),
    pumps=replace(base.pumps, count=10, worn_gradual=0, worn_step=2, overhauled_share=0.0, neglected=0),
    hoses=replace(base.hoses, count=10, restricted=1, leaking=0, mended_share=0.0),
    gauges=replace(base.gauges, count=10, off=1, drifting=0, calibrated_share=0.0),
    vans=replace(base.vans, swap_share=0.15, sealed=1),
    habits=(replace(base.habits[0], kind="slow_rigging", technicians=1, rate=0.9, coached_month=-1),),
    logs=replace(base.logs, thinned_to_s=10.0, broken=0, orphans=0, missing=0),
)  # fmt: skip
truth_folder = make_fleet(scenario, folder).truth
AS_OF = date(2026, 10, 31)
with bo.open_store(Path(scratch.name) / "fleet.duckdb") as store:
    bo.ingest(folder, store)
    bo.assess(store, as_of=AS_OF)

    effect, result, finding = (store.table(name) for name in ("effect", "result", "finding"))
    swaps = store.raw("swap_plan").filter(as_of=AS_OF)
asset = pl.read_parquet(truth_folder / "asset.parquet").filter(as_of=AS_OF)
true = asset.unpivot(
    on=["speed_viscous_ratio", "speed_deep_ratio", "floor_ratio"],
    index=["factor", "level_id"], variable_name="measure", value_name="true",
).with_columns(pl.col("measure").str.strip_suffix("_ratio"))  # fmt: skip
effect = effect.join(true, on=["factor", "level_id", "measure"])
f"{result.height} evacuations"

# %% [markdown]
# ## Effects with bounds, against the truth
#
# `ratio` compares a level with the fleet's middle on like work: 1 is typical. Over all that can be told apart, 90 % bounds
# must cover the truth about nine times in ten (levels of one fleet go together: 80 to 100 % for a single one).

# %%
separable = effect.filter("separable")
covered = separable.select(pl.col("true").is_between("ratio_lower", "ratio_upper")).to_series().mean()
assert separable.height >= 60
assert covered >= 0.80, f"90 % bounds cover {covered:.0%}"
shown = effect.filter((pl.col("measure") == "speed_deep") & pl.col("factor").is_in(["pump", "hose", "technician"]))
base_chart = alt.Chart().encode(alt.Y("level_id:N", title=None))
parts = alt.layer(
    base_chart.mark_rule(color="#0a5a72").encode(
        alt.X("ratio_lower:Q", title="deep speed against the fleet's middle").scale(
            type="log", domain=[0.25, 4], nice=False
        ),
        x2="ratio_upper:Q",
    ),
    base_chart.mark_point(filled=True, color="#0a5a72").encode(x="ratio:Q"),
    base_chart.mark_point(shape="cross", color="#9c3310", size=45).encode(x="true:Q"),
    data=shown,
).properties(width=190)
parts.facet(alt.Column("factor:N", title=None)).resolve_scale(y="independent").properties(
    title=f"Dots with 90 % bounds, crosses are the truth: {covered:.0%} of {separable.height} covered"
)

# %% [markdown]
# ## What never parted is said, not guessed
#
# One van is sealed: its technician, pump, hose set and gauge never worked with any other. Each of them is marked, with
# every one of its partners.

# %%
pairs = pl.read_parquet(truth_folder / "never_parted.parquet")
tied = {
    (f, level): set(partners)
    for f, level, partners in effect.filter(measure="speed_deep")
    .select("factor", "level_id", "entangled_with")
    .iter_rows()
}
assert pairs.height == 6
for one, a, two, b in pairs.iter_rows():
    assert f"{two}:{b}" in tied[one, a]
    assert f"{one}:{a}" in tied[two, b]
sealed = {(f, level) for f1, a, f2, b in pairs.iter_rows() for f, level in ((f1, a), (f2, b))}
blamed = finding.filter(pl.col("kind").is_in(["pump_worn", "hose_restricted", "slow_rigging", "gauge_off"]))
assert not sealed & set(blamed.select("subject", "subject_id").iter_rows()), "nobody is blamed for a pair"
pl.DataFrame({"level": [f"{f}:{x}" for f, x in sorted(sealed)], "with": [sorted(tied[k]) for k in sorted(sealed)]})

# %% [markdown]
# ## Which exchange would tell
#
# The swap plan names the few exchanges next month that take most off the doubt, with the gain in numbers.

# %%
best = swaps.sort("rank").row(0, named=True)
assert (swaps["doubt_with"] < swaps["doubt_without"]).all()
exchanged = {(f, x) for f, *both in swaps.select("factor", "first_id", "second_id").iter_rows() for x in both}
assert exchanged & sealed, "the sealed van is opened"
print(best["sentence"])
swaps.select("rank", "factor", "first_id", "second_id", "doubt_without", "doubt_with")

# %% [markdown]
# ## A naive ranking beside ours
#
# The plain way ranks pumps by their mean time to 500 microns. That is mostly volume and water. Rank correlation with the
# truth: 1 is right, 0 is a lottery.

# %%
rows = []
for factor, measure in (("pump", "speed_viscous"), ("hose", "speed_deep")):
    naive = result.group_by(f"{factor}_id").agg(pl.col("minutes_to_500").mean()).rename({f"{factor}_id": "level_id"})
    both = effect.filter(factor=factor, measure=measure).join(naive, on="level_id").sort("level_id")
    both = both.with_columns(
        pl.col("true").rank(descending=True).alias("true rank"),
        pl.col("ratio").rank(descending=True).alias("blankoff"),
        pl.col("minutes_to_500").rank().alias("mean time to 500 microns"),
    )
    ranks = both.unpivot(
        on=["blankoff", "mean time to 500 microns"], index=["factor", "level_id", "true rank"],
        variable_name="ranked by", value_name="rank",
    )  # fmt: skip
    rows.append(ranks)
ranks = pl.concat(rows)
right = (
    ranks.group_by("factor", "ranked by").agg(rank_correlation=pl.corr("rank", "true rank")).sort("factor", "ranked by")
)
table = {(f, by): rho for f, by, rho in right.iter_rows()}
for factor, least in (("pump", 0.65), ("hose", 0.85)):
    ours, plain = table[factor, "blankoff"], table[factor, "mean time to 500 microns"]
    assert ours >= least, f"{factor}: rank correlation {ours:.2f}"
    assert ours - plain >= 0.25, f"{factor}: naive {plain:.2f}, ours {ours:.2f}"
right

# %%
dots = (
    alt.Chart()
    .mark_point(filled=True, size=50)
    .encode(
        alt.X("true rank:Q"),
        alt.Y("rank:Q", title="rank given"),
        alt.Color("ranked by:N", legend=None).scale(range=["#0a5a72", "#9c3310"]),
        alt.Shape("ranked by:N", legend=None),
    )
)
even = alt.Chart().mark_line(color="#6d6a63", strokeDash=[4, 3]).encode(x="true rank:Q", y="true rank:Q")
alt.layer(even, dots, data=ranks).properties(width=180, height=150).facet(
    row=alt.Row("factor:N", title=None), column=alt.Column("ranked by:N", title=None)
).properties(title="Right ranks lie on the line")

# %%
scratch.cleanup()
