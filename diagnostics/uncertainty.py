"""Uncertainty after the GUM (JCGM 100:2008): standard uncertainties, their propagation, coverage."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

_DIVISORS: dict[str, float] = {"uniform": np.sqrt(3.0), "triangular": np.sqrt(6.0), "arcsine": np.sqrt(2.0)}


def standard_uncertainty(half_width: float, shape: Literal["uniform", "triangular", "arcsine"] = "uniform") -> float:
    """
    Standard uncertainty of a quantity known to lie within a half width, GUM 4.3.7 to 4.3.9.

    Parameters
    ----------
    half_width : float
        Half the width of the bounds. [any]
    shape : {"uniform", "triangular", "arcsine"}
        How probable values are within the bounds.

    Returns
    -------
    uncertainty : float
        [unit of half_width]
    """
    return half_width / _DIVISORS[shape]


@dataclass(frozen=True, slots=True)
class Component:
    """
    One source of uncertainty in the result's own unit: sensitivity times standard uncertainty.

    `degrees_of_freedom` says how well the uncertainty itself is known; infinite where it is taken as given.
    """

    name: str
    contribution: float
    degrees_of_freedom: float = np.inf
    why: str = ""


@dataclass(frozen=True, slots=True)
class Combined:
    """Combined standard uncertainty of independent components, and its coverage."""

    uncertainty: float
    degrees_of_freedom: float

    def coverage_factor(self, confidence_level: float) -> float:
        """Return k for a two-sided interval, from Student's t with the degrees of freedom cut to a whole number."""
        whole = np.floor(self.degrees_of_freedom) if np.isfinite(self.degrees_of_freedom) else np.inf
        if np.isinf(whole):
            return float(stats.norm.ppf(0.5 + confidence_level / 2))
        return float(stats.t.ppf(0.5 + confidence_level / 2, max(whole, 1.0)))

    def expanded(self, confidence_level: float) -> float:
        """Return the half width of the interval that holds the value with this probability."""
        return self.coverage_factor(confidence_level) * self.uncertainty


def combine(components: Sequence[Component]) -> Combined:
    """
    Root of the sum of squares, with the effective degrees of freedom of Welch and Satterthwaite (GUM G.4.1).

    Parameters
    ----------
    components : sequence of Component
        Independent of each other.

    Returns
    -------
    combined : Combined
    """
    parts = np.array([part.contribution for part in components], dtype=np.float64)
    freedom = np.array([part.degrees_of_freedom for part in components], dtype=np.float64)
    total = float(np.sqrt(np.sum(parts**2)))
    spread = float(np.sum(parts**4 / freedom))
    return Combined(total, total**4 / spread if spread > 0 else np.inf)


def covariance_of_means(readings: ArrayLike) -> NDArray[np.float64]:
    """
    Covariance of the means of quantities read together, GUM 5.2.3.

    Parameters
    ----------
    readings : array_like, shape (n readings, m quantities)
        [any]

    Returns
    -------
    covariance : ndarray, shape (m, m)
        [product of units]

    Raises
    ------
    ValueError
        If there are fewer than two readings.
    """
    table = np.asarray(readings, dtype=np.float64)
    if table.ndim != 2 or len(table) < 2:
        raise ValueError(f"readings have the shape {table.shape}; two or more readings (rows) are needed.")
    return np.atleast_2d(np.cov(table, rowvar=False, ddof=1)) / len(table)


def propagate(function: Callable[[NDArray[np.float64]], ArrayLike], values: ArrayLike,
              covariance: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """
    First-order propagation with correlation, U = J V J' (GUM 5.2, H.2); J by central differences.

    Parameters
    ----------
    function : callable
        Takes an array of the m inputs, returns the k results.
    values : array_like, shape (m,)
        Where the inputs stand.
    covariance : array_like, shape (m, m)
        Covariance of the inputs.

    Returns
    -------
    results : ndarray, shape (k,)
    covariance : ndarray, shape (k, k)
    """
    point = np.asarray(values, dtype=np.float64)
    spread = np.asarray(covariance, dtype=np.float64)
    steps = np.maximum(np.sqrt(np.clip(np.diag(spread), 0.0, None)) * 1e-2, np.abs(point) * 1e-7 + 1e-12)
    columns = []
    for number, step in enumerate(steps):
        shift = np.zeros_like(point)
        shift[number] = step
        up, down = (np.atleast_1d(np.asarray(function(point + sign * shift), dtype=np.float64)) for sign in (1, -1))
        columns.append((up - down) / (2 * step))
    slope = np.stack(columns, axis=1)
    return np.atleast_1d(np.asarray(function(point), dtype=np.float64)), slope @ spread @ slope.T


def correlation(covariance: ArrayLike) -> NDArray[np.float64]:
    """
    Turn a covariance into coefficients of correlation.

    Parameters
    ----------
    covariance : array_like, shape (m, m)
        [product of units]

    Returns
    -------
    coefficients : ndarray, shape (m, m)
        [1]
    """
    table = np.asarray(covariance, dtype=np.float64)
    deviation = np.sqrt(np.diag(table))
    return np.asarray(table / np.outer(deviation, deviation))
