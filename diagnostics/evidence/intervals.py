"""One table of intervals: what was read, what a sound site would have shown, and the state the site was in."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.chain.tank import volume_at_level
from diagnostics.evidence.load_line import LoadLineRows, load_line_rows, own_light_share, stands, surely_starts
from diagnostics.evidence.source_power import (
    calls_on_bus,
    motor_volts,
    on_bus,
    power_at_bus,
    power_into_drive,
    rated_on_bus,
)
from diagnostics.readings import Mask, SiteReadings
from diagnostics.settings import Settings
from diagnostics.site import SURFACE, Site

Vector = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Doubt that is itself evidence: the value is kept for the diagnosis, never for the delivered volume.
_EVIDENCE_BITS = int(Mask.STUCK | Mask.IMPOSSIBLE | Mask.SENSOR_DOUBT | Mask.NEGATIVE_FLOW | Mask.TOTAL_RESET
                     | Mask.CLOCK)
# Mornings from which a site's own start can be told.
LEAST_START_DAYS = 5
# Longest stand between two runs that low use may explain where no tank is logged. [h]
LONGEST_FULL_HOURS = 60.0
# Array voltage over the due one from which it is held back and not merely cool.
RAISED_VOLTAGE = 1.03
WEATHER_CHANNELS = ("poa_irradiance_w_m2", "global_horizontal_irradiance_w_m2", "diffuse_horizontal_irradiance_w_m2",
                    "direct_normal_irradiance_w_m2", "neighbour_global_horizontal_irradiance_w_m2",
                    "imported_global_horizontal_irradiance_w_m2", "air_temperature_c", "module_temperature_c",
                    "wind_speed_m_s")


@dataclass(frozen=True)
class Scales:
    """Sizes against which the site's readings are small or large."""

    rated_flow_m3_s: float
    rated_power_w: float
    threshold_power_w: float
    head_m: float
    rated_voltage_v: float
    friction_m: float = 0.0


@dataclass(frozen=True)
class Intervals:
    """Arrays of one site, all of the length of the readings; unknown is NaN."""

    index: pd.DatetimeIndex
    day: NDArray[np.intp]               # position in `days`
    days: pd.Index                      # local dates, complete from first to last
    hour: Vector                        # local clock hour of the interval's middle
    hours: Vector                       # length of the interval
    expected: pd.DataFrame              # what `expect` said
    read: dict[str, Vector]             # channels as evidence
    power_w: Vector                     # into the drive: array power, V times I where power itself is not logged
    flow_m3_s: Vector
    poa_w_m2: Vector
    sun_elevation_deg: Vector
    static_level_m: Vector              # measured rest level of the day, NaN where not logged
    sheet_level_m: Vector               # described rest level with its season
    flow_at_power_m3_s: Vector
    speed_at_power_rpm: Vector
    drawdown_at_flow_m: Vector
    pressure_at_flow_pa: Vector
    tank_volume_m3: Vector
    tank_full: Flags
    tank_known: Flags
    steadiness: Vector                  # 1 under steady sun, small where cloud edges pass
    near_cap: Flags                     # the sound drive is at its limit there, or would be in part of the interval
    should_run: Flags                   # sun enough, tank calling or unknown
    turning: Flags                      # power is taken, or water flows where power is not logged
    turning_known: Flags
    flowing: Flags
    flow_known: Flags
    scales: Scales
    own_limit: Flags | None = None          # the drive holds the array back at a power of its own
    open_voltage_v: Vector | None = None    # of the healthy array with nothing taken from it
    load_line: LoadLineRows | None = None   # of a site coupled directly
    bus_power_w: Vector | None = None       # healthy, into the drive at the battery's voltage
    bus_flow_m3_s: Vector | None = None     # healthy, at the battery's voltage
    stored: bool = False                    # a battery keeps for later what is not pumped now

    def channel(self, name: str) -> Vector:
        """Return one channel, all NaN where it is not logged."""
        found = self.read.get(name)
        return found if found is not None else np.full(len(self.index), np.nan)

    def has(self, name: str) -> bool:
        """Tell whether a channel holds at least one value."""
        return name in self.read and bool(np.isfinite(self.read[name]).any())


def evidence_values(readings: SiteReadings) -> dict[str, Vector]:
    """
    Return every channel with values kept where only their plausibility is in doubt.

    Parameters
    ----------
    readings : SiteReadings
        Values and masks.

    Returns
    -------
    read : dict of ndarray
        NaN where the value is unreadable, a sentinel, out of range, a spike, in conflict or interpolated; a value
        that repeats is kept only where it is zero, for a meter at rest repeats too.
    """
    read: dict[str, Vector] = {}
    for name in readings.values.columns:
        values = readings.values[name].to_numpy(dtype=np.float64)
        bits = readings.masks[name].to_numpy(dtype=np.int64)
        fatal = (bits & ~_EVIDENCE_BITS) != 0
        repeating = (bits & int(Mask.STUCK)) != 0
        fatal |= repeating & ~((values == 0.0) & (name in ("flow_m3_s", "draw_flow_m3_s")))
        read[name] = np.where(fatal, np.nan, values)
    return read


def local_days(site: Site, readings: SiteReadings, as_of_utc: pd.Timestamp | None
               ) -> tuple[NDArray[np.intp], pd.Index, Vector]:
    """Return position of each interval's local day, the complete days, and the local hour of its middle."""
    local = readings.mid_interval_utc().tz_convert(site.timezone)
    naive = local.tz_localize(None)
    midnight = naive.normalize()
    last = midnight[-1]
    if as_of_utc is not None:
        reached = (as_of_utc.tz_convert(site.timezone) - pd.Timedelta(seconds=1)).tz_localize(None).normalize()
        last = max(last, reached)
    days = pd.date_range(midnight[0], last, freq="D")
    position = ((midnight - days[0]) // pd.Timedelta(days=1)).to_numpy().astype(np.intp)
    hour = ((naive - midnight) / pd.Timedelta(hours=1)).to_numpy().astype(np.float64)
    return position, pd.Index(days.date, name="day"), hour


def build_intervals(site: Site, readings: SiteReadings, expected: pd.DataFrame, model: Any, settings: Settings,
                    *, as_of_utc: pd.Timestamp | None = None) -> Intervals:
    """
    Put readings, expectation and states of one site beside each other.

    Parameters
    ----------
    site : Site
        Description.
    readings : SiteReadings
        Values with masks.
    expected : pandas.DataFrame
        Result of `expect` on the same index.
    model : SiteModel or None
        Healthy model; None where the chain of this site cannot be reckoned.
    settings : Settings
        Thresholds.
    as_of_utc : pandas.Timestamp, optional
        Time up to which readings should have come.

    Returns
    -------
    intervals : Intervals
        Everything later steps need, without loops over rows.
    """
    read = evidence_values(readings)
    day, days, hour = local_days(site, readings, as_of_utc)
    index = pd.DatetimeIndex(readings.values.index)
    n = len(index)
    unknown = np.full(n, np.nan)
    hours = readings.interval_s.to_numpy(dtype=np.float64) / 3600.0
    elevation = expected["sun_elevation_deg"].to_numpy(dtype=np.float64)
    by_array = site.wind is None and not on_bus(site)
    power = _measured_power(read, unknown) if by_array else power_into_drive(site, model, read, elevation)
    flow = read.get("flow_m3_s", unknown)
    static = _rest_level_of_day(read, elevation, hour, day, len(days), flow, unknown)
    if model is not None:
        sheet = np.broadcast_to(np.asarray(model.static_level(index), dtype=np.float64), n).copy()
        taken = np.where(np.isfinite(static), static, sheet)
        at_power = np.asarray(model.flow_at_power(power, static_level_m=taken), dtype=np.float64)
        speed_at_power = np.asarray(model.speed_at_power(power, static_level_m=taken), dtype=np.float64)
        level_at_flow = np.asarray(model.pumping_level_at_flow(np.maximum(flow, 0.0), static_level_m=taken))
        drawdown = np.asarray(level_at_flow - taken, dtype=np.float64)
        pressure = gauge_pressure(site, model, np.maximum(flow, 0.0))
        scales = site_scales(site, model)
    else:
        sheet, at_power, speed_at_power, drawdown, pressure = unknown, unknown, unknown, unknown, unknown
        scales = Scales(np.nan, np.nan, np.nan, np.nan, np.nan)
    offered = expected["poa_irradiance_w_m2"].to_numpy(dtype=np.float64)
    if site.array is None and np.isfinite(scales.rated_power_w):
        # Steadiness of the wind: its power over rated, on the scale of the sun.
        offered = expected["array_power_available_w"].to_numpy(dtype=np.float64) * (1000.0 / scales.rated_power_w)
    steady = _steadiness(offered)
    load_line = load_line_rows(site, model, expected["poa_irradiance_w_m2"].to_numpy(dtype=np.float64),
                               expected["cell_temperature_c"].to_numpy(dtype=np.float64),
                               expected["expected_flow_m3_s"].to_numpy(dtype=np.float64))
    full, tank_known = _tank_full(site, read, n)
    x_flow = expected["expected_flow_m3_s"].to_numpy(dtype=np.float64)
    x_power = expected["expected_array_power_w"].to_numpy(dtype=np.float64)
    due_flow = _due_flow(model, power, flow, x_power, x_flow, day, len(days), sheet) if not on_bus(site) else x_flow
    with np.errstate(invalid="ignore"):
        should = (due_flow > 0.25 * scales.rated_flow_m3_s) & ((elevation > 3.0) | (site.array is None))
        flowing = flow > np.maximum(0.03 * scales.rated_flow_m3_s, 1.5 * site.flow_meter.floor_m3_s)
        power_known = np.isfinite(power)
        idle_power = _idle_power(site, x_power, scales) if not on_bus(site) else 0.25 * scales.rated_power_w
        turning = np.where(power_known, power > idle_power, flowing)
        # Near open circuit with hardly any current only the electronics are awake.
        voltage, current = read.get("array_voltage_v", unknown), read.get("array_current_a", unknown)
        idle = ((voltage > 1.05 * expected["expected_array_voltage_v"].to_numpy(dtype=np.float64))
                & (current < 0.15 * expected["expected_array_current_a"].to_numpy(dtype=np.float64)))
        if by_array:
            turning = turning & ~(idle & ~flowing)
        if on_bus(site):
            should = calls_on_bus(site, read, tank_known, unknown)
        if site.array is not None and by_array:
            light = expected["poa_irradiance_w_m2"].to_numpy(dtype=np.float64)
            should = should & (light > _own_start(light, turning.astype(bool), day))
            cell = expected["cell_temperature_c"].to_numpy(dtype=np.float64)
            if load_line is not None:
                due_volts = expected["expected_array_voltage_v"].to_numpy(dtype=np.float64)
                shorted = stands(voltage, current, due_volts, load_line)
                light = light * own_light_share(shorted, current, load_line, day, len(days))
                should = should & surely_starts(site, model, light, cell, sheet)
    # A pump that turns is not held by its float, whatever level the float is thought to sit at.
    if not np.isfinite(read.get("tank_full_ratio", unknown)).any():
        full = full & ~turning.astype(bool)
    if site.tank is not None and site.drive.has_float_input and not tank_known.any():
        full = full | _probably_full(site, turning.astype(bool), should, index)
    # A load without electronics has no limit; where it puts the array is its load line.
    held_back = np.zeros(n, dtype=bool) if site.drive.kind == "direct" else own_limit(
        power, x_power, read.get("array_voltage_v", unknown),
        expected["expected_array_voltage_v"].to_numpy(dtype=np.float64), steady, day, len(days))
    at_bus = _at_bus(site, model, read, taken) if model is not None and on_bus(site) else (None, None)
    return Intervals(
        index=index, day=day, days=days, hour=hour, hours=hours, expected=expected, read=read, power_w=power,
        flow_m3_s=flow, poa_w_m2=expected["poa_irradiance_w_m2"].to_numpy(dtype=np.float64),
        sun_elevation_deg=elevation, static_level_m=static, sheet_level_m=sheet, flow_at_power_m3_s=at_power,
        speed_at_power_rpm=speed_at_power, drawdown_at_flow_m=drawdown, pressure_at_flow_pa=pressure,
        tank_volume_m3=_stored(site, read.get("tank_level_m", unknown)), tank_full=full,
        tank_known=tank_known, steadiness=steady, near_cap=_near_cap(expected, x_power, steady),
        should_run=should & ~full, turning=turning.astype(bool),
        load_line=load_line,
        turning_known=power_known | np.isfinite(flow), flowing=flowing, flow_known=np.isfinite(flow), scales=scales,
        own_limit=held_back if by_array else None, open_voltage_v=_open_voltage(model, expected),
        bus_power_w=at_bus[0], bus_flow_m3_s=at_bus[1], stored=on_bus(site))


def _at_bus(site: Site, model: Any, read: dict[str, Vector], level_m: Vector) -> tuple[Vector | None, Vector | None]:
    """Healthy power into the drive and flow at the battery's voltage; None where no motor voltage is described."""
    voltage = read.get("battery_voltage_v")
    if voltage is None:
        return None, None
    power = power_at_bus(model, motor_volts(site, voltage), level_m)
    if not np.isfinite(power).any():
        return None, None
    return power, np.asarray(model.flow_at_power(power, static_level_m=level_m), dtype=np.float64)


def _open_voltage(model: Any, expected: pd.DataFrame) -> Vector | None:
    if model is None:
        return None
    return np.asarray(model.open_circuit_voltage(expected["poa_irradiance_w_m2"].to_numpy(dtype=np.float64),
                                                 expected["cell_temperature_c"].to_numpy(dtype=np.float64)))


def site_scales(site: Site, model: Any) -> Scales:
    """Return rated flow and power, start power, total head and array voltage of the healthy site."""
    rated_flow, rated_power = float(model.rated_flow_m3_s), float(model.rated_array_power_w)
    if on_bus(site):
        rated_flow, rated_power = rated_on_bus(site, model)
    at_rated = np.array([rated_flow])
    level = float(np.asarray(model.pumping_level_at_flow(at_rated), dtype=np.float64).ravel()[0])
    losses = model.side.losses
    friction = sum(float(np.asarray(part.at(at_rated)).ravel()[0])
                   for part in (losses.suction, losses.riser, losses.delivery))
    head = abs(level + site.pipework.outlet_height_m) + friction + site.pipework.outlet_pressure_pa / (998.2 * 9.80665)
    head = max(head, 0.5)
    voltage = np.nan
    if site.array is not None:
        voltage = site.array.module.vmp_v * site.array.modules_in_series
    threshold = float(np.asarray(model.threshold_power_w(), dtype=np.float64).ravel()[0])
    return Scales(rated_flow, rated_power, threshold, head, voltage, friction)


def gauge_pressure(site: Site, model: Any, flow_m3_s: Vector) -> Vector:
    """
    Return the healthy gauge pressure at a flow: at the wellhead of a well, at the pump of a surface pump.

    Parameters
    ----------
    site : Site
        Description.
    model : SiteModel
        Any health.
    flow_m3_s : ndarray, shape (n,)
        True flow. [m3/s]

    Returns
    -------
    pressure_pa : ndarray, shape (n,)
        A surface pump has no riser: its gauge sees all pipes. [Pa]
    """
    pressure = np.asarray(model.outlet_pressure_at_flow(flow_m3_s), dtype=np.float64)
    if site.pump.family in SURFACE:
        pressure = pressure + np.asarray(model.side.losses.riser.at(flow_m3_s), dtype=np.float64) * 998.2 * 9.80665
    return pressure


def _steadiness(sun: Vector) -> Vector:
    """Return a weight near 1 under steady sun and small where cloud edges pass, for sensors sample at other moments."""
    before = np.abs(np.diff(sun, prepend=np.nan))
    after = np.abs(np.diff(sun, append=np.nan))
    swing = np.fmax(before, after)
    with np.errstate(invalid="ignore"):
        weight = 1.0 / (1.0 + (swing / (0.15 * (sun + 60.0))) ** 2)
    return np.where(np.isfinite(weight), weight, 0.3)


def _near_cap(expected: pd.DataFrame, x_power: Vector, steady: Vector) -> Flags:
    """
    Say where the sound drive is at its own limit, or was for part of an unsteady interval.

    Under moving cloud an interval whose mean lies just below the limit was above it for part of the time, and took
    less than its mean sun would give.
    """
    capped = np.asarray(expected["expected_state"].astype(str) == "capped")
    if not capped.any():
        return capped
    with np.errstate(invalid="ignore"):
        limit = float(np.nanquantile(x_power[capped], 0.05))
        return capped | (x_power > 0.97 * limit) | ((x_power > 0.75 * limit) & (steady < 0.7))


def own_limit(power: Vector, x_power: Vector, voltage: Vector, x_voltage: Vector, steady: Vector,
              group: NDArray[np.intp], groups: int) -> Flags:
    """
    Say where the drive holds the array back at a limit of its own, whatever its sheet says of one.

    There the array stands above its best voltage with less current than due, near the most that is taken that day:
    such a reading tells of the limit and nothing of the array. Dirt, shade and joints lower the power without raising
    the voltage; a drive that holds a wrong voltage does so at every sun, and stays in evidence below three quarters of
    the day's most.

    Parameters
    ----------
    power, x_power : ndarray, shape (n,)
        Taken, and due from the sound array. [W]
    voltage, x_voltage : ndarray, shape (n,)
        Of the array, measured and due. [V]
    steady : ndarray, shape (n,)
        1 under steady sun, small where cloud edges pass. [1]
    group : ndarray of int, shape (n,)
        Day of each row.
    groups : int
        Number of days.

    Returns
    -------
    held_back : ndarray of bool, shape (n,)
        False where voltage or power is not known.
    """
    with np.errstate(invalid="ignore"):
        # A little above its best voltage an array gives nearly all of its power: voltage tells before power does.
        backed = (power > 0.2 * x_power) & (voltage > RAISED_VOLTAGE * x_voltage) & (
            power * x_voltage < 0.98 * x_power * voltage)
    if not backed.any():
        return np.zeros(len(power), dtype=bool)
    known = np.isfinite(power) & (power > 0.0)
    top = pd.Series(power[known]).groupby(group[known]).quantile(0.95)
    most = top.reindex(range(groups)).to_numpy(dtype=np.float64)
    with np.errstate(invalid="ignore"):
        # Motors near their own voltage limit take more with more sun, yet ever less of it.
        held = backed & (power > 0.75 * most[group])
        # Under moving cloud an interval was held back for a part of its time only.
        by_day = np.bincount(group[held], minlength=groups) > 0
        return np.asarray(held | (by_day[group] & (x_power > 0.75 * most[group]) & (steady < 0.7)))


def _probably_full(site: Site, turning: Flags, should: Flags, end_utc: pd.DatetimeIndex) -> Flags:
    """
    Say where a pump with a float stands between two runs, when neither float nor level is logged.

    A pump that stands and then runs again by itself does what a full tank makes it do, at any hour of the day; without
    float or level it cannot be told from a drive that trips, and the normal state is taken. Two days and a half
    without a run are still what low use does; a longer stand is not excused, nor any part of it. Nor is one so short
    that it is the pause after a low-water stop: a tank that was full takes longer to be drawn down.
    """
    stamp = end_utc.as_unit("s").asi8.astype(np.float64) / 3600.0
    ran = np.where(turning, stamp, np.nan)
    before = pd.Series(ran).ffill().fillna(stamp[0]).to_numpy(dtype=np.float64)
    after = pd.Series(ran).bfill().fillna(stamp[-1]).to_numpy(dtype=np.float64)
    pause_h = 2.0 * site.drive.low_water_restart_delay_s / 3600.0 if site.drive.has_low_water_stop else 0.0
    stood = after - before
    return np.asarray(should & ~turning & (stood > min(pause_h, 2.0)) & (stood < LONGEST_FULL_HOURS))


def _own_start(poa: Vector, turning: Flags, day: NDArray[np.intp]) -> float:
    """
    Return the light below which this site is not expected to start: what it has itself been seen to need. [W/m2]

    Start thresholds and restart delays are rarely printed as they are, and a dull day below the light in which a pump
    starts every morning is no stop. Taken from the first turning reading of each day; not above 350 W/m2, so that a
    site that its float holds until noon is still asked why it stands in full sun.
    """
    ran = np.flatnonzero(turning & np.isfinite(poa))
    if ran.size == 0:
        return 0.0
    first = ran[np.concatenate(([True], day[ran][1:] != day[ran][:-1]))]
    if len(first) < LEAST_START_DAYS:
        return 0.0
    return min(1.2 * float(np.median(poa[first])), 350.0)


def _due_flow(model: Any, power: Vector, flow: Vector, x_power: Vector, x_flow: Vector, day: NDArray[np.intp],
              days: int, sheet: Vector) -> Vector:
    """
    Return the flow that this site's own array would drive.

    A weak array stands on a dull day without anything being wrong with the drive: the power that was missing on the
    days around is taken off before an interval counts as one in which the pump should have run. Where no power is
    logged the missing flow stands for it: power is short by no more than flow, for below a threshold none comes.
    """
    if model is None:
        return x_flow
    seen, healthy = (power, x_power) if np.isfinite(power).any() else (flow, x_flow)
    with np.errstate(invalid="ignore"):
        running = np.isfinite(seen) & (healthy > 0.0) & (seen > 0.2 * healthy)
    got = np.bincount(day[running], weights=seen[running], minlength=days)
    due = np.bincount(day[running], weights=healthy[running], minlength=days)
    with np.errstate(invalid="ignore", divide="ignore"):
        # Only days on which it ran for a good part tell what the array gives.
        offered = np.bincount(day, weights=np.nan_to_num(healthy), minlength=days)
        by_day = pd.Series(np.where(due > 0.3 * offered, got / due, np.nan))
    ratio = by_day.rolling(21, center=True, min_periods=1).median()
    share = np.clip(ratio.ffill().bfill().fillna(1.0).to_numpy(dtype=np.float64), 0.2, 1.0)[day]
    driven = np.asarray(model.flow_at_power(0.9 * share * x_power, static_level_m=sheet), dtype=np.float64)
    return np.minimum(x_flow, driven)


def _idle_power(site: Site, x_power: Vector, scales: Scales) -> Vector:
    """Power below which nothing turns: a share of what is due, and the drive's own standby with room for its spread."""
    standby = 0.0 if site.drive.kind == "direct" else 2.5 * site.drive.standby_power_w
    return np.maximum(np.maximum(0.08 * x_power, 0.01 * scales.rated_power_w),
                      min(standby, 0.25 * scales.rated_power_w))


def _measured_power(read: dict[str, Vector], unknown: Vector) -> Vector:
    product = read.get("array_voltage_v", unknown) * read.get("array_current_a", unknown)
    direct = read.get("array_power_w", unknown)
    return np.maximum(np.where(np.isfinite(direct), direct, product), 0.0)


def _rest_level_of_day(read: dict[str, Vector], elevation: Vector, hour: Vector, day: NDArray[np.intp], days: int,
                       flow: Vector, unknown: Vector) -> Vector:
    """Take the median level in the last dark hours before the sun, carried over three days at most."""
    level = read.get("water_level_m", unknown)
    with np.errstate(invalid="ignore"):
        resting = (np.isfinite(level) & (elevation < 2.0) & (hour < 12.0) & (elevation > -40.0)
                   & ~(flow > 1e-6))
    if not resting.any():
        return unknown
    by_day = pd.Series(level[resting]).groupby(day[resting]).median().reindex(range(days))
    return np.asarray(by_day.ffill(limit=3).to_numpy(dtype=np.float64)[day], dtype=np.float64)


def _tank_full(site: Site, read: dict[str, Vector], n: int) -> tuple[Flags, Flags]:
    """
    Say where the tank was full, by float or by level with the float's own hysteresis.

    A tank that has reached its full mark stays "full" until the level has fallen to where the float calls again.
    A float that says full while the level is known to be far below is not believed here: that is evidence.
    """
    unknown = np.full(n, np.nan)
    float_says, level = read.get("tank_full_ratio", unknown), read.get("tank_level_m", unknown)
    known = np.isfinite(float_says) | np.isfinite(level)
    full = np.zeros(n, dtype=bool)
    tank = site.tank
    low = np.zeros(n, dtype=bool)
    if tank is not None and np.isfinite(level).any():
        near = 0.03 * tank.full_level_m
        reset = tank.float_reset_level_m if tank.float_reset_level_m is not None else 0.93 * tank.full_level_m
        with np.errstate(invalid="ignore"):
            mark = np.where(level >= tank.full_level_m - near, 1.0, np.where(level < reset - near, 0.0, np.nan))
            low = level < 0.75 * reset
        held = pd.Series(mark).ffill(limit=500).to_numpy(dtype=np.float64)
        full = (held == 1.0) & np.isfinite(level)
    with np.errstate(invalid="ignore"):
        says = float_says > 0.05
    # A float that is logged says itself when it calls again; the level only stands in for it.
    full = np.where(np.isfinite(float_says), says & ~low, full)
    return full, known


def _stored(site: Site, level: Vector) -> Vector:
    if site.tank is None:
        return np.full(level.shape, np.nan)
    return np.asarray(volume_at_level(site.tank, np.maximum(level, 0.0)), dtype=np.float64)
