"""Likelihood of pumped floors under what pump and line hold up: compiled, a few rows of a register at a time.

The circuit's load is known to a factor only: a few possible loads stand for all.  A floor cannot lie far below what the
pump alone reaches, but it may lie far above.

Of everything that assessing a fleet computes, this is what it computes most.  So rows are worked off in blocks that lie in
one workspace, in plain loops without a branch or a call, which the compiler turns into vector instructions.  What does not
depend on the fitted parameters is prepared once per fit (`prepare`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blankoff.fleet.vector_math import ln
from blankoff.physics.compiled import inlined_kernel, vector_kernel

__all__ = ["BLOCK", "FIRST", "HELD", "ROOM", "SPARE", "STIFF", "STILL", "VALUE", "Y", "floor_block", "floor_likelihood"]

Floats = NDArray[np.float64]

SPOILED_MICRON = 500.0
"""Blank-off from which growth with hours is no longer what it was (judgement)."""
NU_ABOVE, NU_BELOW = 2.5, 5.0
"""Degrees of freedom of the noise: a floor is often too high (gas the hold did not show), seldom too low (judgement).
`_one_load` writes the powers -(nu + 1) / 2 out as roots and products: who changes these changes those."""
LOADS_Z = np.array([-3.0, -1.2, 0.0, 0.9, 1.8])
LOADS_SHARE = np.array([0.12, 0.22, 0.32, 0.22, 0.12])
LOADS_STEP = 0.4
"""Loads that stand for all, in s.e. of their logarithm, how likely each is, and how far each reaches: the lower end is
long, for some circuits have as good as none (found on simulated logs of one set of parameters, checked on others)."""
LOADS = LOADS_Z.size

BLOCK = 128
"""Rows worked off together; all of a block stays in the processor's nearest cache."""
Y, HELD, STILL, VALUE, FIRST, STIFF, _SQUARES, SPARE = (k * BLOCK for k in range(8))
"""Places in the workspace.  Put in: ln floor, what is held up, variance of ln floor that is no load's.  Given back: minus ln
likelihood, its slope by what is held up (sign turned), its curvature.  From ``SPARE`` on seven more blocks are free to use."""
ROOM = SPARE + 7 * BLOCK


@vector_kernel
def _one_load(w: Floats, here: Floats, wide: Floats, size: int, share: float) -> None:
    """Add to a block what it is under one possible load: ``here`` microns, of variance ``wide`` times 1 / floor²."""
    for i in range(size):
        pred = w[HELD + i] + here[i]
        r = w[Y + i] - ln(pred)
        inverse = 1.0 / pred
        v = w[STILL + i] + wide[i] * (inverse * inverse)
        nu = NU_ABOVE if r > 0.0 else NU_BELOW
        spread = nu * v + r * r
        far = spread / (nu * v)
        root = np.sqrt(far)
        # far to the power (nu + 1) / 2, on either side
        above, below = far * root * np.sqrt(root), far * far * far
        density = share / ((above if r > 0.0 else below) * np.sqrt(v))
        weight = (nu + 1.0) / spread
        score = weight * r * inverse
        w[VALUE + i] += density
        w[FIRST + i] += density * score
        w[_SQUARES + i] += density * score * score
        w[STIFF + i] += density * weight * (inverse * inverse)


@vector_kernel
def floor_block(w: Floats, start: int, size: int, here: Floats, wide: Floats) -> None:
    """Work off a block of floors in its workspace.

    Parameters
    ----------
    w : float64 (ROOM,)
        Workspace; ``Y``, ``HELD`` and ``STILL`` put in, ``VALUE``, ``FIRST`` and ``STIFF`` given back.
    start, size : int
        First row of the block, and rows in it, at most `BLOCK`.
    here, wide : float64 (LOADS, n)
        From `prepare`.
    """
    for i in range(size):
        w[VALUE + i] = 0.0
        w[FIRST + i] = 0.0
        w[STIFF + i] = 0.0
        w[_SQUARES + i] = 0.0
    for m in range(LOADS):
        _one_load(w, here[m][start : start + size], wide[m][start : start + size], size, LOADS_SHARE[m])
    for i in range(size):
        total = w[VALUE + i] + 1e-12
        inverse = 1.0 / total
        first, second = w[FIRST + i] * inverse, w[STIFF + i] * inverse
        # What is not known of the load takes information away, but not all of it.
        left, least = second - (w[_SQUARES + i] * inverse - first * first), 0.15 * second
        w[FIRST + i] = first
        w[STIFF + i] = left if left > least else least
        w[VALUE + i] = -ln(total)


@vector_kernel
def prepare(load: Floats, load_se: Floats) -> tuple[Floats, Floats]:
    """Possible loads of each floor in microns, and the square of how far each reaches; both (LOADS, n)."""
    n = load.size
    here, wide = np.empty((LOADS, n)), np.empty((LOADS, n))
    for m in range(LOADS):
        for i in range(n):
            here[m, i] = load[i] * np.exp(LOADS_Z[m] * load_se[i])
            wide[m, i] = (LOADS_STEP * load_se[i] * here[m, i]) ** 2
    return here, wide


@inlined_kernel
def still_variance(held: float, se: float, own_sd: float) -> float:
    """Variance of ln floor that no load makes.  Oil spoiled beyond any use is spoiled: how far, the model cannot say."""
    far = 0.5 * ln(held / SPOILED_MICRON)
    far = far if far > 0.0 else 0.0
    return float(se * se + own_sd * own_sd + far * far)


@vector_kernel
def floor_likelihood(y: Floats, held: Floats, load: Floats, load_se: Floats, se: Floats, own_sd: float) -> Floats:
    """Ln likelihood of floors under several guesses at what pump and line hold up, up to a constant, (guesses,).

    Parameters
    ----------
    y, load, load_se, se : float64 (n,)
        ln floor; the circuit's load in microns and the s.e. of its logarithm; s.e. of ln floor.
    held : float64 (guesses, n)
        What blank-off, leak and gauge make of each floor, microns.
    own_sd : float
    """
    n, guesses = y.size, held.shape[0]
    here, wide = prepare(load, load_se)
    w, some_here, some_wide = np.empty(ROOM), np.empty((LOADS, BLOCK)), np.empty((LOADS, BLOCK))
    out = np.zeros(guesses)
    # Guesses stand one behind the other, so that blocks are full where floors are few.
    for start in range(0, n * guesses, BLOCK):
        size = min(BLOCK, n * guesses - start)
        g, row = divmod(start, n)
        for i in range(size):
            w[Y + i] = y[row]
            w[HELD + i] = held[g, row]
            w[STILL + i] = se[row]
            for m in range(LOADS):
                some_here[m, i] = here[m, row]
                some_wide[m, i] = wide[m, row]
            row += 1
            if row == n:
                g, row = g + 1, 0
        for i in range(size):
            w[STILL + i] = still_variance(w[HELD + i], w[STILL + i], own_sd)
        floor_block(w, 0, size, some_here, some_wide)
        g, row = divmod(start, n)
        for i in range(size):
            out[g] -= w[VALUE + i]
            row += 1
            if row == n:
                g, row = g + 1, 0
    return out


@vector_kernel
def floor_moments(
    y: Floats, held: Floats, load: Floats, load_se: Floats, se: Floats, own_sd: float
) -> tuple[Floats, Floats]:
    """What each floor says of ln of what is held up: its estimate less the prediction, and its variance; each (n,).

    Parameters
    ----------
    y, held, load, load_se, se : float64 (n,)
    own_sd : float
        As for `floor_likelihood`.
    """
    n = y.size
    here, wide = prepare(load, load_se)
    w = np.empty(ROOM)
    mean, variance = np.empty(n), np.empty(n)
    for start in range(0, n, BLOCK):
        size = min(BLOCK, n - start)
        for i in range(size):
            w[Y + i] = y[start + i]
            w[HELD + i] = held[start + i]
            w[STILL + i] = still_variance(held[start + i], se[start + i], own_sd)
        floor_block(w, start, size, here, wide)
        for i in range(size):
            up = held[start + i]
            stiff = max(w[STIFF + i] * up * up, 1e-3)
            mean[start + i] = w[FIRST + i] * up / stiff
            variance[start + i] = 1.0 / stiff
    return mean, variance
