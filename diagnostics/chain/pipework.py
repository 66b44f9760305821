"""Head lost between intake and outlet: pipe friction, fittings, strainer, and pressure held at the outlet."""

from dataclasses import dataclass

import numpy as np
from fluids.friction import friction_factor
from numpy.typing import ArrayLike, NDArray

from diagnostics.chain.water import STANDARD_GRAVITY_M_S2, density_kg_m3, viscosity_pa_s
from diagnostics.site import PipeRun, Pipework

Floats = NDArray[np.float64]

CHECK_VALVE_K = 2.0         # spring check valve, fully open; swing and ball types lie between 1.5 and 3 (Crane TP 410)
_CURVE_KNOTS = 121


def darcy_loss_m(flow_m3_s: ArrayLike, length_m: float, bore_m: float, roughness_m: float, *,
                 water_temperature_c: float = 20.0) -> Floats:
    """
    Friction head of a pipe after Darcy-Weisbach, factor after Colebrook (laminar below Re 2040), through `fluids`.

    Parameters
    ----------
    flow_m3_s : array_like, shape (n,)
        Not negative. [m3/s]
    length_m, bore_m, roughness_m : float
        Length, inside diameter, absolute roughness. [m]
    water_temperature_c : float, default 20
        [degC]

    Returns
    -------
    loss_m : ndarray, shape (n,)
        [m]
    """
    flow = np.asarray(flow_m3_s, dtype=np.float64)
    velocity = flow / (np.pi / 4.0 * bore_m**2)
    reynolds = np.ravel(density_kg_m3(water_temperature_c) * velocity * bore_m / viscosity_pa_s(water_temperature_c))
    factor = np.array([friction_factor(Re=float(re), eD=roughness_m / bore_m) if re > 0 else 0.0 for re in reynolds])
    return np.asarray(factor.reshape(flow.shape) * length_m / bore_m * velocity**2 / (2.0 * STANDARD_GRAVITY_M_S2),
                      dtype=np.float64)


def hazen_williams_loss_m(flow_m3_s: ArrayLike, length_m: float, bore_m: float, coefficient: float) -> Floats:
    """
    Friction head of a pipe after Hazen-Williams, SI form h = 10.67 L Q^1.852 / (C^1.852 D^4.8704).

    Parameters
    ----------
    flow_m3_s : array_like, shape (n,)
        [m3/s]
    length_m, bore_m : float
        [m]
    coefficient : float
        C of the pipe. [1]

    Returns
    -------
    loss_m : ndarray, shape (n,)
        [m]
    """
    flow = np.asarray(flow_m3_s, dtype=np.float64)
    return np.asarray(10.67 * length_m * flow**1.852 / (coefficient**1.852 * bore_m**4.8704), dtype=np.float64)


def fitting_loss_m(flow_m3_s: ArrayLike, bore_m: float, k: float) -> Floats:
    """
    Head lost in fittings, h = K v2 / 2g.

    Parameters
    ----------
    flow_m3_s : array_like, shape (n,)
        [m3/s]
    bore_m : float
        Bore the coefficient refers to. [m]
    k : float
        Sum of coefficients. [1]

    Returns
    -------
    loss_m : ndarray, shape (n,)
        [m]
    """
    velocity = np.asarray(flow_m3_s, dtype=np.float64) / (np.pi / 4.0 * bore_m**2)
    return np.asarray(k * velocity**2 / (2.0 * STANDARD_GRAVITY_M_S2), dtype=np.float64)


def run_loss_m(flow_m3_s: ArrayLike, run: PipeRun, *, water_temperature_c: float = 20.0) -> Floats:
    """
    Friction and fittings of one run, by Hazen-Williams where the sheet gives its coefficient, else by Darcy-Weisbach.

    Parameters
    ----------
    flow_m3_s : array_like, shape (n,)
        [m3/s]
    run : PipeRun
    water_temperature_c : float, default 20
        [degC]

    Returns
    -------
    loss_m : ndarray, shape (n,)
        [m]
    """
    if run.hazen_williams_c is not None:
        pipe = hazen_williams_loss_m(flow_m3_s, run.length_m, run.bore_m, run.hazen_williams_c)
    else:
        pipe = darcy_loss_m(flow_m3_s, run.length_m, run.bore_m, run.roughness_m,
                            water_temperature_c=water_temperature_c)
    return pipe + fitting_loss_m(flow_m3_s, run.bore_m, run.minor_loss_k)


@dataclass(frozen=True)
class LossCurve:
    """Head lost against flow, kept as h / Q on even steps of root flow so that straight lines between knots suffice."""

    flow_max_m3_s: float
    loss_per_flow: Floats

    def at(self, flow_m3_s: ArrayLike) -> Floats:
        """
        Read the loss.

        Parameters
        ----------
        flow_m3_s : array_like
            Beyond the last knot the loss grows with the square of flow. [m3/s]

        Returns
        -------
        loss_m : ndarray
            [m]
        """
        flow = np.asarray(flow_m3_s, dtype=np.float64)
        way = np.sqrt(np.clip(flow / self.flow_max_m3_s, 0.0, 1.0)) * (self.loss_per_flow.size - 1)
        slope = np.interp(way, np.arange(self.loss_per_flow.size), self.loss_per_flow)
        return np.asarray(slope * flow * np.maximum(flow / self.flow_max_m3_s, 1.0), dtype=np.float64)


@dataclass(frozen=True)
class PipeLosses:
    """Losses before the pump, in the riser, and after it; and the static pressure held at the outlet."""

    suction: LossCurve
    riser: LossCurve
    delivery: LossCurve
    outlet_pressure_head_m: float


def loss_curve(flow_max_m3_s: float, pieces: list[PipeRun], extra_k: float, extra_bore_m: float,
               water_temperature_c: float) -> LossCurve:
    """
    Tabulate the loss of several runs in a row.

    Parameters
    ----------
    flow_max_m3_s : float
        [m3/s]
    pieces : list of PipeRun
    extra_k : float
        Fittings beside those of the runs. [1]
    extra_bore_m : float
        Bore they refer to. [m]
    water_temperature_c : float
        [degC]

    Returns
    -------
    curve : LossCurve
    """
    flow = flow_max_m3_s * np.linspace(0.0, 1.0, _CURVE_KNOTS) ** 2
    loss = fitting_loss_m(flow, extra_bore_m, extra_k)
    for run in pieces:
        loss = loss + run_loss_m(flow, run, water_temperature_c=water_temperature_c)
    per_flow = np.zeros_like(flow)
    per_flow[1:] = loss[1:] / flow[1:]
    per_flow[0] = per_flow[1]
    return LossCurve(flow_max_m3_s, per_flow)


def pipe_losses(pipework: Pipework, flow_max_m3_s: float, water_temperature_c: float) -> PipeLosses:
    """
    Loss curves of a described pipework.

    Parameters
    ----------
    pipework : Pipework
        The first run is the riser.
    flow_max_m3_s : float
        Largest flow of interest. [m3/s]
    water_temperature_c : float
        [degC]

    Returns
    -------
    losses : PipeLosses
        Strainer on the suction side; check valves on the riser; one velocity head at the free outlet.
    """
    runs, suction = pipework.runs, pipework.suction
    first = suction or runs[0]
    weight = float(density_kg_m3(water_temperature_c)) * STANDARD_GRAVITY_M_S2
    exit_k = 1.0 if pipework.outlet_pressure_pa == 0 else 0.0
    return PipeLosses(
        loss_curve(flow_max_m3_s, [suction] if suction else [], pipework.strainer_loss_k, first.bore_m,
                   water_temperature_c),
        loss_curve(flow_max_m3_s, runs[:1], CHECK_VALVE_K * len(pipework.check_valve_depths_m), runs[0].bore_m,
                   water_temperature_c),
        loss_curve(flow_max_m3_s, runs[1:], exit_k, runs[-1].bore_m, water_temperature_c),
        pipework.outlet_pressure_pa / weight)


def drained_volume_m3(pipework: Pipework) -> float:
    """
    Water that runs back through a drain hole after every stop and has to be pumped again first.

    Parameters
    ----------
    pipework : Pipework

    Returns
    -------
    volume_m3 : float
        Riser between ground and hole; zero without one. A check valve above the hole is not looked for. [m3]
    """
    depth = pipework.weep_hole_depth_m
    return 0.0 if depth is None else float(np.pi / 4.0 * pipework.runs[0].bore_m ** 2 * depth)
