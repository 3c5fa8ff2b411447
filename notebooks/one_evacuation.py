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
# # One evacuation
#
# What one log tells, and how far it can be believed: phases, pump-down, and a hold's rise split into a leak and what
# saturates. Logs come from physics simulated forward, with circuits and gauges drawn from ranges other than those the
# estimators were tuned on; real gauges have the last word at the end.

# %%
import os
from pathlib import Path

import altair as alt
import numpy as np
import polars as pl

import blankoff as bo
from blankoff.samples import SampleBatch
from blankoff_synthetic import draw_case

alt.renderers.enable("svg")


def judge_case(pull, job):
    """Judge a simulated pull as its register would describe it."""
    log = SampleBatch.of_one("invented", pull.elapsed_s, pull.pressure_micron, pull.ambient_c, pull.marks)
    criterion = bo.Acceptance(
        target_micron=job.target_micron, hold_limit_micron=job.hold_limit_micron, hold_minutes=job.hold_minutes
    )
    known = ("volume_l", "ambient_c", "altitude_m", "top_of_range_micron", "accuracy_percent")
    return log, bo.judge(log, criterion, **{name: getattr(job, name) for name in known})


# %% [markdown]
# ## From curve to phases
#
# A leak and outgassing together: the hardest rise to explain.

# %%
pull, job = draw_case(np.random.default_rng(3), "leak_and_moisture", family="held_back")
log, judged = judge_case(pull, job)
spacing_s = float(np.median(np.diff(log.elapsed_s)))
late_s = judged.pump_down.isolated_at_s - pull.truth["isolated_at_s"]
assert abs(late_s) <= max(2.0 * spacing_s, 15.0), "the valve's moment is found to within two readings"
phases = pl.DataFrame(
    [{"kind": p.kind.replace("_", "-"), "start": p.start_s / 60, "end": p.end_s / 60} for p in judged.phases]
)
readings = pl.DataFrame(
    {"minutes": log.elapsed_s / 60, "microns": pl.Series(log.pressure_micron, nan_to_null=True)}
).drop_nulls()
stretches = (
    alt.Chart(phases)
    .mark_rect(opacity=0.9)
    .encode(
        alt.X("start:Q", title="minutes"),
        x2="end:Q",
        color=alt.Color("kind:N", title=None).scale(
            domain=["pump-down", "hold", "break", "gap"], range=["#eef3f0", "#cfe0ee", "#f2ebdc", "#ececec"]
        ),
    )
)
line = (
    alt.Chart(readings.gather_every(max(readings.height // 600, 1)))
    .mark_line(color="#0a5a72")
    .encode(x="minutes:Q", y=alt.Y("microns:Q", title="pressure, microns").scale(type="log"))
)
(stretches + line).properties(title=f"Verdict: {judged.verdict}, {judged.reason.replace('_', ' ')}", width=460)

# %% [markdown]
# ## From the hold to its parts
#
# The steady part is a leak; the part that levels off is water and outgassing. Both come with bounds.

# %%
hold = judged.hold
assert abs(hold.leak_micron_per_min - pull.truth["leak_micron_per_min"]) <= 3 * hold.leak_micron_per_min_se + 1
minutes = (judged.curve.elapsed_s - judged.curve.elapsed_s[0]) / 60
parts = pl.concat(
    [
        pl.DataFrame({"minutes": minutes, "microns": micron, "part": name})
        for name, micron in (
            ("steady: leak", judged.curve.steady_micron),
            ("levels off: water, outgassing", judged.curve.saturating_micron),
        )
    ]
)
alt.Chart(parts).mark_line(strokeWidth=2.5).encode(
    alt.X("minutes:Q", title="minutes since the valve was shut"),
    alt.Y("microns:Q", title="rise, microns"),
    alt.Color("part:N", title=None).scale(range=["#1f6fb5", "#9c3310"]),
    alt.StrokeDash("part:N", title=None),
).properties(
    title=f"Leak {hold.leak_micron_per_min:.0f} ± {1.645 * hold.leak_micron_per_min_se:.0f} microns a minute "
    f"(put in: {pull.truth['leak_micron_per_min']:.0f})",
    width=380,
)

# %% [markdown]
# ## Do the bounds hold? Two hundred holds
#
# Forty each of five kinds, hard cases kept in. With so few, the Monte Carlo error of a coverage is 3 to 4 %.

# %%
rng = np.random.default_rng(5)
rows = []
for kind in ("held_flat", "held", "leak", "moisture", "leak_and_moisture"):
    for _ in range(40):
        pull, job = draw_case(rng, kind, family="held_back", require_clear=False)
        one = judge_case(pull, job)[1]
        if one.hold.leak_micron_per_min is None:
            continue
        rows.append(
            {
                "leak_true": pull.truth["leak_micron_per_min"],
                "leak": one.hold.leak_micron_per_min,
                "se": one.hold.leak_micron_per_min_se,
                "p_leak": one.p_leak,
                "p_moisture": one.p_moisture,
                "leaks": pull.truth["leak_rise_micron"] >= 50,
                "moist": pull.truth["moisture_rise_micron"] >= 50,
                "verdict": one.verdict,
                "verdict_true": pull.truth["verdict_as_read"],
            }
        )
holds = pl.DataFrame(rows).with_columns(error=pl.col("leak") - pl.col("leak_true"))
large = holds.filter(pl.col("leak_true") > 20)
covered = (large["error"].abs() <= 1.645 * large["se"]).mean()
typical_error = (large["error"].abs() / large["leak_true"]).median()
assert holds.height >= 180
assert 0.90 - 0.12 <= covered <= 1.0, f"90 % bounds of the leak cover {covered:.0%}"
assert typical_error <= 0.08, f"median error {typical_error:.1%}"
assert (holds["verdict"] == holds["verdict_true"]).mean() >= 0.9
f"{large.height} leaks over 20 microns a minute: 90 % bounds cover {covered:.0%}, median error {typical_error:.1%}"

# %%
bounds = large.with_columns(
    low=(pl.col("leak") - 1.645 * pl.col("se")).clip(1.0), high=pl.col("leak") + 1.645 * pl.col("se")
)
axis = alt.X("leak_true:Q", title="leak put in, microns a minute").scale(type="log")
bars = (
    alt.Chart(bounds)
    .mark_rule(color="#0a5a72", opacity=0.6)
    .encode(axis, alt.Y("low:Q").scale(type="log"), y2="high:Q")
)
dots = bars.mark_point(filled=True, color="#0a5a72", size=22).encode(
    y=alt.Y("leak:Q", title="leak found, with 90 % bounds")
)
ends = pl.DataFrame({"x": [20.0, float(large["leak_true"].max())]})
diagonal = alt.Chart(ends).mark_line(strokeDash=[4, 3], color="#6d6a63").encode(x="x:Q", y="x:Q")
(diagonal + bars + dots).properties(title=f"Leaks are found to {typical_error:.0%} or so", width=380, height=300)

# %% [markdown]
# ## Is 80 % sure right four times in five?
#
# `p_leak` and `p_moisture` say how probable it is that the steady or the saturating part adds 50 microns within the
# required hold. In each band of probability, the share of holds where it truly did must be near. The calibration error
# is the mean gap; 200 holds alone make it 0.02 or so.

# %%
bands = []
for name, column, true in (("leak", "p_leak", "leaks"), ("moisture", "p_moisture", "moist")):
    cut = holds.with_columns(band=sum((pl.col(column) > edge).cast(pl.Int8) for edge in (0.1, 0.5, 0.9)))
    band = cut.group_by("band").agg(pl.col(column).mean().alias("said"), pl.col(true).mean().alias("was"), pl.len())
    bands.append(band.with_columns(part=pl.lit(name)).drop("band"))
calibration = pl.concat(bands).sort("part", "said")
gap = calibration.group_by("part").agg(
    error=((pl.col("said") - pl.col("was")).abs() * pl.col("len")).sum() / pl.col("len").sum()
)
assert gap["error"].max() <= 0.12, f"calibration errors {gap.to_dicts()}"
even = alt.Chart(pl.DataFrame({"x": [0.0, 1.0]})).mark_line(strokeDash=[4, 3], color="#6d6a63").encode(x="x:Q", y="x:Q")
found = (
    alt.Chart(calibration)
    .mark_point(filled=True, opacity=0.9)
    .encode(
        alt.X("said:Q", title="probability said"),
        alt.Y("was:Q", title="share that was so"),
        alt.Size("len:Q", title="holds"),
        alt.Color("part:N", title=None).scale(range=["#9c3310", "#1f6fb5"]),
        alt.Shape("part:N", title=None),
    )
)
(even + found).properties(title="What is said lies near what is so", width=300, height=260)

# %% [markdown]
# ## Ten minutes can be too short
#
# Slow outgassing beside a small leak: a rise that ten minutes cannot explain is called *undetermined*, and `more_hold_minutes` says how much longer to stand. This one lies on the edge: of eight draws of the gauge's noise four are called so, and the others moisture, which misses the leak.

# %%
standing = 60.0 * np.arange(0, 10.01, 1 / 12)
slow = 300 + 25 * (1 - np.exp(-standing / 30.0)) + 100 * (1 - np.exp(-standing / 1000.0)) + 7.5 * standing / 60
pumped_s = np.arange(0.0, 1200.0, 5.0)
pumped = 300 + 9000 * np.exp(-pumped_s / 90)
noise = 1 + 0.004 * np.random.default_rng(1).normal(size=pumped.size + slow.size)
both = SampleBatch.of_one(
    "slow outgassing or a small leak", np.r_[pumped_s, 1200 + standing], np.round(np.r_[pumped, slow] * noise)
)
doubtful = bo.judge(both)
assert doubtful.verdict == "passed"
assert doubtful.rise_kind == "undetermined"
assert doubtful.hold.more_hold_minutes > 0
f"{doubtful.rise_kind}: {doubtful.hold.more_hold_minutes:.0f} more minutes would tell"

# %% [markdown]
# ## Real gauges
#
# Measured logs that this project may read but does not own: a rotary-vane pump on a vessel of 34 litres. Their note
# gives 1.06 l/s above about 10 mbar for the pump-down, and the rises' slopes. Speeds must agree to 10 %, slopes to 3 %.

# %%
measured = os.environ.get("BLANKOFF_REAL_LOGS", "")
if not measured:
    print("BLANKOFF_REAL_LOGS is not set: the measured logs are no part of this repository, so this check is left out.")
else:
    layouts = Path(measured) / "rotary_34l"
    clock = {"column": "time", "format": "%H:%M:%S"}

    def layout(files, separator, column):
        pressure = {"column": column, "unit": "mbar"}
        return bo.Settings(
            log_layouts={"bench": {"files": files, "delimiter": separator, "time": clock, "pressure": pressure}}
        )

    pump_down = bo.judge(
        bo.read_log(layouts / "DPEK.csv", layout("rotary_34l/DPEK*.csv", ", \t", "TPG202 [mbar]")), volume_l=34.0
    )
    speed = pump_down.pump_down.speed_viscous_l_s
    assert abs(speed / 1.06 - 1) <= 0.10
    print(f"pump-down: {speed:.2f} l/s, the note says 1.06")
    for name, mbar_per_s in (("DPLR1", 0.00205), ("DPLR2", 0.221), ("DPLR3", 1.556)):
        rise = bo.read_log(layouts / f"{name}.csv", layout("rotary_34l/DPLR*.csv", ",", "druck"))
        late = rise.elapsed_s > 30  # the first seconds show the gradient evening out
        slope = np.polyfit(rise.elapsed_s[late], rise.pressure_micron[late], 1)[0] / 750.0617
        assert abs(slope / mbar_per_s - 1) <= 0.03
        print(f"{name}: {slope:.5f} mbar/s, the note says {mbar_per_s}")
