"""Pump ends: the speed and torque, or the input power, that a flow against a head asks for."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from diagnostics.chain.motor import MotorModel, motor_model
from diagnostics.chain.power_table_end import PowerTableEnd, power_table_end
from diagnostics.chain.pump_points import ShaftDemand, extended, straight_on
from diagnostics.chain.water import STANDARD_GRAVITY_M_S2
from diagnostics.health import Health
from diagnostics.site import POSITIVE_DISPLACEMENT, CurvePoint, Pump

Floats = NDArray[np.float64]

_CURVE_KNOTS = 1024
# Share of the shaft torque that lifts water at rated head, by family: outside these bounds the plate's power is not
# the power of this pump end, so the bound is taken. From memory of bench reports; a wide prior, not a datum.
# A plate is chosen above the duty: common practice leaves ten to twenty per cent.
PLATE_MARGIN = 1.15
MECHANICAL_EFFICIENCY = {"diaphragm_submersible": (0.45, 0.85), "helical_submersible": (0.55, 0.85),
                         "plunger_booster": (0.70, 0.95)}


@dataclass(frozen=True)
class CentrifugalEnd:
    """
    Head and shaft power at rated speed on a dense grid of flow, carried to other speeds by the affinity laws.

    At speed ratio r a flow q makes the head r^2 h(q / r). With x = q / r, H / q^2 = h(x) / x^2 falls with x alone, so
    the speed for a given flow and head is read from a table, without iteration.
    """

    rated_speed_rpm: float
    flow_grid: Floats
    head_grid: Floats
    power_grid: Floats
    best_flow_m3_s: float
    best_head_m: float
    last_printed_flow_m3_s: float
    first_printed_flow_m3_s: float
    density_kg_m3: float
    notes: tuple[str, ...] = field(default_factory=tuple)

    def internal_flow(self, flow_m3_s: Floats, head_m: Floats, health: Health) -> Floats:
        """
        Flow through the impellers: delivered plus what leaks back inside.

        Parameters
        ----------
        flow_m3_s, head_m : ndarray, same shape
            Through the pump end. [m3/s, m]
        health : Health

        Returns
        -------
        flow_m3_s : ndarray
            [m3/s]
        """
        leak = health.recirculation_ratio * self.best_flow_m3_s * np.sqrt(np.maximum(head_m, 0.0) / self.best_head_m)
        return np.asarray(flow_m3_s + leak, dtype=np.float64)

    def demand(self, flow_m3_s: Floats, head_m: Floats, health: Health) -> ShaftDemand:
        """
        Speed and torque for a flow against a head.

        Parameters
        ----------
        flow_m3_s, head_m : ndarray, same shape
            Through the pump end; heads below a centimetre count as a centimetre. [m3/s, m]
        health : Health

        Returns
        -------
        demand : ShaftDemand
        """
        flow = self.internal_flow(flow_m3_s, head_m, health)
        head = np.maximum(head_m, 0.01) / max(health.pump_head_ratio, 1e-3)
        x_grid = self.flow_grid[1:-1]
        steepness = np.log(self.head_grid[1:-1]) - 2.0 * np.log(x_grid)
        wanted = np.log(head) - 2.0 * np.log(np.maximum(flow, 1e-3 * x_grid[0]))
        x = np.exp(np.interp(-wanted, -steepness, np.log(x_grid)))
        x = np.where(wanted > steepness[0], flow * np.sqrt(self.head_grid[0] / head), x)
        ratio = np.sqrt(head / np.maximum(np.interp(x, self.flow_grid, self.head_grid), 1e-9))
        shaft = ratio**3 * np.interp(x, self.flow_grid, self.power_grid)
        speed = ratio * self.rated_speed_rpm
        return ShaftDemand(speed, shaft / (speed * np.pi / 30.0))

    def at_speed(self, flow_m3_s: Floats, head_m: Floats, speed_rpm: Floats, health: Health) -> tuple[Floats, Floats]:
        """
        Torque and developed head of a pump that is turned at a speed while something else holds its flow.

        Parameters
        ----------
        flow_m3_s, head_m : ndarray, same shape
            Through the pump end; about the head there, which drives what leaks back inside. [m3/s, m]
        speed_rpm : ndarray
            [rpm]
        health : Health

        Returns
        -------
        torque_n_m, head_m : ndarray
            By the affinity laws. [N m, m]
        """
        ratio = np.maximum(speed_rpm / self.rated_speed_rpm, 1e-3)
        x = self.internal_flow(flow_m3_s, head_m, health) / ratio
        shaft = ratio**3 * np.interp(x, self.flow_grid, self.power_grid)
        head = ratio**2 * np.interp(x, self.flow_grid, self.head_grid) * max(health.pump_head_ratio, 1e-3)
        return shaft / (speed_rpm * np.pi / 30.0), head

    def low_speed_penalty(self, speed_rpm: Floats) -> Floats:
        """
        Factor on shaft power for what the affinity laws leave out: efficiency falls as the speed does.

        Parameters
        ----------
        speed_rpm : ndarray
            [rpm]

        Returns
        -------
        factor : ndarray
            eta / (1 - (1 - eta) (rated / speed)^0.1) with the best efficiency at rated speed; 1 there. [1]

        References
        ----------
        I. Sarbu and I. Borza (1998), Periodica Polytechnica Mech. Eng. 42(2).
        """
        weight = self.density_kg_m3 * STANDARD_GRAVITY_M_S2
        shaft = float(np.interp(self.best_flow_m3_s, self.flow_grid, self.power_grid))
        best = float(np.clip(weight * self.best_flow_m3_s * self.best_head_m / shaft, 0.2, 0.9))
        ratio = np.clip(speed_rpm / self.rated_speed_rpm, 0.2, 1.5)
        return np.asarray(best / (1.0 - (1.0 - best) * ratio**-0.1), dtype=np.float64)

    def largest_flow(self, speed_max_rpm: float) -> float:
        """
        Flow at no head and top speed, the upper end of any table.

        Parameters
        ----------
        speed_max_rpm : float
            [rpm]

        Returns
        -------
        flow_m3_s : float
            [m3/s]
        """
        return float(self.flow_grid[-1] * speed_max_rpm / self.rated_speed_rpm)


@dataclass(frozen=True)
class DisplacementEnd:
    """
    Positive displacement: flow is displacement x speed less a slip that grows with head.

    Slip and loss torque stand against head; beyond their last point they run straight on.
    """

    displacement_m3_rev: float
    rated_speed_rpm: float
    heads_m: Floats
    slip_at_head_m3_s: Floats
    loss_torque_at_head_n_m: Floats
    density_kg_m3: float
    notes: tuple[str, ...] = field(default_factory=tuple)
    power_is_printed: bool = True

    def slip_m3_s(self, head_m: Floats, health: Health) -> Floats:
        """
        Water that slips back.

        Parameters
        ----------
        head_m : ndarray
            [m]
        health : Health

        Returns
        -------
        slip_m3_s : ndarray
            [m3/s]
        """
        return health.slip_ratio * straight_on(np.maximum(head_m, 0.0), self.heads_m, self.slip_at_head_m3_s)

    def demand(self, flow_m3_s: Floats, head_m: Floats, health: Health) -> ShaftDemand:
        """
        Speed and torque for a flow against a head.

        Parameters
        ----------
        flow_m3_s, head_m : ndarray, same shape
            [m3/s, m]
        health : Health

        Returns
        -------
        demand : ShaftDemand
        """
        displacement = self.displacement_m3_rev * max(health.displacement_ratio, 1e-6)
        speed = (flow_m3_s + self.slip_m3_s(head_m, health)) / displacement * 60.0
        head = np.maximum(head_m, 0.0)
        hydraulic = displacement * self.density_kg_m3 * STANDARD_GRAVITY_M_S2 * head / (2.0 * np.pi)
        return ShaftDemand(speed, hydraulic + straight_on(head, self.heads_m, self.loss_torque_at_head_n_m))

    def largest_flow(self, speed_max_rpm: float) -> float:
        """
        Flow at no slip and top speed.

        Parameters
        ----------
        speed_max_rpm : float
            [rpm]

        Returns
        -------
        flow_m3_s : float
            [m3/s]
        """
        return self.displacement_m3_rev * speed_max_rpm / 60.0


PumpEnd = CentrifugalEnd | DisplacementEnd | PowerTableEnd


def holds_torque(end: PumpEnd) -> bool:
    """
    Tell whether full torque stands from the first turn: positive displacement, however it is described.

    Parameters
    ----------
    end : PumpEnd

    Returns
    -------
    holds : bool
    """
    return isinstance(end, DisplacementEnd) or (isinstance(end, PowerTableEnd) and end.is_displacement)


def _falling(head: Floats) -> Floats:
    """Hold a head curve that rises from shut-off at its highest value, so that the stable branch is taken."""
    return np.asarray(np.maximum.accumulate(head[::-1])[::-1], dtype=np.float64)


def _shaft_from_input(input_w: Floats, speed_rpm: float, motor: MotorModel) -> Floats:
    """Turn motor input power at one speed into shaft power."""
    omega = speed_rpm * np.pi / 30.0
    torque = np.linspace(0.0, 1.05 * float(np.max(input_w)) / omega, 400)
    needed = motor.input_power_w(torque, np.full_like(torque, speed_rpm))
    return np.interp(input_w, needed, torque) * omega


def _curve_power(pump: Pump, points: list[CurvePoint], density: float) -> tuple[Floats, tuple[str, ...]]:
    """Shaft power at the printed points, in their order; estimated from the motor plate where nothing is printed."""
    flow, head = np.array([p.flow_m3_s for p in points]), np.array([p.head_m for p in points])
    given = np.array([np.nan if p.power_w is None else p.power_w for p in points])
    known = np.isfinite(given)
    if known.sum() >= 2:
        along = head.max() - head if pump.family in POSITIVE_DISPLACEMENT else flow
        order = np.argsort(along[known])
        power = np.interp(along, along[known][order], given[known][order])
        if pump.power_is == "input":
            power = _shaft_from_input(power, pump.rated_speed_rpm, motor_model(pump.motor))
        return power, ()
    hydraulic = density * STANDARD_GRAVITY_M_S2 * flow * head
    best = int(np.argmax(hydraulic))
    plate = pump.motor.rated_power_w * pump.motor.rated_efficiency
    at_best = float(np.clip(plate, hydraulic[best] / 0.72, hydraulic[best] / 0.30))
    share = flow / max(flow[best], 1e-9)
    return (at_best * np.interp(share, [0.0, 1.0, 2.0], [0.55, 1.0, 1.15]),
            ("The curve prints no power: shaft power is estimated from the motor plate, with a wider interval.",))


def centrifugal_end(pump: Pump, density_kg_m3: float) -> CentrifugalEnd:
    """
    Centrifugal pump end from its printed head-flow-power points.

    Parameters
    ----------
    pump : Pump
        With a curve at rated speed.
    density_kg_m3 : float
        [kg/m3]

    Returns
    -------
    end : CentrifugalEnd
        Printed points are met exactly; beyond them the curve runs straight on and a note says so.
    """
    flow = np.array([p.flow_m3_s for p in pump.curve])
    head = np.array([p.head_m for p in pump.curve])
    power, notes = _curve_power(pump, pump.curve, density_kg_m3)
    slope = min((head[-1] - head[-2]) / (flow[-1] - flow[-2]), -1e-6 * head[0] / flow[-1])
    run_out = flow[-1] + 0.995 * head[-1] / -slope if head[-1] > 0 else flow[-1]
    run_out = min(run_out, 1.6 * flow[-1])
    # Every printed flow is a knot, so that printed points come back exactly.
    grid = np.unique(np.concatenate([run_out * np.linspace(0.0, 1.0, _CURVE_KNOTS) ** 1.5, flow]))
    heads = np.maximum(_falling(extended(flow, head, grid, falling_to_zero=True)), 1e-6 * head[0])
    powers = np.maximum(extended(flow, power, grid, falling_to_zero=False), 0.2 * float(np.min(power)))
    overall = grid * heads / powers
    best = int(np.argmax(np.where(grid <= flow[-1], overall, 0.0)))
    return CentrifugalEnd(pump.rated_speed_rpm, grid, heads, powers, float(grid[best]), float(heads[best]),
                          float(flow[-1]), float(flow[0]), density_kg_m3, notes)


def displacement_end(pump: Pump, density_kg_m3: float) -> DisplacementEnd:
    """
    Positive-displacement pump end from displacement, volumetric efficiency and motor plate.

    Parameters
    ----------
    pump : Pump
        With displacement, volumetric efficiency and rated head.
    density_kg_m3 : float
        [kg/m3]

    Returns
    -------
    end : DisplacementEnd
    """
    displacement, volumetric, head = pump.displacement_m3_rev, pump.volumetric_efficiency, pump.rated_head_m
    if displacement is None or volumetric is None or head is None:
        raise ValueError(f"pump {pump.key} has no displacement; describe it with displacement, volumetric_efficiency "
                         "and rated_head, or use its curve.")
    low, high = MECHANICAL_EFFICIENCY.get(pump.family, (0.5, 0.9))
    hydraulic = displacement * density_kg_m3 * STANDARD_GRAVITY_M_S2 * head / (2.0 * np.pi)
    omega = pump.motor.rated_speed_rpm * np.pi / 30.0
    plate = pump.motor.rated_power_w * pump.motor.rated_efficiency / omega / PLATE_MARGIN
    share = float(np.clip(hydraulic / plate, low, high))
    notes = () if low <= hydraulic / plate <= high else (
        "The motor plate does not fit displacement and rated head: a usual mechanical efficiency is taken instead.",)
    slip = (1.0 - volumetric) * displacement * pump.rated_speed_rpm / 60.0
    loss = hydraulic * (1.0 / share - 1.0)
    return DisplacementEnd(displacement, pump.rated_speed_rpm, np.array([0.0, head]), np.array([0.0, slip]),
                           np.array([0.5 * loss, loss]), density_kg_m3, notes, power_is_printed=False)


def displacement_end_from_curve(pump: Pump, density_kg_m3: float) -> DisplacementEnd:
    """
    Positive-displacement pump end from flow and power printed against head at rated speed.

    Parameters
    ----------
    pump : Pump
        With a curve; its flow at no head, run on from the two lowest heads, tells the displacement.
    density_kg_m3 : float
        [kg/m3]

    Returns
    -------
    end : DisplacementEnd
    """
    points = sorted(pump.curve, key=lambda p: p.head_m)
    head, flow = np.array([p.head_m for p in points]), np.array([p.flow_m3_s for p in points])
    power, notes = _curve_power(pump, points, density_kg_m3)
    if head[0] > 0:
        fall = min((flow[1] - flow[0]) / (head[1] - head[0]), 0.0)
        head, flow = np.insert(head, 0, 0.0), np.insert(flow, 0, flow[0] - fall * head[0])
        power = np.insert(power, 0, max(power[0] - (power[1] - power[0]) / (head[2] - head[1]) * head[1],
                                        0.1 * power[0]))
    displacement = flow[0] / (pump.rated_speed_rpm / 60.0)
    slip = np.maximum.accumulate(flow[0] - flow)
    hydraulic = displacement * density_kg_m3 * STANDARD_GRAVITY_M_S2 * head / (2.0 * np.pi)
    loss = np.maximum(power / (pump.rated_speed_rpm * np.pi / 30.0) - hydraulic, 0.02 * hydraulic[-1])
    return DisplacementEnd(float(displacement), pump.rated_speed_rpm, head, slip, loss, density_kg_m3, notes)


def pump_end(pump: Pump, density_kg_m3: float) -> PumpEnd:
    """
    Pump end by whatever describes it.

    Parameters
    ----------
    pump : Pump
    density_kg_m3 : float
        [kg/m3]

    Returns
    -------
    end : PumpEnd
    """
    if pump.curve and pump.family in POSITIVE_DISPLACEMENT:
        return displacement_end_from_curve(pump, density_kg_m3)
    if pump.curve:
        return centrifugal_end(pump, density_kg_m3)
    if pump.power_table:
        return power_table_end(pump)
    return displacement_end(pump, density_kg_m3)
