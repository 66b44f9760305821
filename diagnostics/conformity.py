"""
Does a measured value conform to a limit? Probabilities, guard bands and the two risks, after JCGM 106:2012.

A result near its limit proves nothing either way. The rule that decides it is agreed beforehand, and whatever guard
band protects one party is paid for by the other: both risks are stated side by side.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import stats

Side = Literal["lower", "upper"]

# Gauss-Legendre on pieces no longer than a few standard deviations: exact to about 1e-12 for what is smooth.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)


@dataclass(frozen=True, slots=True)
class Conformance:
    """Probabilities that the true value lies inside, below or above an interval, given one measured value."""

    inside: float
    below: float
    above: float


def conformance_probability(measured: float, uncertainty: float, *, lower: float = -np.inf,
                            upper: float = np.inf) -> Conformance:
    """
    Probability that a true value lies within its limits, one measured value being known (JCGM 106, 7.2 to 7.4).

    Parameters
    ----------
    measured : float
        Measured value. [any]
    uncertainty : float
        Its standard uncertainty; the true value is taken as normal about the measured one. [unit of measured]
    lower, upper : float
        Limits of what is allowed. [unit of measured]

    Returns
    -------
    conformance : Conformance
        Probabilities, which add up to 1. [1]

    Raises
    ------
    ValueError
        If the uncertainty is not positive or the limits are in the wrong order.

    Examples
    --------
    >>> round(conformance_probability(-5.47, 0.05, upper=-5.40).inside, 4)
    0.9192
    """
    if not uncertainty > 0 or lower >= upper:
        raise ValueError(f"uncertainty ({uncertainty:g}) must be positive and lower ({lower:g}) below upper "
                         f"({upper:g}).")
    below = float(stats.norm.cdf((lower - measured) / uncertainty))
    above = float(stats.norm.sf((upper - measured) / uncertainty))
    return Conformance(max(0.0, 1.0 - below - above), below, above)


def acceptance_limit(tolerance_limit: float, expanded_uncertainty: float, *, side: Side,
                     guard_ratio: float) -> float:
    """
    Move a limit by a guard band w = r U (JCGM 106, 8.3): r > 0 inwards (guarded acceptance), r < 0 outwards.

    Parameters
    ----------
    tolerance_limit : float
        What is allowed. [any]
    expanded_uncertainty : float
        U = k u of the measured value. [unit of the limit]
    side : {"lower", "upper"}
        Whether the limit is a least or a greatest value.
    guard_ratio : float
        r; 0 is simple acceptance with shared risk. [1]

    Returns
    -------
    limit : float
        Measured values on the allowed side of it are accepted. [unit of the limit]
    """
    band = guard_ratio * expanded_uncertainty
    return tolerance_limit + band if side == "lower" else tolerance_limit - band


def highest_specific_risk(guard_ratio: float, coverage_factor: float = 2.0) -> float:
    """
    Probability that a value measured exactly at the acceptance limit is not allowed, one limit only.

    Parameters
    ----------
    guard_ratio : float
        r of the guard band w = r U. [1]
    coverage_factor : float, default 2
        k of U = k u. [1]

    Returns
    -------
    risk : float
        0.5 for simple acceptance; below 0.025 for r = 1 and k = 2. [1]
    """
    return float(stats.norm.sf(guard_ratio * coverage_factor))


@dataclass(frozen=True, slots=True)
class GlobalRisks:
    """Risks over many judged items: shares of all items, and of those accepted."""

    false_accept: float
    false_reject: float
    false_accept_of_accepted: float


def global_risks(*, process_mean: float, process_sd: float, measurement_sd: float, lower: float = -np.inf,
                 upper: float = np.inf, accept_lower: float | None = None,
                 accept_upper: float | None = None) -> GlobalRisks:
    """
    Share of items accepted though not allowed, and refused though allowed (JCGM 106, 9.5), normal items and errors.

    Parameters
    ----------
    process_mean, process_sd : float
        Of the true values. [any]
    measurement_sd : float
        Standard uncertainty of one measurement. [unit of the values]
    lower, upper : float
        What is allowed. [unit of the values]
    accept_lower, accept_upper : float, optional
        What is accepted when measured; the limits themselves where left out. [unit of the values]

    Returns
    -------
    risks : GlobalRisks
        [1]
    """
    take_low = lower if accept_lower is None else accept_lower
    take_high = upper if accept_upper is None else accept_upper

    edges = [edge + shift * measurement_sd for edge in (take_low, take_high) if np.isfinite(edge)
             for shift in (-6.0, -2.0, 0.0, 2.0, 6.0)]
    edges += [process_mean + shift * process_sd for shift in (-12.0, -6.0, -2.0, 0.0, 2.0, 6.0, 12.0)]

    def between(start: float, end: float) -> float:
        start, end = max(start, process_mean - 12 * process_sd), min(end, process_mean + 12 * process_sd)
        if start >= end:
            return 0.0
        joints = np.unique(np.clip(np.array([start, end, *edges]), start, end))
        centre, half = (joints[1:] + joints[:-1]) / 2, np.diff(joints) / 2
        value = centre[:, None] + half[:, None] * _NODES
        accepted = stats.norm.cdf((take_high - value) / measurement_sd) - stats.norm.cdf(
            (take_low - value) / measurement_sd)
        density = accepted * stats.norm.pdf(value, process_mean, process_sd)
        return float(np.sum(half[:, None] * _WEIGHTS * density))

    wrongly = between(-np.inf, lower) + between(upper, np.inf)
    rightly = between(lower, upper)
    allowed = float(stats.norm.cdf((upper - process_mean) / process_sd)
                    - stats.norm.cdf((lower - process_mean) / process_sd))
    taken = wrongly + rightly
    return GlobalRisks(wrongly, max(0.0, allowed - rightly), wrongly / taken if taken > 0 else 0.0)


def smallest_provable_shortfall(relative_uncertainty: float, *, confidence_level: float = 0.95,
                                power: float = 0.8) -> float:
    """
    Smallest relative shortfall that measurements of this uncertainty would prove, and show with a given power.

    A shortfall d is proved where the one-sided interval stays above none, d_measured > z_c u; to be proved in a share
    `power` of trials the true one must be d >= (z_c + z_power) u.

    Parameters
    ----------
    relative_uncertainty : float
        Standard uncertainty of delivered over promised. [1]
    confidence_level : float, default 0.95
        One-sided. [1]
    power : float, default 0.8
        Share of trials that prove it. [1]

    Returns
    -------
    shortfall : float
        As a share of what was promised. [1]
    """
    return float((stats.norm.ppf(confidence_level) + stats.norm.ppf(power)) * relative_uncertainty)
