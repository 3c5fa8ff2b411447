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
# # A first look at a fleet
#
# Forty evacuations of an invented contractor, from a folder of logs to the list of what was proven and what was not.
# Everything here is made up; the truth that the simulator knows lies beside the fleet, and blankoff never reads it.

# %%
import tempfile
from pathlib import Path

import altair as alt
import polars as pl

import blankoff as bo

alt.renderers.enable("svg")
ROOT = next(p for p in (Path.cwd(), *Path.cwd().parents) if (p / "synthetic_data" / "sample_fleet").is_dir())
FLEET = ROOT / "synthetic_data" / "sample_fleet"
scratch = tempfile.TemporaryDirectory()
store = bo.open_store(Path(scratch.name) / "fleet.duckdb")

# %% [markdown]
# ## Read it in
#
# Whatever was handed in is either in the store or in quarantine, with a reason: the accounts add up.

# %%
intake = bo.ingest(FLEET, store)
assert (intake.coverage["handed_in"] == intake.coverage["used"] + intake.coverage["refused"]).all()
intake.coverage

# %%
quarantine = store.table("quarantine")
assert (quarantine["problem"].str.len_chars() > 10).all(), "every refusal says why"
quarantine.select("path", "row", "field", "problem")

# %% [markdown]
# ## What the logs prove
#
# One row per evacuation. *Unproven* is an outcome of its own: a missing log proves nothing, either way.

# %%
bo.assess(store)
result = store.table("result")
assert result.height == 40
result.select("evacuation_id", "verdict", "reason", "rise_kind", "hold_at_limit_micron", "water_g", "dryness_margin_k")

# %%
by_month = result.group_by("month", "verdict").len("evacuations").sort("month", "verdict")
assert by_month["evacuations"].sum() == result.height
proven = result.filter(verdict="passed").height
chart = (
    alt.Chart(by_month)
    .mark_bar(stroke="#55606a")
    .encode(
        alt.X("evacuations:Q", title="evacuations"),
        alt.Y("month:N", title=None),
        alt.Color("verdict:N", title=None).scale(
            domain=["passed", "failed", "unproven"], range=["#79afc7", "#9c3310", "#efe3bd"]
        ),
        order="verdict:N",
    )
    .properties(title=f"{proven} of {result.height} evacuations are proven", width=440, height=110)
)
chart

# %% [markdown]
# ## Is that right?
#
# The simulator knows. Where no threshold is near, at least 19 verdicts in 20 must be its own.

# %%
truth = pl.read_parquet(ROOT / "synthetic_data" / "sample_fleet_truth" / "evacuation.parquet")
both = result.join(truth.filter("clear"), on="evacuation_id", suffix="_true")
right = (both["verdict"] == both["verdict_true"]).mean()
assert both.height >= 25
assert right >= 0.95, f"{right:.0%} of {both.height} verdicts are right"
f"{right:.0%} of {both.height} clear cases are judged as they are"

# %% [markdown]
# ## The log behind a verdict
#
# The store keeps the readings. This circuit went on climbing in a straight line after it was shut off: a leak.

# %%
leaky = result.filter(reason="leak").sort("evacuation_id").row(0, named=True)
log = store.samples(leaky["evacuation_id"])
readings = pl.DataFrame(
    {"minutes": log.elapsed_s / 60.0, "microns": pl.Series(log.pressure_micron, nan_to_null=True)}
).drop_nulls()
shut = pl.DataFrame({"minutes": [leaky["isolated_at_s"] / 60.0], "what": ["shut off from the pump"]})
curve = (
    alt.Chart(readings.gather_every(max(readings.height // 600, 1)))
    .mark_line(color="#0a5a72")
    .encode(
        alt.X("minutes:Q", title="minutes"),
        alt.Y("microns:Q", title="pressure, microns").scale(type="log"),
    )
    .properties(title=f"{leaky['evacuation_id']} leaks {leaky['leak_micron_per_min']:.0f} microns a minute", width=440)
)
rule = alt.Chart(shut).mark_rule(strokeDash=[4, 3]).encode(x="minutes:Q")
curve + rule + rule.mark_text(align="right", dx=-4, y=12).encode(text="what:N")

# %%
known = truth.filter(evacuation_id=leaky["evacuation_id"])["leak_micron_per_min"].item()
assert abs(leaky["leak_micron_per_min"] - known) <= 0.15 * known
f"put in: {known:.0f} microns a minute"

# %% [markdown]
# ## Signed for, without proof
#
# The findings say what somebody should act on. Each names its evidence; none is a release to charge.

# %%
findings = store.table("finding")
signed = findings.filter(kind="signed_without_proof")
passed = set(result.filter(verdict="passed")["evacuation_id"])
assert signed.height > 0
assert not passed & set(signed["subject_id"]), "nobody is named for an evacuation that is proven"
findings.select("kind", "subject_id", "statement", "action")

# %% [markdown]
# ## On with pandas
#
# Tables are Polars frames; pandas is one call away.

# %%
in_pandas = result.to_pandas()
assert in_pandas.shape == result.shape
in_pandas.groupby(["verdict", "reason"]).size()

# %%
store.close()
scratch.cleanup()
