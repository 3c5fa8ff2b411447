"""How common leaks, quick outgassing and free water are in a fleet, from what its own holds say.

A single hold is judged under shares that are trade knowledge. A fleet has thousands, and the shares under which all of them are
likeliest are found as those of any mixture are; prior shares worth some tens of holds keep a small fleet where a single log
would be. Leaks are taken to be as common in every state of the circuit. The shares found are rounded in their log-odds, by
less than matters to any hold, so that a few more logs seldom change what was said of all the others.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blankoff.evacuation.rise_evidence import CASES

__all__ = ["LEAST_HOLDS", "MOST_HOLDS", "PRIOR_HOLDS", "fleet_shares"]

FloatArray = NDArray[np.float64]

PRIOR_HOLDS = 30.0
"""Weight of the prior shares against the fleet's own holds, in holds (this project's judgement)."""

LEAST_HOLDS = 100
"""Fewer holds than this say too little of a fleet: each is judged for itself (this project's judgement)."""

MOST_HOLDS = 20_000
"""More holds than this tell no more: every second, third ... is taken."""

STEP_LN = 0.125
"""Log-odds of the shares are told to this."""

_ROUNDS = 400
_CLOSE = 1e-6


def fleet_shares(evidence: FloatArray, prior: FloatArray) -> FloatArray:
    """Shares of the circuit's states, each without and with a leak.

    Parameters
    ----------
    evidence : (n, EVIDENCE) float64
        `rise_evidence` of the fleet's holds, in an order that does not hang on the reading of files; rows of NaN (no hold) are
        left out.
    prior : (CASES,) float64
        Shares believed of any fleet, `RisePrior.shares`.

    Returns
    -------
    (CASES,) float64
        Sum 1; `prior` itself of fewer than `LEAST_HOLDS`.
    """
    likely = evidence[np.isfinite(evidence).all(axis=1), :CASES]
    if likely.shape[0] < LEAST_HOLDS:
        return prior
    likely = np.ascontiguousarray(likely[:: max(1, -(-likely.shape[0] // MOST_HOLDS))])
    believed = prior.reshape(-1, 2)
    state, leak = believed.sum(axis=1), float(believed[:, 1].sum())
    first_state, first_leak = state, leak
    total = likely.shape[0] + PRIOR_HOLDS
    own = PRIOR_HOLDS * np.outer(first_state, [1.0 - first_leak, first_leak]).ravel()
    for _ in range(_ROUNDS):
        shares = np.outer(state, [1.0 - leak, leak]).ravel()
        # each hold counts as one, shared out over the cases by how likely they are
        counted = (shares * ((1.0 / (likely @ shares)) @ likely) + own).reshape(-1, 2)
        new_state, new_leak = counted.sum(axis=1) / total, float(counted[:, 1].sum()) / total
        moved = max(float(np.abs(new_state - state).max()), abs(new_leak - leak))
        state, leak = new_state, new_leak
        if moved < _CLOSE:
            break
    wet = _rounded(state[2], first_state[2])
    quick = _rounded(state[1] / (state[0] + state[1]), first_state[1] / (first_state[0] + first_state[1]))
    leak = _rounded(leak, first_leak)
    states = np.array([(1.0 - wet) * (1.0 - quick), (1.0 - wet) * quick, wet])
    return np.outer(states, [1.0 - leak, leak]).ravel()


def _rounded(share: float, about: float) -> float:
    """A share at the nearest step of log-odds from `about`."""
    centre = float(np.log(about / (1.0 - about)))
    steps = np.round((np.log(share / (1.0 - share)) - centre) / STEP_LN)
    return float(1.0 / (1.0 + np.exp(-(centre + STEP_LN * steps))))
