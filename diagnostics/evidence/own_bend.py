"""
The bend of a site's own curve against its sheet's: what the mean over a bin owes to where in it a day happened to lie.

No sheet's curve is quite the pump's. Where the two part more at one end of a bin than at the other, dull days, which
fill its lower end only, would differ from bright ones though nothing has changed. The bend is read within days, where
weather moves the flow and no fault has time to, so that what comes and goes from day to day stays in the summaries.
"""

import numpy as np
from numpy.typing import NDArray

Vector = NDArray[np.float64]

KNOTS_AT = (0.02, 0.1, 0.25, 0.5, 0.75, 0.98)      # of the rows
LEAST_ROWS = 60
LEAST_DAYS = 8
# How far two ends of a bin may part before the site's own days have spoken (one deviation). [1]
USUAL_BEND = 0.2
_ROUNDS = 3


def own_bend(amount: Vector, place: Vector, group: NDArray[np.intp], groups: int, weight: Vector,
             chosen: NDArray[np.bool_]) -> Vector:
    """
    Estimate how an amount runs with the place in its bin, alike on all days, beside a level of each day's own.

    Parameters
    ----------
    amount : ndarray, shape (n,)
        Such as measured over expected flow, less 1. [1]
    place : ndarray, shape (n,)
        What moves it within a bin: power or sun.
    group : ndarray of int, shape (n,)
        Day of each row.
    groups : int
        Number of days.
    weight : ndarray, shape (n,)
        Weight of each row.
    chosen : ndarray of bool, shape (n,)
        Rows of the bin.

    Returns
    -------
    bend : ndarray, shape (n,)
        What the place adds to a row over the mean of all rows; 0 outside the bin and where too little was read.
    """
    found = np.zeros(len(amount))
    rows = np.flatnonzero(chosen & np.isfinite(amount) & np.isfinite(place) & (weight > 0.0))
    day, x, y, w = group[rows], place[rows], amount[rows], weight[rows].astype(np.float64)
    if len(rows) < LEAST_ROWS or np.count_nonzero(np.bincount(day, minlength=groups) >= 3) < LEAST_DAYS:
        return found
    knots = np.unique(np.quantile(x, KNOTS_AT))
    if len(knots) < 2:
        return found
    basis = np.column_stack([np.interp(x, knots, row) for row in np.eye(len(knots))])
    usual = w / float(np.mean(w))
    bend: Vector = np.zeros(len(knots), dtype=np.float64)
    kept = np.ones(len(rows), dtype=bool)
    for _ in range(_ROUNDS):
        if np.count_nonzero(kept) < LEAST_ROWS:
            return found
        share = usual * kept
        within_y = y - _of_day(y, day, groups, share)
        within = basis - np.column_stack([_of_day(column, day, groups, share) for column in basis.T])
        left = within_y - within @ bend
        spread = 1.4826 * float(np.median(np.abs(left[kept]))) + 1e-6
        gram = (within * share[:, None]).T @ within + np.eye(len(knots)) * (spread / USUAL_BEND) ** 2
        bend = np.asarray(np.linalg.solve(gram, (within * share[:, None]).T @ within_y), dtype=np.float64)
        kept = np.abs(within_y - within @ bend) < 4.0 * spread
    course = basis @ bend
    found[rows] = course - float(np.average(course, weights=usual))
    return found


def _of_day(values: Vector, day: NDArray[np.intp], groups: int, weight: Vector) -> Vector:
    total = np.bincount(day, weights=weight, minlength=groups)
    summed = np.bincount(day, weights=weight * values, minlength=groups)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(total > 0.0, summed / total, 0.0)
    return np.asarray(mean[day], dtype=np.float64)
