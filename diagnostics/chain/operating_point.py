"""The operating point, solved once per site and state of health onto tables over power and water level."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnostics.chain.drive import CONDUCTION_SHARE, DriveModel, drive_model
from diagnostics.chain.ejector import JetPipes, jet_balance, jet_pipes
from diagnostics.chain.motor import DirectCurrentMotor, MotorModel, motor_model
from diagnostics.chain.pipework import PipeLosses, pipe_losses
from diagnostics.chain.power_table_end import PowerTableEnd
from diagnostics.chain.power_table_speed import coupled_table_end
from diagnostics.chain.pump_end import CentrifugalEnd, DisplacementEnd, PumpEnd, pump_end
from diagnostics.chain.pump_points import ShaftDemand
from diagnostics.chain.table import LevelTable
from diagnostics.chain.water import STANDARD_GRAVITY_M_S2, density_kg_m3, suction_head_available_m
from diagnostics.health import Health
from diagnostics.site import SURFACE, Site

Floats = NDArray[np.float64]

LEVEL_KNOTS = 25
POWER_KNOTS = 97
_FLOW_KNOTS = 240
# Standard winter drain hole of 1/16 inch; discharge coefficient of a sharp-edged orifice.
WEEP_HOLE_DIAMETER_M = 0.0015875
_ORIFICE = 0.6


@dataclass(frozen=True)
class WaterSide:
    """What of a site does not change with its health: pipes, pump end, density, the range of levels."""

    losses: PipeLosses
    end: PumpEnd
    density_kg_m3: float
    flow_top_m3_s: float
    level_deepest_m: float | None       # where the water must not fall below: probe or intake
    weep_m3_s_per_sqrt_m: float
    jet: JetPipes | None = None


def drive_of(site: Site, health: Health) -> DriveModel:
    """
    Drive of a site in a state of health; on a battery bus the bus voltage is all a DC motor gets.

    Parameters
    ----------
    site : Site
    health : Health

    Returns
    -------
    drive : DriveModel
    """
    bus = None
    if site.drive.kind == "battery_bus" and site.battery is not None and site.pump.motor.kind != "induction":
        # Passed straight through, the bus still loses what the drive's switches and leads drop.
        bus = site.battery.nominal_voltage_v * (1.0 - CONDUCTION_SHARE * (1.0 - site.drive.rated_efficiency))
    return drive_model(site.drive, site.pump, health, bus_voltage_v=bus)


def water_side(site: Site) -> WaterSide:
    """
    Prepare pipes and pump end of a site.

    Parameters
    ----------
    site : Site

    Returns
    -------
    side : WaterSide
    """
    temperature = site.well.water_temperature_c
    density = float(density_kg_m3(temperature))
    end = pump_end(site.pump, density)
    if site.drive.kind == "direct" and isinstance(end, PowerTableEnd):
        end = coupled_table_end(end, site.pump)
    top = 1.02 * end.largest_flow(drive_of(site, Health()).speed_max_rpm)
    deepest = site.well.pump_setting_depth_m
    if site.well.low_water_probe_depth_m is not None and site.drive.has_low_water_stop:
        deepest = site.well.low_water_probe_depth_m
    weep = 0.0
    if site.pipework.weep_hole_depth_m is not None:
        weep = _ORIFICE * np.pi / 4.0 * WEEP_HOLE_DIAMETER_M**2 * float(np.sqrt(2.0 * STANDARD_GRAVITY_M_S2))
    jet = None
    if site.pump.ejector is not None and isinstance(end, CentrifugalEnd):
        jet = jet_pipes(site, site.pump.ejector, top, temperature)
    return WaterSide(pipe_losses(site.pipework, top, temperature), end, density, top, deepest, weep, jet)


@dataclass(frozen=True)
class LoadLine:
    """Everything that follows from a delivered flow at an aquifer level; arrays (levels, flows)."""

    levels_m: Floats
    flow_m3_s: Floats           # (flows,), delivered
    pumping_level_m: Floats
    head_m: Floats
    suction_margin_m: Floats | None     # NPSH available less required; None where the pump hangs in the water
    speed_rpm: Floats
    torque_n_m: Floats
    motor_power_w: Floats
    motor_voltage_v: Floats
    motor_current_a: Floats
    drive_power_w: Floats
    beyond_printed_m3_s: Floats | None = None   # flow less the one at which a printed system is at its own limit


def delivery_head_m(site: Site, side: WaterSide, flow_m3_s: Floats, health: Health) -> Floats:
    """
    Head needed above the wellhead's ground level for a delivered flow.

    Parameters
    ----------
    site : Site
    side : WaterSide
    flow_m3_s : ndarray
        Delivered. [m3/s]
    health : Health

    Returns
    -------
    head_m : ndarray
        Outlet height, held pressure, friction of the delivery line, and what health adds. [m]
    """
    static = site.pipework.outlet_height_m + side.losses.outlet_pressure_head_m + health.extra_static_head_m
    return static + side.losses.delivery.at(flow_m3_s) + health.delivery_loss_s2_m5 * flow_m3_s**2


def _pumped_flow(site: Site, side: WaterSide, flow: Floats, level: Floats, ground_head: Floats,
                 health: Health) -> Floats:
    """Flow through the pump: delivered, plus what leaves by a hole in the riser or by the drain hole."""
    pumped = flow
    if health.riser_leak_m3_s_per_sqrt_m > 0.0:
        pumped = pumped + health.riser_leak_m3_s_per_sqrt_m * np.sqrt(np.maximum(level + ground_head, 0.0))
    if side.weep_m3_s_per_sqrt_m > 0.0:
        depth = site.pipework.weep_hole_depth_m or 0.0
        pumped = pumped + side.weep_m3_s_per_sqrt_m * np.sqrt(np.maximum(ground_head + depth, 0.0))
    return pumped


def suction_required_m(site: Site, end: PumpEnd, flow_m3_s: Floats, speed_rpm: Floats) -> Floats:
    """
    NPSH that a pump asks for, carried from its rated point by the affinity laws.

    Two thirds stand at any flow, the rest grows with the square of flow over best flow, as most printed curves do
    (from memory); all of it goes with the square of speed. A displacement pump asks with the square of its flow.

    Parameters
    ----------
    site : Site
    end : PumpEnd
    flow_m3_s, speed_rpm : ndarray, same shape
        Through the pump; where the speed is not known it counts as rated. [m3/s, rpm]

    Returns
    -------
    required_m : ndarray
        [m]
    """
    best = end.largest_flow(end.rated_speed_rpm) if isinstance(end, DisplacementEnd) else end.best_flow_m3_s
    ratio = np.nan_to_num(speed_rpm / end.rated_speed_rpm, nan=1.0)
    share = 0.65 * ratio**2 + 0.35 * (flow_m3_s / max(best, 1e-9)) ** 2
    return np.asarray(site.pump.npsh_required_m * share, dtype=np.float64)


def load_line(site: Site, side: WaterSide, drive: DriveModel, motor: MotorModel, levels_m: Floats, health: Health, *,
              steady: bool) -> LoadLine:
    """
    Work out head, speed, torque, voltage, current and power for a grid of flows and aquifer levels.

    Every step is explicit in the delivered flow, so nothing is iterated.

    Parameters
    ----------
    site : Site
    side : WaterSide
    drive : DriveModel
    motor : MotorModel
    levels_m : ndarray, shape (levels,)
        Level in the aquifer at the well. [m]
    health : Health
    steady : bool
        True adds the aquifer's own linear drawdown for that flow; False leaves it to the caller, who lags it. [1]

    Returns
    -------
    line : LoadLine
    """
    flow = side.flow_top_m3_s * np.linspace(0.0, 1.0, _FLOW_KNOTS)[None, :] ** 2
    level = levels_m[:, None]
    ground_head = delivery_head_m(site, side, flow, health)
    pumped = _pumped_flow(site, side, np.broadcast_to(flow, (levels_m.size, flow.size)), level, ground_head, health)
    drawdown = site.well.drawdown_quadratic_s2_m5 * pumped**2
    if steady:
        drawdown = drawdown + site.well.drawdown_linear_s_m2 * pumped
    pumping_level = level + health.well_loss_ratio * drawdown
    suction_loss = side.losses.suction.at(pumped) + health.intake_loss_s2_m5 * pumped**2
    if side.jet is not None and site.pump.ejector is not None:
        shallow = site.pump.ejector.depth_m == 0.0
        above = np.broadcast_to(ground_head + (side.losses.riser.at(pumped) if shallow else 0.0), pumped.shape)
        required = np.full_like(pumped, 0.65 * site.pump.npsh_required_m)
        for _ in range(2):      # what the pump asks at its inlet hangs on its speed: once guessed, once known
            balance = jet_balance(site, site.pump.ejector, side.jet, side.losses, pumped, pumping_level,
                                  health.intake_loss_s2_m5 * pumped**2, above, required)
            head, through = balance.pump_head_m, balance.pump_flow_m3_s
            asked = side.end.demand(through, head, health)
            before, required = required, suction_required_m(site, side.end, through, asked.speed_rpm)
        margin: Floats | None = np.minimum(balance.suction_available_m - before + 0.01, balance.throat_available_m)
    else:
        head, through = pumping_level + ground_head + side.losses.riser.at(pumped) + suction_loss, pumped
        asked = side.end.demand(through, head, health)
        margin = None
        if site.pump.family in SURFACE:
            available = suction_head_available_m(site.pipework.pump_height_m + pumping_level, suction_loss,
                                                 altitude_m=site.altitude_m,
                                                 water_temperature_c=site.well.water_temperature_c)
            margin = available - suction_required_m(site, side.end, pumped, asked.speed_rpm)
    beyond = pumped - side.end.flow_limit(head) if isinstance(side.end, PowerTableEnd) else None
    if asked.torque_n_m is None:
        power = asked.input_power_w if asked.input_power_w is not None else np.full_like(head, np.nan)
        nothing = np.full_like(head, np.nan)
        return LoadLine(levels_m, flow[0], pumping_level, head, margin, asked.speed_rpm, nothing, power, nothing,
                        nothing, np.maximum.accumulate(power, axis=1), beyond)
    torque = asked.torque_n_m
    if margin is not None and isinstance(side.end, CentrifugalEnd):
        speed, torque, head = _held_by_suction(side.end, flow[0], through, head, margin, asked.speed_rpm, torque,
                                               health, is_jet=side.jet is not None)
        asked = ShaftDemand(speed, torque)
    if isinstance(side.end, CentrifugalEnd):
        torque = torque * side.end.low_speed_penalty(asked.speed_rpm)
    voltage, current = motor.terminals(torque, asked.speed_rpm)
    motor_power = motor.input_power_w(torque, asked.speed_rpm)
    taken = np.maximum.accumulate(drive.input_power_w(motor_power), axis=1)
    return LoadLine(levels_m, flow[0], pumping_level, head, margin, asked.speed_rpm, torque, motor_power,
                    voltage, current, taken, beyond)


def _held_by_suction(end: CentrifugalEnd, flow: Floats, through: Floats, head: Floats, margin: Floats, speed: Floats,
                     torque: Floats, health: Health, *, is_jet: bool) -> tuple[Floats, Floats, Floats]:
    """
    Speed, torque and head where the suction side gives no more water: more power only turns the pump faster.

    Beyond the flow at which no suction head is left, flow through the pump stays; behind an ejector that of its nozzle
    goes on with speed, only what its throat entrains stays. Speed takes the place of the flow that does not come.
    """
    speed, torque, head = speed.copy(), torque.copy(), head.copy()
    falls = np.minimum.accumulate(margin, axis=1)
    for row in np.flatnonzero((falls[:, 0] > 0.0) & (falls[:, -1] < 0.0)):
        last = float(np.interp(0.0, -falls[row], flow))
        over = flow > last
        through_last, head_last, speed_last = (float(np.interp(last, flow, values[row]))
                                               for values in (through, head, speed))
        ratio = flow[over] / last
        kept = last if is_jet else through_last
        held = kept + (through_last - kept) * ratio
        speed[row, over] = speed_last * ratio
        torque[row, over], head[row, over] = end.at_speed(held, head_last * ratio**2, speed[row, over], health)
    return speed, torque, head


def _flow_where(limit: float, quantity: Floats, flow: Floats) -> Floats:
    """Flow at which a quantity that grows with flow meets a limit, per level; infinite where it never does."""
    if not np.isfinite(limit) or np.isnan(quantity).all() or np.isneginf(quantity).all():
        return np.full(quantity.shape[0], np.inf)
    met = np.array([np.interp(limit, row, flow) for row in np.maximum.accumulate(quantity, axis=1)])
    return np.where(quantity[:, -1] <= limit, np.inf, np.where(quantity[:, 0] > limit, 0.0, met))


def flow_limit_m3_s(site: Site, side: WaterSide, line: LoadLine) -> Floats:
    """
    Largest flow that the source side allows at each level, whatever the power.

    Parameters
    ----------
    site : Site
    side : WaterSide
    line : LoadLine

    Returns
    -------
    limit_m3_s : ndarray, shape (levels,)
        By water at probe or intake, by suction head, by relief valve; infinite where none binds. [m3/s]
    """
    limit = np.full(line.levels_m.size, np.inf)
    if side.level_deepest_m is not None:
        limit = np.minimum(limit, _flow_where(side.level_deepest_m, line.pumping_level_m, line.flow_m3_s))
    if line.suction_margin_m is not None:
        limit = np.minimum(limit, _flow_where(0.0, -line.suction_margin_m, line.flow_m3_s))
    if site.pump.relief_pressure_pa is not None:
        relief = site.pump.relief_pressure_pa / (side.density_kg_m3 * STANDARD_GRAVITY_M_S2)
        limit = np.minimum(limit, _flow_where(relief, line.head_m - line.pumping_level_m, line.flow_m3_s))
    if site.pump.max_head_m is not None:
        limit = np.minimum(limit, _flow_where(site.pump.max_head_m, line.head_m, line.flow_m3_s))
    return limit


def power_table(line: LoadLine, drive: DriveModel) -> LevelTable:
    """
    Turn a load line into a table over power into the drive and aquifer level.

    Parameters
    ----------
    line : LoadLine
    drive : DriveModel
        Its limits end the table at each level.

    Returns
    -------
    table : LevelTable
        Columns flow_m3_s, speed_rpm, pumping_level_m, head_m, motor_voltage_v.
    """
    flow = line.flow_m3_s
    last = np.minimum.reduce([
        _flow_where(drive.speed_max_rpm, line.speed_rpm, flow),
        _flow_where(drive.output_power_max_w, line.motor_power_w, flow),
        _flow_where(drive.output_voltage_max_v, line.motor_voltage_v, flow),
        _flow_where(drive.input_power_max_w, line.drive_power_w, flow),
        np.full(line.levels_m.size, flow[-1])])
    if line.beyond_printed_m3_s is not None:
        last = np.minimum(last, _flow_where(0.0, line.beyond_printed_m3_s, flow))
    start = line.drive_power_w[:, 0].copy()
    end = np.array([np.interp(q, flow, row) for q, row in zip(last, line.drive_power_w, strict=True)])
    names = {"flow_m3_s": np.broadcast_to(flow, line.head_m.shape), "speed_rpm": line.speed_rpm,
             "pumping_level_m": line.pumping_level_m, "head_m": line.head_m, "motor_voltage_v": line.motor_voltage_v}
    way = np.linspace(0.0, 1.0, POWER_KNOTS) ** 2
    columns = {name: np.empty((line.levels_m.size, POWER_KNOTS)) for name in names}
    for row in range(line.levels_m.size):
        power = line.drive_power_w[row]
        # Where power stands still over flow (a limit inside the pump) the largest flow counts.
        wanted_flow = np.interp(start[row] + way * (end[row] - start[row]), power + 1e-9 * np.arange(power.size), flow)
        wanted_flow[0], wanted_flow[-1] = 0.0, last[row] if np.isfinite(last[row]) else flow[-1]
        for name, values in names.items():
            columns[name][row] = np.interp(wanted_flow, flow, values[row])
    return LevelTable(float(line.levels_m[0]), float(line.levels_m[-1]), start, end, columns)


def start_power_w(site: Site, line: LoadLine, drive: DriveModel, motor: MotorModel) -> Floats:
    """
    Power at which a standing pump breaks away and delivers, per level.

    Parameters
    ----------
    site : Site
    line : LoadLine
    drive : DriveModel
    motor : MotorModel

    Returns
    -------
    power_w : ndarray, shape (levels,)
        Never below the power at which delivery begins. [W]
    """
    begins = line.drive_power_w[:, 0]
    ratio = site.pump.breakaway_torque_ratio
    if np.isnan(line.torque_n_m[0, 0]):
        return np.asarray(begins * (1.0 + 0.3 * (ratio - 1.0)))
    torque = ratio * line.torque_n_m[:, 0]
    if isinstance(motor, DirectCurrentMotor):
        _, current = motor.terminals(torque, np.zeros_like(torque))
        stalled = current**2 * motor.resistance_ohm
    else:
        stalled = motor.rated_loss_w * 0.55 * (torque / motor.rated_torque_n_m) ** 2
    return np.maximum(begins, drive.input_power_w(stalled) if ratio > 1.0 else begins)


def least_power_w(side: WaterSide, line: LoadLine, drive: DriveModel) -> Floats:
    """
    Power below which the drive would have to turn the motor slower than it can, per level.

    A table of flow against power prints no speed: there a displacement pump's flow is taken to grow with speed up to
    the largest printed one at the drive's top speed.

    Parameters
    ----------
    side : WaterSide
    line : LoadLine
    drive : DriveModel

    Returns
    -------
    power_w : ndarray, shape (levels,)
        Zero where the drive has no lowest speed, or the pump's speed is not known. [W]
    """
    nothing = np.zeros(line.levels_m.size)
    if drive.speed_min_rpm <= 0.0:
        return nothing
    lowest = _flow_where(drive.speed_min_rpm, line.speed_rpm, line.flow_m3_s)
    if isinstance(side.end, PowerTableEnd):
        top = side.end.flow_limit(line.head_m[:, 0])
        if not side.end.is_displacement or not np.isfinite(top).all():
            return nothing
        slip = side.end.slip_m3_s_m * line.head_m[:, 0]
        lowest = drive.speed_min_rpm / drive.speed_max_rpm * (top + slip) - slip
    rows = zip(np.clip(lowest, 0.0, line.flow_m3_s[-1]), line.drive_power_w, strict=True)
    return np.array([np.interp(flow, line.flow_m3_s, power) if flow > 0.0 else 0.0 for flow, power in rows])


def level_axis(site: Site, side: WaterSide, health: Health) -> Floats:
    """
    Aquifer levels the tables must cover.

    Parameters
    ----------
    site : Site
    side : WaterSide
    health : Health

    Returns
    -------
    levels_m : ndarray, shape (LEVEL_KNOTS,)
        Even steps from above the highest static level to the deepest that can be pumped. [m]
    """
    well = site.well
    highest = well.static_water_level_m - well.static_level_season_m + min(health.extra_static_level_m, 0.0)
    lowest = well.static_water_level_m + well.static_level_season_m + max(health.extra_static_level_m, 0.0)
    above = 0.5 if well.kind == "open" else 2.0 + 0.2 * abs(well.static_water_level_m)
    below = 0.5 if well.kind == "open" else 2.0 + 0.1 * abs(well.static_water_level_m)
    reach = min(well.drawdown_linear_s_m2 * health.well_loss_ratio * side.flow_top_m3_s, 60.0)
    deepest = lowest + below + reach
    if side.level_deepest_m is not None:
        # Nothing is pumped from below the intake, and levels down to it may be measured.
        deepest = max(side.level_deepest_m + 0.5, lowest + below)
    return np.linspace(highest - above, deepest, LEVEL_KNOTS)


def motor_of(site: Site, health: Health) -> MotorModel:
    """
    Motor of a site in a state of health.

    Parameters
    ----------
    site : Site
    health : Health

    Returns
    -------
    motor : MotorModel
    """
    return motor_model(site.pump.motor, torque_ratio=health.motor_efficiency_ratio,
                       constant_ratio=health.motor_constant_ratio)
