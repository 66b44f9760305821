"""Runs of equal values and of equal steps, without a loop over rows."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
SAMPLE = 20_000     # steps that an estimate of a sensor's rounding looks at


@dataclass(frozen=True, slots=True)
class Runs:
    """Runs of equal neighbours that are long enough to say anything: rows `starts` to `stops`, these exclusive."""

    starts: NDArray[np.int64]
    stops: NDArray[np.int64]
    rows: int

    @property
    def lengths(self) -> NDArray[np.int64]:
        """Rows of each run. [1]"""
        return self.stops - self.starts

    def at(self, amounts: Floats) -> Floats:
        """
        Return the first value of each run.

        Parameters
        ----------
        amounts : ndarray of float64, shape (rows,)
            [any]

        Returns
        -------
        first : ndarray of float64, shape (runs,)
        """
        return amounts[self.starts]

    def sums(self, amounts: Floats, *, skip_first: bool = False) -> Floats:
        """
        Sum an amount over each run.

        Parameters
        ----------
        amounts : ndarray of float64, shape (rows,)
            NaN counts as nothing. [any]
        skip_first : bool, default False
            Leave the first row of each run out.

        Returns
        -------
        sums : ndarray of float64, shape (runs,)
        """
        if not len(self.starts):
            return np.zeros(0)
        first = self.starts + 1 if skip_first else self.starts
        edges = np.column_stack([first, self.stops]).ravel()
        if edges[-1] == self.rows:      # reduceat wants a row to end before; the last run has none
            edges = edges[:-1]
        return np.asarray(np.add.reduceat(np.nan_to_num(amounts), edges)[::2], dtype=np.float64)

    def marked(self, which: Flags) -> Flags:
        """
        Mark every row of some of the runs.

        Parameters
        ----------
        which : ndarray of bool, shape (runs,)

        Returns
        -------
        rows : ndarray of bool, shape (rows,)
        """
        if not np.any(which):
            return np.zeros(self.rows, dtype=bool)
        turns = np.zeros(self.rows + 1, dtype=np.int8)
        turns[self.starts[which]] = 1
        turns[self.stops[which]] -= 1       # a run that starts where another stops goes on: 1 - 1
        return np.asarray(np.cumsum(turns[:-1]) > 0, dtype=np.bool_)


def long_runs(values: Floats, least: int, *, tolerance: float = 0.0) -> Runs:
    """
    Find runs of at least so many equal neighbouring values; a NaN is equal to nothing.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        [any]
    least : int
        Length of the shortest run that is returned, 2 or more. [1]
    tolerance : float, default 0.0
        Neighbours closer than this are equal. [unit of `values`]

    Returns
    -------
    runs : Runs
    """
    if len(values) < least:
        none = np.zeros(0, dtype=np.int64)
        return Runs(none, none, len(values))
    with np.errstate(invalid="ignore"):
        alike = np.abs(np.diff(values)) <= tolerance
    cuts = np.flatnonzero(~alike) + 1
    starts, stops = np.concatenate([[0], cuts]), np.concatenate([cuts, [len(values)]])
    kept = stops - starts >= max(least, 2)
    return Runs(starts[kept], stops[kept], len(values))


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
    runs = long_runs(steps, samples, tolerance=1e-7 * float(scale) + 1e-12)
    if not len(runs.starts):
        return marked
    long_enough = runs.marked(np.ones(len(runs.starts), dtype=bool)) & (np.abs(steps) > coarsest_step)
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
