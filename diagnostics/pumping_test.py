"""
What a test pumping says of a well: Theis and Cooper-Jacob, recovery, steps, specific capacity.

Used to turn the record of a test pumping into the two drawdown coefficients of a site's well, and to draw how the water
level answers a change of flow. Flows are positive out of the well, drawdown is positive downwards.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares
from scipy.special import exp1

# Cooper-Jacob keeps the first two terms of W(u) = -0.5772 - ln u + u - ...: 2.2459 = 4 / exp(0.5772 x 1).
_COOPER_JACOB = 4.0 / np.exp(np.euler_gamma)
_LN10 = float(np.log(10.0))


@dataclass(frozen=True, slots=True)
class AquiferFit:
    """What a fit found: transmissivity [m2/s], storativity [1], sum of squared misfits [m2]."""

    transmissivity_m2_s: float
    storativity: float
    sum_of_squares_m2: float
    n_samples: int


@dataclass(frozen=True, slots=True)
class WellLossFit:
    """Drawdown s = B Q + C Q^2: B [s/m2], C [s2/m5], transmissivity where the record gives it [m2/s]."""

    drawdown_linear_s_m2: float
    drawdown_quadratic_s2_m5: float
    sum_of_squares_m2: float
    n_samples: int
    transmissivity_m2_s: float = float("nan")


def well_function(u: ArrayLike) -> NDArray[np.float64]:
    """
    Theis well function W(u), the exponential integral E1 [1]_.

    Parameters
    ----------
    u : array_like, any shape
        r^2 S / (4 T t), above zero. [1]

    Returns
    -------
    w : ndarray of float64, shape of `u`
        [1]

    References
    ----------
    .. [1] L. K. Wenzel, US Geological Survey Water-Supply Paper 887 (1942).

    Examples
    --------
    >>> float(well_function(0.01).round(2))
    4.04
    """
    return np.asarray(exp1(np.asarray(u, dtype=np.float64)), dtype=np.float64)


def theis_drawdown(time_s: ArrayLike, *, transmissivity_m2_s: float, storativity: float, distance_m: float,
                   flows_m3_s: ArrayLike, starts_s: ArrayLike = (0.0,)) -> NDArray[np.float64]:
    """
    Drawdown at a distance from a well pumped at steps of constant flow, by superposed Theis solutions [1]_.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Since the first start. [s]
    transmissivity_m2_s : float
        [m2/s]
    storativity : float
        [1]
    distance_m : float
        From the axis of the pumped well; its own radius for the pumped well. [m]
    flows_m3_s : array_like, shape (k,) or scalar
        Flow of each step; 0 is recovery. [m3/s]
    starts_s : array_like, shape (k,)
        When each step begins, rising. [s]

    Returns
    -------
    drawdown_m : ndarray of float64, shape (n,)
        [m]

    Raises
    ------
    ValueError
        If flows and starts differ in number or the starts do not rise.

    References
    ----------
    .. [1] C. V. Theis, Trans. American Geophysical Union 16 (1935) 519-524; C. W. Fetter, Applied Hydrogeology, 4th
       ed., chapter 5.
    """
    time, flows, starts = (np.atleast_1d(np.asarray(given, dtype=np.float64)) for given in
                           (time_s, flows_m3_s, starts_s))
    if flows.shape != starts.shape or np.any(np.diff(starts) <= 0):
        raise ValueError(f"{flows.size} flow(s) and {starts.size} start(s): give one rising start time for each flow.")
    elapsed = time[:, None] - starts[None, :]
    running = elapsed > 0.0
    u = distance_m**2 * storativity / (4.0 * transmissivity_m2_s * np.where(running, elapsed, 1.0))
    response = np.where(running, well_function(u), 0.0)
    changes = np.diff(flows, prepend=0.0)
    return np.asarray(response @ changes / (4.0 * np.pi * transmissivity_m2_s), dtype=np.float64)


def fit_theis(time_s: ArrayLike, drawdown_m: ArrayLike, *, distance_m: ArrayLike, flows_m3_s: ArrayLike,
              starts_s: ArrayLike = (0.0,)) -> AquiferFit:
    """
    Fit transmissivity and storativity to drawdowns by least squares over `theis_drawdown`.

    Parameters
    ----------
    time_s, drawdown_m : array_like, shape (n,)
        Record of one or several observation wells. [s], [m]
    distance_m : array_like, shape (n,) or scalar
        Distance of the well each row belongs to. [m]
    flows_m3_s, starts_s : array_like, shape (k,)
        As in `theis_drawdown`. [m3/s], [s]

    Returns
    -------
    fit : AquiferFit

    Raises
    ------
    ValueError
        If fewer than three rows are given.
    """
    time, drawdown = np.asarray(time_s, dtype=np.float64), np.asarray(drawdown_m, dtype=np.float64)
    distance = np.broadcast_to(np.asarray(distance_m, dtype=np.float64), time.shape)
    if time.size < 3:
        raise ValueError(f"a Theis fit needs three readings or more; {time.size} were given.")
    wells = [(distance == metres, float(metres)) for metres in np.unique(distance)]

    def misfit(logarithms: NDArray[np.float64]) -> NDArray[np.float64]:
        modelled = np.empty_like(drawdown)
        for rows, metres in wells:
            modelled[rows] = theis_drawdown(time[rows], transmissivity_m2_s=float(np.exp(logarithms[0])),
                                            storativity=float(np.exp(logarithms[1])), distance_m=metres,
                                            flows_m3_s=flows_m3_s, starts_s=starts_s)
        return modelled - drawdown

    mean_flow = float(np.mean(np.abs(np.atleast_1d(np.asarray(flows_m3_s, dtype=np.float64)))))
    start = max(mean_flow / max(float(np.max(drawdown)), 1e-3), 1e-6)
    fits = [least_squares(misfit, np.log([start, storativity]), x_scale="jac", xtol=1e-12, ftol=1e-12)
            for storativity in (1e-5, 1e-3)]
    best = min(fits, key=lambda fit: float(fit.cost))
    return AquiferFit(float(np.exp(best.x[0])), float(np.exp(best.x[1])), 2.0 * float(best.cost), int(time.size))


def fit_cooper_jacob(time_s: ArrayLike, drawdown_m: ArrayLike, *, flow_m3_s: float, distance_m: float) -> AquiferFit:
    """
    Straight line of drawdown on the logarithm of time: T = 2.3026 Q / (4 pi slope), S = 2.2459 T t0 / r^2 [1]_.

    The caller gives late rows only (u below 0.05); early rows bend away from the line.

    Parameters
    ----------
    time_s, drawdown_m : array_like, shape (n,)
        [s], [m]
    flow_m3_s : float
        [m3/s]
    distance_m : float
        [m]

    Returns
    -------
    fit : AquiferFit

    Raises
    ------
    ValueError
        If the drawdown does not grow with time.

    References
    ----------
    .. [1] H. H. Cooper and C. E. Jacob, Trans. American Geophysical Union 27 (1946) 526-534.
    """
    decades, drawdown = np.log10(np.asarray(time_s, dtype=np.float64)), np.asarray(drawdown_m, dtype=np.float64)
    slope, intercept = np.polyfit(decades, drawdown, 1)
    if slope <= 0:
        raise ValueError(f"drawdown does not grow with time (slope {slope:g} m a decade): check sign and order.")
    transmissivity = _LN10 * flow_m3_s / (4.0 * np.pi * slope)
    storativity = _COOPER_JACOB * transmissivity * 10.0 ** (-intercept / slope) / distance_m**2
    misfit = drawdown - (slope * decades + intercept)
    return AquiferFit(float(transmissivity), float(storativity), float(misfit @ misfit), int(drawdown.size))


def equivalent_time_s(since_stop_s: ArrayLike, pumped_s: float) -> NDArray[np.float64]:
    """
    Time at which pumping would have drawn down as far as the level has recovered, t_p t / (t_p + t) [1]_.

    Parameters
    ----------
    since_stop_s : array_like, any shape
        [s]
    pumped_s : float
        How long the well was pumped before. [s]

    Returns
    -------
    equivalent_s : ndarray of float64
        [s]

    References
    ----------
    .. [1] R. G. Agarwal, SPE paper 9289 (1980); V. Batu, Aquifer Hydraulics (1998), example 4-12.
    """
    since = np.asarray(since_stop_s, dtype=np.float64)
    return pumped_s * since / (pumped_s + since)


def recovery_transmissivity(since_stop_s: ArrayLike, residual_drawdown_m: ArrayLike, *, pumped_s: float,
                            flow_m3_s: float) -> float:
    """
    Transmissivity from the residual drawdown after the pump stops, on log10 of (t_p + t) / t [1]_.

    Parameters
    ----------
    since_stop_s, residual_drawdown_m : array_like, shape (n,)
        [s], [m]
    pumped_s : float
        [s]
    flow_m3_s : float
        Flow before the stop. [m3/s]

    Returns
    -------
    transmissivity_m2_s : float
        [m2/s]

    References
    ----------
    .. [1] D. K. Todd, Groundwater Hydrology (1980), recovery test.
    """
    since = np.asarray(since_stop_s, dtype=np.float64)
    slope = np.polyfit(np.log10((pumped_s + since) / since), np.asarray(residual_drawdown_m, dtype=np.float64), 1)[0]
    return float(_LN10 * flow_m3_s / (4.0 * np.pi * slope))


def fit_steady_steps(flow_m3_s: ArrayLike, drawdown_m: ArrayLike) -> WellLossFit:
    """
    Fit s = B Q + C Q^2 to the settled drawdown of each step [1]_.

    Parameters
    ----------
    flow_m3_s, drawdown_m : array_like, shape (k,)
        One row a step. [m3/s], [m]

    Returns
    -------
    fit : WellLossFit

    Raises
    ------
    ValueError
        If fewer than two steps are given.

    References
    ----------
    .. [1] C. E. Jacob, Proc. American Society of Civil Engineers 72 (1946), drawdown test to determine effective radius
       of artesian well.
    """
    flow, drawdown = np.asarray(flow_m3_s, dtype=np.float64), np.asarray(drawdown_m, dtype=np.float64)
    if flow.size < 2:
        raise ValueError(f"a step test needs two steps or more to part B from C; {flow.size} were given.")
    coefficients, _, _, _ = np.linalg.lstsq(np.column_stack([flow, flow**2]), drawdown, rcond=None)
    misfit = drawdown - flow * coefficients[0] - flow**2 * coefficients[1]
    return WellLossFit(float(coefficients[0]), float(coefficients[1]), float(misfit @ misfit), int(flow.size))


def fit_unsteady_steps(time_s: ArrayLike, drawdown_m: ArrayLike, *, flows_m3_s: ArrayLike, starts_s: ArrayLike,
                       settled_s: float, skip_s: float = 0.0) -> WellLossFit:
    """
    Fit s = a Q + b sum(dQ log10 dt) + C Q^2 to the whole record of a step test [1]_.

    Parameters
    ----------
    time_s, drawdown_m : array_like, shape (n,)
        Since the first start, in the pumped well. [s], [m]
    flows_m3_s, starts_s : array_like, shape (k,)
        Flow of each step and when it begins. [m3/s], [s]
    settled_s : float
        Time after a start for which B is stated: B = a + b log10(settled). [s]
    skip_s : float, default 0
        Leave out rows up to this long after a change of flow. [s]

    Returns
    -------
    fit : WellLossFit
        With transmissivity T = 2.3026 / (4 pi b).

    References
    ----------
    .. [1] R. N. Eden and C. P. Hazel, Civil Engineering Trans., Institution of Engineers Australia (1973) 5-10.
    """
    time, drawdown = np.asarray(time_s, dtype=np.float64), np.asarray(drawdown_m, dtype=np.float64)
    flows, starts = np.asarray(flows_m3_s, dtype=np.float64), np.asarray(starts_s, dtype=np.float64)
    step = np.searchsorted(starts, time, side="left") - 1
    kept = (step >= 0) & (time - starts[np.maximum(step, 0)] > skip_s)
    time, drawdown, step = time[kept], drawdown[kept], step[kept]
    elapsed = time[:, None] - starts[None, :]
    running = elapsed > 0.0
    decades = np.where(running, np.log10(np.where(running, elapsed, 1.0)), 0.0)
    columns = np.column_stack([flows[step], decades @ np.diff(flows, prepend=0.0), flows[step] ** 2])
    (a, b, c), _, _, _ = np.linalg.lstsq(columns, drawdown, rcond=None)
    misfit = drawdown - columns @ np.array([a, b, c])
    return WellLossFit(float(a + b * np.log10(settled_s)), float(c), float(misfit @ misfit), int(time.size),
                       float(_LN10 / (4.0 * np.pi * b)))


def specific_capacity(flow_m3_s: ArrayLike, drawdown_m: ArrayLike) -> NDArray[np.float64]:
    """
    Flow for each metre of drawdown.

    Parameters
    ----------
    flow_m3_s, drawdown_m : array_like, broadcastable
        Of the same settled moment; NaN where there is no drawdown. [m3/s], [m]

    Returns
    -------
    specific_capacity_m2_s : ndarray of float64
        [m2/s]
    """
    flow, drawdown = np.asarray(flow_m3_s, dtype=np.float64), np.asarray(drawdown_m, dtype=np.float64)
    return np.asarray(flow / np.where(drawdown > 0.0, drawdown, np.nan), dtype=np.float64)


def laminar_share(flow_m3_s: ArrayLike, *, drawdown_linear_s_m2: float,
                  drawdown_quadratic_s2_m5: float) -> NDArray[np.float64]:
    """
    Share of the drawdown that is linear in flow, B Q / (B Q + C Q^2); an upper bound on well efficiency.

    Parameters
    ----------
    flow_m3_s : array_like, any shape
        Above zero. [m3/s]
    drawdown_linear_s_m2 : float
        B. [s/m2]
    drawdown_quadratic_s2_m5 : float
        C. [s2/m5]

    Returns
    -------
    share : ndarray of float64
        [1]
    """
    flow = np.asarray(flow_m3_s, dtype=np.float64)
    return np.asarray(drawdown_linear_s_m2 / (drawdown_linear_s_m2 + drawdown_quadratic_s2_m5 * flow),
                      dtype=np.float64)
