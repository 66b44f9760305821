"""
Did a level change for good, when, by how much, and at once or slowly: one change beside the season.

A step of a water level (a dam closed, a neighbour's wells started or stopped, a probe that slipped on its cable) is
looked for at every date at once, and held against a change that takes months or years (an aquifer that is drawn down).
The levels of neighbouring days resemble each other, so the number of independent samples is far below the number of
rows; the test counts them by the autocorrelation that is left.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

# Chance alone stays below this in 99 of 100 series without a step, simulated with day-to-day correlations up to 0.95
# (13 for independent samples, as Andrews' table for one unknown break has it; 25 at 0.95).
_BEATS_CHANCE = 25.0
_TRIMMED_SHARE = 0.05
_MIN_SAMPLES_A_SIDE = 20
_SEARCH_BLOCKS = 800


@dataclass(frozen=True, slots=True)
class LevelStep:
    """
    The most probable single change.

    `size` is later minus earlier, in the unit of the values. `found` says whether it beats chance; where it does not,
    the other numbers are the best candidate and no more. A `ramp` begins at `when` and takes `takes_days`.
    """

    found: bool
    shape: Literal["step", "ramp"]
    takes_days: float
    when: pd.Timestamp
    when_low: pd.Timestamp
    when_high: pd.Timestamp
    size: float
    size_low: float
    size_high: float
    statistic: float
    n_samples: int
    n_independent: float


def find_level_step(levels: "pd.Series[float]", *, seasonal: bool = True,
                    trimmed_share: float = _TRIMMED_SHARE) -> LevelStep | None:
    """
    Find one lasting step in a series of levels.

    Parameters
    ----------
    levels : Series with DatetimeIndex, shape (n,)
        Sound values, one a day or fewer; NaN is skipped. [any unit]
    seasonal : bool, default True
        Take off a yearly and a half-yearly wave; left out by itself below two years. [1]
    trimmed_share : float, default 0.05
        Share of the samples at either end where no step is looked for. [1]

    Returns
    -------
    step : LevelStep, or None
        None where there are too few samples to look at all ("not enough data").

    References
    ----------
    Andrews, D. W. K. (1993), Tests for parameter instability and structural change with unknown change point,
    Econometrica 61(4), 821-856, for the form of the test; its limit here is simulated.
    """
    known = levels.dropna()
    n = len(known)
    edge = max(int(np.ceil(trimmed_share * n)), _MIN_SAMPLES_A_SIDE)
    if n < 2 * edge + 2:
        return None
    when = pd.DatetimeIndex(known.index)
    years = np.asarray((when - when[0]) / pd.Timedelta(days=365.2425), dtype=np.float64)
    values = np.asarray(known, dtype=np.float64)
    basis, _ = np.linalg.qr(_explained(years, seasonal=seasonal and years[-1] >= 2.0))
    left = values - basis @ (basis.T @ values)
    # Everything about "1 from row k on" follows from sums from the end, so all dates cost as much as one.
    shared = np.cumsum(basis[::-1], axis=0)[::-1]
    length = np.arange(n, 0, -1, dtype=np.float64) - np.sum(shared**2, axis=1)
    with_step = np.cumsum(left[::-1])[::-1]
    inside = np.zeros(n, dtype=bool)
    inside[edge:n - edge] = True
    inside &= length > 1e-9 * n
    gain = np.where(inside, with_step**2 / np.where(inside, length, 1.0), -np.inf)
    best = int(np.argmax(gain))
    change = np.zeros(n)
    change[best:] = 1.0
    independent, variance = _spread(left, basis, change)
    ramp_gain, ramp_start, ramp_years = _best_ramp(years, left, basis, edge)
    ramp = np.clip((years - ramp_start) / ramp_years, 0.0, 1.0)
    ramp_independent, ramp_variance = _spread(left, basis, ramp)
    # A step is the simpler word: a ramp has to be better by more than chi-squared(2, 95 %) = 5.99.
    is_ramp = (ramp_gain - gain[best]) * ramp_independent / n > 5.99 * ramp_variance
    if is_ramp:
        independent, variance, change = ramp_independent, ramp_variance, ramp
    clean = change - basis @ (basis.T @ change)
    norm = float(clean @ clean)
    size = float(clean @ left) / norm
    shrink = independent / n
    statistic = size**2 * norm * shrink / variance if variance > 0 else np.inf
    half = 1.96 * float(np.sqrt(variance / (norm * shrink)))
    # Dates whose fit is worse by less than chi-squared(1, 95 %) = 3.84 are as good as the best.
    close = np.flatnonzero((gain[best] - gain) * shrink <= 3.84 * variance)
    first, last = (0, n - 1) if is_ramp else (int(close[0]), int(close[-1]))
    onset = when[int(np.searchsorted(years, ramp_start))] if is_ramp else when[best]
    return LevelStep(bool(statistic > _BEATS_CHANCE), "ramp" if is_ramp else "step",
                     float(ramp_years * 365.2425) if is_ramp else 0.0, onset, min(when[first], onset), when[last], size,
                     size - half, size + half, statistic, n, independent)


def _best_ramp(years: NDArray[np.float64], left: NDArray[np.float64], basis: NDArray[np.float64],
               edge: int) -> tuple[float, float, float]:
    """Return gain, start [years] and length [years] of the best change that takes its time."""
    # Half a year is the shortest ramp, so rows are summed into blocks for the search; its winner is reckoned in full.
    first = np.unique(np.linspace(0, years.size, min(years.size, _SEARCH_BLOCKS), endpoint=False).astype(np.int64))
    count = np.diff(np.append(first, years.size)).astype(np.float64)
    middle = np.add.reduceat(years, first) / count
    summed, shared = np.add.reduceat(left, first), np.add.reduceat(basis, first, axis=0)
    best = (-np.inf, float(years[edge]), 1.0)
    for length in (0.5, 1.0, 2.0, 4.0, 8.0, 16.0):
        if length > 0.5 * years[-1]:
            break
        starts = np.linspace(years[edge] - 0.5 * length, years[-edge - 1] - 0.5 * length, 120)
        ramps = np.clip((middle[:, None] - starts[None, :]) / length, 0.0, 1.0)
        norms = count @ ramps**2 - np.sum((shared.T @ ramps) ** 2, axis=0)
        gains = np.where(norms > 1e-9 * years.size, (summed @ ramps) ** 2 / np.maximum(norms, 1e-300), -np.inf)
        k = int(np.argmax(gains))
        if gains[k] > best[0]:
            best = (float(gains[k]), float(max(starts[k], 0.0)), length)
    ramp = np.clip((years - best[1]) / best[2], 0.0, 1.0)
    clean = ramp - basis @ (basis.T @ ramp)
    norm = float(clean @ clean)
    return (float(clean @ left) ** 2 / norm if norm > 0.0 else -np.inf), best[1], best[2]


def _spread(left: NDArray[np.float64], basis: NDArray[np.float64],
            change: NDArray[np.float64]) -> tuple[float, float]:
    """Return the number of independent samples and the variance of what season and change leave."""
    clean = change - basis @ (basis.T @ change)
    norm = float(clean @ clean)
    misfit = left - clean * (float(clean @ left) / norm if norm > 0 else 0.0)
    taken = basis.shape[1] + 1
    return _independent_samples(misfit, taken), float(misfit @ misfit) / (left.size - taken)


def _explained(years: NDArray[np.float64], *, seasonal: bool) -> NDArray[np.float64]:
    columns = [np.ones_like(years)]
    if seasonal:
        columns += [wave(2.0 * np.pi * times * years) for times in (1, 2) for wave in (np.cos, np.sin)]
    return np.column_stack(columns)


def _independent_samples(misfit: NDArray[np.float64], taken: int) -> float:
    """Count samples that are worth one each: n (1 - r) / (1 + r) with the lag-one autocorrelation r."""
    n = misfit.size
    total = float(misfit @ misfit)
    if total <= 0.0:
        return float(n - taken)
    alike = float(misfit[1:] @ misfit[:-1]) / total
    alike = min(max(alike, 0.0), 0.999)
    return max((n - taken) * (1.0 - alike) / (1.0 + alike), 1.0)
