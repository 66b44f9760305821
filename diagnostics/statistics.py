"""Small statistics for daily values: control charts, one change of level, monotonic trend, shares of a joint effect."""

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import factorial
from typing import TypeVar

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

P = TypeVar("P", bound=Hashable)


@dataclass(frozen=True)
class CusumChart:
    """Two one-sided cumulative sums; `first_signal` is a position from 0, None where no sum passes its limit."""

    upper: NDArray[np.float64]
    lower: NDArray[np.float64]
    upper_run: NDArray[np.int64]
    lower_run: NDArray[np.int64]
    signal: NDArray[np.bool_]
    first_signal: int | None


def tabular_cusum(values: ArrayLike, *, target: float, slack: float, limit: float,
                  head_start: float = 0.0) -> CusumChart:
    """
    Cumulative sums of what passes the target by more than a slack, S_i = max(0, S_i-1 + x_i - target - k) [1]_.

    Parameters
    ----------
    values : array_like, shape (n,)
        In order of time, in any unit. NaN says nothing: the sums stay where they were. [any]
    target : float
        Value of the healthy process. [unit of values]
    slack : float
        k, as a rule half the shift to be found. [unit of values]
    limit : float
        h; a sum above it is a signal. [unit of values]
    head_start : float, default 0
        Value both sums start from, for a fast first response. [unit of values]

    Returns
    -------
    chart : CusumChart
        Sums, the number of values since each was 0, and where they pass the limit.

    Raises
    ------
    ValueError
        If slack, limit or head start is negative.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.3; J. M. Lucas and R. B. Crosier (1982) for
       the head start.
    """
    if min(slack, limit, head_start) < 0:
        raise ValueError(f"slack ({slack:g}), limit ({limit:g}) and head_start ({head_start:g}) cannot be negative.")
    away = np.asarray(values, dtype=np.float64) - target
    known = np.isfinite(away)
    upper = _reflected_sum(np.where(known, away - slack, 0.0), head_start)
    lower = _reflected_sum(np.where(known, -away - slack, 0.0), head_start)
    signal = (upper > limit) | (lower > limit)
    return CusumChart(upper, lower, _run_above_zero(upper), _run_above_zero(lower), signal,
                      int(np.argmax(signal)) if signal.any() else None)


def _reflected_sum(steps: NDArray[np.float64], start: float) -> NDArray[np.float64]:
    """Sum steps, never below 0: the running sum less the lowest point it has reached."""
    total = np.cumsum(steps)
    summed = np.asarray(total - np.minimum(np.minimum.accumulate(total), -start) if len(total) else total)
    # A sum of rounding errors is no sum.
    return np.where(summed < 1e-12 * np.maximum(1.0, np.abs(total)), 0.0, summed)


def _run_above_zero(summed: NDArray[np.float64]) -> NDArray[np.int64]:
    position = np.arange(1, len(summed) + 1)
    last_zero = np.maximum.accumulate(np.where(summed == 0, position, 0)) if len(summed) else position
    return np.asarray(position - last_zero, dtype=np.int64)


@dataclass(frozen=True)
class EwmaChart:
    """Weighted mean with its limits; `first_signal` is a position from 0, None where it never leaves them."""

    mean: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    signal: NDArray[np.bool_]
    first_signal: int | None


def ewma_chart(values: ArrayLike, *, target: float, sigma: float, weight: float = 0.2, width: float = 3.0,
               settled_limits: bool = False) -> EwmaChart:
    """
    Exponentially weighted mean z_i = w x_i + (1 - w) z_i-1 with limits target +- L sigma sqrt(w/(2-w)) [1]_.

    Parameters
    ----------
    values : array_like, shape (n,)
        In order of time. NaN says nothing: the mean stays where it was. [any]
    target : float
        Value of the healthy process, where the mean starts. [unit of values]
    sigma : float
        Standard deviation of a single value. [unit of values]
    weight : float, default 0.2
        w, share of the newest value, above 0 to 1. [1]
    width : float, default 3
        L, half width of the limits in standard deviations of the mean. [1]
    settled_limits : bool, default False
        True takes the limits of a long series from the first value on; False lets them widen to it. [1]

    Returns
    -------
    chart : EwmaChart
        Mean and limits at each value, in the unit of the values.

    Raises
    ------
    ValueError
        If weight is not above 0 to 1 or sigma is negative.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4.
    """
    if not 0 < weight <= 1 or sigma < 0:
        raise ValueError(f"weight ({weight:g}) must be above 0 to 1 and sigma ({sigma:g}) not negative.")
    series = pd.Series(np.concatenate([[target], np.asarray(values, dtype=np.float64)]))
    mean = series.ewm(alpha=weight, adjust=False, ignore_na=True).mean().to_numpy()[1:]
    count = series.iloc[1:].notna().cumsum().to_numpy()
    grown = np.ones(len(mean)) if settled_limits else 1.0 - (1.0 - weight) ** (2.0 * count)
    half = width * sigma * np.sqrt(weight / (2.0 - weight) * grown)
    signal = np.abs(mean - target) > half + 1e-12 * max(1.0, abs(target))
    return EwmaChart(mean, target - half, target + half, signal, int(np.argmax(signal)) if signal.any() else None)


@dataclass(frozen=True, slots=True)
class LevelChange:
    """
    One change of level. `first_after` is the position (from 0) of the first value at the new level.

    `low` and `high` bound that position with the asked probability, given that there is one change; `p_value` is
    that of Pettitt's rank test against no change at all.
    """

    first_after: int
    low: int
    high: int
    mean_before: float
    mean_after: float
    p_value: float
    rank_statistic: float
    n: int


def level_change(values: ArrayLike, *, least_side: int = 2, confidence_level: float = 0.95) -> LevelChange | None:
    """
    Place one change of the mean by least squares over all splits, and test it by ranks.

    Parameters
    ----------
    values : array_like, shape (n,)
        In order of time; NaN are left out, positions are those of the whole series. [any]
    least_side : int, default 2
        Fewest known values on either side. [1]
    confidence_level : float, default 0.95
        Probability that `low` to `high` holds the change. [1]

    Returns
    -------
    change : LevelChange or None
        None where fewer than twice `least_side` values (and fewer than 4) are known.

    Notes
    -----
    The weight of a split is that of normal values with unknown levels and spread and a flat prior over splits,
    (n1 n2)^-1/2 RSS^-(n-2)/2. The approximate p-value is 2 exp(-6 K^2 / (n^3 + n^2)) [1]_.

    References
    ----------
    .. [1] A. N. Pettitt, "A non-parametric approach to the change-point problem", Applied Statistics 28 (1979).
    """
    series = np.asarray(values, dtype=np.float64)
    where = np.flatnonzero(np.isfinite(series))
    known = series[where]
    n = len(known)
    if n < max(2 * least_side, 4):
        return None
    before = np.arange(least_side, n - least_side + 1)
    total, squares = np.cumsum(known), float(np.sum((known - known.mean()) ** 2))
    mean_before, mean_after = total[before - 1] / before, (total[-1] - total[before - 1]) / (n - before)
    between = before * (n - before) / n * (mean_before - mean_after) ** 2
    residual = np.maximum(squares - between, 1e-12 * max(squares, np.finfo(float).tiny))
    log_weight = -0.5 * np.log(before * (n - before)) - (n - 2) / 2 * np.log(residual)
    weight = np.exp(log_weight - log_weight.max())
    low, high = _shortest_span(weight / weight.sum(), confidence_level)
    best = int(np.argmin(residual))
    rank_sum = np.cumsum(2 * stats.rankdata(known) - (n + 1))
    statistic = float(np.max(np.abs(rank_sum)))
    p_value = min(1.0, 2.0 * float(np.exp(-6.0 * statistic**2 / (n**3 + n**2))))
    return LevelChange(int(where[before[best]]), int(where[before[low]]), int(where[before[high]]),
                       float(mean_before[best]), float(mean_after[best]), p_value, statistic, n)


def _shortest_span(probability: NDArray[np.float64], level: float) -> tuple[int, int]:
    """Return the ends of the shortest span that holds a probability."""
    held = np.concatenate([[0.0], np.cumsum(probability)])
    ends = np.searchsorted(held, np.minimum(held[:-1] + level, held[-1]) - 1e-12)
    enough = held[np.minimum(ends, len(held) - 1)] - held[:-1] >= level - 1e-9
    length = np.where(enough, ends - np.arange(len(probability)), len(probability) + 1)
    first = int(np.argmin(length))
    return (first, int(ends[first]) - 1) if enough.any() else (0, len(probability) - 1)


@dataclass(frozen=True, slots=True)
class Trend:
    """Monotonic trend: Theil-Sen slope with its interval, Mann-Kendall test with ties allowed for."""

    slope: float
    slope_low: float
    slope_high: float
    intercept: float
    s: float
    variance_s: float
    z: float
    tau: float
    p_value: float
    n: int


def monotonic_trend(times: ArrayLike, values: ArrayLike, *, confidence_level: float = 0.95) -> Trend | None:
    """
    Slope by the median of all pairs, and whether values rise or fall at all.

    A step gives a significant trend too: look for a change of level first.

    Parameters
    ----------
    times : array_like, shape (n,)
        Rising. [any]
    values : array_like, shape (n,)
        NaN are left out. [any]
    confidence_level : float, default 0.95
        Of the slope's interval. [1]

    Returns
    -------
    trend : Trend or None
        None where fewer than 3 values are known.

    References
    ----------
    .. [1] H. B. Mann (1945), M. G. Kendall (1975); P. K. Sen (1968).
    """
    when, what = np.asarray(times, dtype=np.float64), np.asarray(values, dtype=np.float64)
    known = np.isfinite(when) & np.isfinite(what)
    when, what = when[known], what[known]
    n = len(what)
    if n < 3:
        return None
    slope, intercept, low, high = stats.theilslopes(what, when, alpha=confidence_level)
    order = np.argsort(when, kind="stable")
    pairs = np.triu(np.sign(what[order][None, :] - what[order][:, None]), k=1)
    s = float(pairs.sum())
    _, ties = np.unique(what, return_counts=True)
    variance = (n * (n - 1) * (2 * n + 5) - float(np.sum(ties * (ties - 1) * (2 * ties + 5)))) / 18.0
    z = (s - np.sign(s)) / np.sqrt(variance) if variance > 0 else 0.0
    return Trend(float(slope), float(low), float(high), float(intercept), s, float(variance), float(z),
                 s / (0.5 * n * (n - 1)), float(2 * stats.norm.sf(abs(z))), n)


def shapley_shares(players: Sequence[P], worth: Callable[[frozenset[P]], float]) -> Mapping[P, float]:
    """
    Share a joint effect among those who made it: each one's contribution, averaged over all orders of arrival.

    Parameters
    ----------
    players : sequence of hashable
        Concurrent causes, at most 12.
    worth : callable
        Gives the effect of any set of them acting together; called once for every set. [any]

    Returns
    -------
    shares : dict
        Player -> share; they add up to worth(all) - worth(none). [unit of worth]

    Raises
    ------
    ValueError
        If a player stands twice or there are more than 12 (4096 sets).

    References
    ----------
    .. [1] L. S. Shapley, "A value for n-person games" (1953).
    """
    n = len(players)
    if len(set(players)) != n or n > 12:
        raise ValueError(f"{n} players, {len(set(players))} of them different; at most 12 different ones can share.")
    value = {frozenset(group): float(worth(frozenset(group)))
             for size in range(n + 1) for group in combinations(players, size)}
    shares = dict.fromkeys(players, 0.0)
    for group, together in value.items():
        if len(group) < n:
            weight = factorial(len(group)) * factorial(n - len(group) - 1) / factorial(n)
            for player in set(players) - group:
                shares[player] += weight * (value[group | {player}] - together)
    return shares
