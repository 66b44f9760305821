"""Water level: static with its season, drawdown with its delay."""

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from diagnostics.chain.sun import unix_seconds
from diagnostics.site import Well

Floats = NDArray[np.float64]


def static_level_m(well: Well, when_utc: pd.DatetimeIndex) -> Floats:
    """
    Static level below ground as described, with its yearly swing.

    Parameters
    ----------
    well : Well
    when_utc : DatetimeIndex, shape (n,)
        [UTC]

    Returns
    -------
    level_m : ndarray, shape (n,)
        [m]
    """
    if well.static_level_season_m == 0.0:
        return np.full(len(when_utc), well.static_water_level_m)
    phase = 2.0 * np.pi * (np.asarray(when_utc.day_of_year, dtype=np.float64) - well.deepest_day_of_year) / 365.25
    return well.static_water_level_m + well.static_level_season_m * np.cos(phase)


def aquifer_drawdown_m(linear_drawdown_m: ArrayLike, when_utc: pd.DatetimeIndex, interval_s: ArrayLike,
                       time_constant_s: float) -> Floats:
    """
    Lag the aquifer's drawdown behind the flow: first order, exact for a flow constant over each interval.

    The recurrence is unrolled by blocks of bounded growth, so there is no loop over rows. Between two intervals that
    do not touch the well recovers.

    Parameters
    ----------
    linear_drawdown_m : array_like, shape (n,)
        Steady drawdown that the flow of each interval would make; NaN counts as no flow. [m]
    when_utc : DatetimeIndex, shape (n,)
        Interval ends, rising. [UTC]
    interval_s : array_like, shape (n,)
        [s]
    time_constant_s : float
        [s]

    Returns
    -------
    drawdown_m : ndarray, shape (n,)
        Mean over each interval. [m]
    """
    target = np.nan_to_num(np.asarray(linear_drawdown_m, dtype=np.float64))
    if target.size == 0:
        return target
    end = unix_seconds(when_utc)
    length = np.broadcast_to(np.asarray(interval_s, dtype=np.float64), end.shape)
    gap = np.maximum(np.diff(end, prepend=end[0] - length[0]) - length, 0.0)
    run = length / time_constant_s
    # State after interval i: y_i = d_i y_(i-1) + b_i.
    decay_log = -(run + gap / time_constant_s)
    gain = target * -np.expm1(-run)
    state = _first_order_states(decay_log, gain)
    before = np.concatenate(([0.0], state[:-1])) * np.exp(-gap / time_constant_s)
    mean_decay = -np.expm1(-run) / np.maximum(run, 1e-12)
    return np.asarray(target + (before - target) * mean_decay, dtype=np.float64)


def _first_order_states(decay_log: Floats, gain: Floats) -> Floats:
    """Solve y_i = exp(decay_log_i) y_(i-1) + gain_i by doubling: log2(reach) passes over whole arrays."""
    state, log_decay = gain.copy(), decay_log.copy()
    step, size = 1, gain.size
    while step < size:
        with np.errstate(under="ignore"):
            factor = np.exp(np.maximum(log_decay[step:], -700.0))
        if not (factor > 1e-12).any():
            break
        state[step:] = state[step:] + factor * state[:-step].copy()
        log_decay[step:] = log_decay[step:] + log_decay[:-step].copy()
        step *= 2
    return state
