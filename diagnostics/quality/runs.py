"""Runs of equal values and of equal steps, without a loop over rows."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
SAMPLE = 20_000     # steps that an estimate of a sensor's rounding looks at


def run_starts(values: Floats, *, tolerance: float = 0.0) -> NDArray[np.int64]:
    """
    Number runs of equal neighbouring values, 0, 1, 2, ...; a NaN is a run of its own.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
    tolerance : float, default 0.0
        Neighbours closer than this are equal. [unit of `values`]

    Returns
    -------
    run : ndarray of int64, shape (n,)
        [1]
    """
    if not len(values):
        return np.zeros(0, dtype=np.int64)
    changed = np.ones(len(values), dtype=bool)
    changed[1:] = ~(np.abs(np.diff(values)) <= tolerance)
    return np.cumsum(changed) - 1


def per_run(run: NDArray[np.int64], amounts: Floats) -> Floats:
    """
    Sum an amount over each run and give it back to every row of it.

    Parameters
    ----------
    run : ndarray of int64, shape (n,)
        Numbers from `run_starts`. [1]
    amounts : ndarray of float64, shape (n,)
        NaN counts as nothing.

    Returns
    -------
    sums : ndarray of float64, shape (n,)
    """
    if not len(run):
        return np.zeros(0)
    return np.asarray(np.bincount(run, weights=np.nan_to_num(amounts))[run], dtype=np.float64)


def resolution(values: Floats) -> float:
    """
    Estimate how coarsely a sensor rounds: the usual smallest step between different neighbouring values.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        NaN is skipped.

    Returns
    -------
    step : float
        First percentile of steps that are not zero; 0 where there are none. [unit of `values`]
    """
    known = values[np.isfinite(values)]
    steps = np.abs(np.diff(known))[:: max(1, len(known) // SAMPLE)]
    scale = float(np.max(np.abs(known))) if len(known) else 0.0
    steps = steps[steps > max(scale, 1.0) * 1e-9]
    return float(np.percentile(steps, 1.0)) if len(steps) else 0.0


def equal_steps(values: Floats, samples: int, coarsest_step: float) -> Flags:
    """
    Mark straight stretches: `samples` or more equal steps in a row, each well above the sensor's rounding.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        NaN breaks a stretch. [any]
    samples : int
        Least number of equal steps. [1]
    coarsest_step : float
        Steps must be greater than this. [unit of `values`]

    Returns
    -------
    straight : ndarray of bool, shape (n,)
        True on every value of such a stretch.
    """
    marked = np.zeros(len(values), dtype=bool)
    if len(values) < samples + 1:
        return marked
    steps = np.diff(values)
    with np.errstate(invalid="ignore"):
        scale = np.nanmax(np.abs(values)) if np.isfinite(values).any() else 1.0
    run = run_starts(steps, tolerance=1e-7 * float(scale) + 1e-12)
    length = per_run(run, np.isfinite(steps).astype(np.float64))
    long_enough = (length >= samples) & (np.abs(steps) > coarsest_step)
    marked[:-1] |= long_enough
    marked[1:] |= long_enough
    return marked


def there_and_back(values: Floats, step: float) -> Flags:
    """
    Mark single values that leave both neighbours by more than a step while these agree with each other.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        NaN neighbours say nothing.
    step : float
        [unit of `values`]

    Returns
    -------
    spike : ndarray of bool, shape (n,)
    """
    marked = np.zeros(len(values), dtype=bool)
    if len(values) < 3:
        return marked
    before, here, after = values[:-2], values[1:-1], values[2:]
    with np.errstate(invalid="ignore"):
        out, back = here - before, here - after
        marked[1:-1] = ((np.abs(out) > step) & (np.abs(back) > step) & (np.sign(out) == np.sign(back))
                        & (np.abs(after - before) < step / 3.0))
    return marked
