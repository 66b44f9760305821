"""
What a site's own sound record has taught of all that its sheet leaves open, and how far that narrows its interval.

Deviations from the sheet are three unknowns of the kind that does not change from day to day (power, head, flow), each
with its standard deviation after the sheet, and what passes: the day's part of the light, warmth, a battery's state at
dawn. A day's water is to first order linear in them, so what the days teach is a Gaussian posterior in closed form.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]

OPEN = ("power", "head", "flow")        # what is open and stays, in the order of the effects
EFFECT_COLUMNS = ("power_effect_m3_s", "head_effect_m3_s", "flow_effect_m3_s", "passing_effect_m3_s")
# Half the variance of what passes comes anew every day; half stays for weeks: season of the light, of the warmth.
LASTING_SHARE, MEMORY_DAYS = 0.5, 30.0
# Rounding, a water level that wanders, all that nobody states. Of a day's expected water.
LEAST_SCATTER = 0.005
LEAST_DAYS = 5
LEAST_OF_MEAN = 0.05    # a trickle says nothing of a scale
# The stated scatter of a day weighs as much as this many days of seen scatter (chi-squared prior of its variance).
PRIOR_DAYS = 10.0
MOST_SCATTER = 6.0


@dataclass(frozen=True)
class Learned:
    """
    What is known of the open inputs, in their standard deviations after the sheet; by default nothing beyond it.

    `scatter` multiplies the standard uncertainty of what passes; `days` is how many taught it.
    """

    mean: Floats = field(default_factory=lambda: np.zeros(len(OPEN)))
    covariance: Floats = field(default_factory=lambda: np.eye(len(OPEN)))
    scatter: float = 1.0
    days: int = 0

    @property
    def is_sheet(self) -> bool:
        """Tell whether nothing was learned."""
        return self.days == 0


SHEET = Learned()


def learn(delivered: Floats, expected: Floats, effects: Floats, passing: Floats, day: Floats) -> Learned:
    """
    Learn from days on which the site was sound and free to deliver.

    Parameters
    ----------
    delivered, expected : ndarray, shape (n,)
        Of each day, and by the sheet. [m3, or any one unit]
    effects : ndarray, shape (n, 3)
        What one standard deviation of each open input moves of a day. [as delivered]
    passing : ndarray, shape (n,)
        Standard uncertainty of a day from what passes. [as delivered]
    day : ndarray, shape (n,)
        Number of each day, for what lasts from one to the next. [days]

    Returns
    -------
    learned : Learned
        The sheet's own where fewer than five days can teach.

    References
    ----------
    C. E. Rasmussen and C. K. I. Williams (2006), Gaussian Processes for Machine Learning, section 2.7. The variance of
    the scatter has the conjugate scaled inverse chi-squared prior: A. Gelman et al. (2013), Bayesian Data Analysis,
    section 3.2.
    """
    known = np.isfinite(delivered) & np.isfinite(expected) & np.isfinite(passing) & np.isfinite(effects).all(axis=1)
    known &= expected > 0.0
    count = int(known.sum())
    if count < LEAST_DAYS:
        return SHEET
    rest, effect, size = (delivered - expected)[known], effects[known], passing[known]
    floor = LEAST_SCATTER * np.median(expected[known])
    apart = np.abs(np.subtract.outer(day[known], day[known]))
    own = (1.0 - LASTING_SHARE) * size**2 + floor**2
    lasting = LASTING_SHARE * np.outer(size, size) * np.exp(-apart / MEMORY_DAYS)
    scatter, weight = 1.0, np.ones(count)
    mean, covariance = np.zeros(len(OPEN)), np.eye(len(OPEN))
    for _ in range(20):
        # Days that leave the others by far teach less: Student's t with four degrees of freedom, by its weights.
        stays = max(scatter, 1.0) ** 2 * lasting
        mean, covariance, weeks = _posterior(rest, effect, np.diag(scatter**2 * own / weight) + stays, stays)
        left = (rest - effect @ mean - weeks) / np.sqrt(own)
        weight = 5.0 / (4.0 + (left / scatter) ** 2)
        free = max(count - len(OPEN), 1)
        seen = float(np.sqrt((PRIOR_DAYS + free / count * np.sum(weight * left**2)) / (PRIOR_DAYS + free)))
        seen = min(seen, MOST_SCATTER)
        if abs(seen - scatter) < 1e-4:
            break
        scatter = seen
    return Learned(mean, covariance, scatter, count)


def learn_from_rows(effects: pd.DataFrame, expected_m3_s: Floats, delivered_m3_s: Floats, interval_s: Floats,
                    day: NDArray[np.intp], use: NDArray[np.bool_]) -> Learned:
    """
    Add intervals up to days and learn from them.

    Parameters
    ----------
    effects : DataFrame
        Columns `EFFECT_COLUMNS` of `expected.expect`, one row an interval. [m3/s]
    expected_m3_s, delivered_m3_s : ndarray, shape (n,)
        [m3/s]
    interval_s : ndarray, shape (n,)
        [s]
    day : ndarray of int, shape (n,)
        Number of each interval's local day. [days]
    use : ndarray of bool, shape (n,)
        Intervals in which the sound site was free to deliver and the meter is believed. [1]

    Returns
    -------
    learned : Learned
    """
    moves = effects[list(EFFECT_COLUMNS)].to_numpy(dtype=np.float64)
    kept = use & np.isfinite(expected_m3_s) & np.isfinite(delivered_m3_s) & np.isfinite(moves).all(axis=1)
    if not kept.any():
        return SHEET
    count = int(day.max()) + 1

    def by_day(values: Floats) -> Floats:
        return np.bincount(day[kept], weights=(values * interval_s)[kept], minlength=count).astype(np.float64)

    expected = by_day(expected_m3_s)
    wet = expected > LEAST_OF_MEAN * expected[expected > 0.0].mean() if (expected > 0.0).any() else expected > 0.0
    sums = np.column_stack([by_day(column) for column in moves.T])[wet]
    return learn(by_day(delivered_m3_s)[wet], expected[wet], sums[:, :-1], sums[:, -1],
                 np.flatnonzero(wet).astype(np.float64))


def _posterior(rest: Floats, effects: Floats, noise: Floats, lasting: Floats) -> tuple[Floats, Floats, Floats]:
    """Mean and covariance of the open inputs under unit normal priors, and the smooth course of what lasts."""
    solved = np.linalg.solve(noise, np.column_stack([effects, rest]))
    covariance = np.linalg.inv(np.eye(effects.shape[1]) + effects.T @ solved[:, :-1])
    mean = covariance @ (effects.T @ solved[:, -1])
    weeks = lasting @ (solved[:, -1] - solved[:, :-1] @ mean)
    return (np.asarray(mean, dtype=np.float64), np.asarray(0.5 * (covariance + covariance.T), dtype=np.float64),
            np.asarray(weeks, dtype=np.float64))
