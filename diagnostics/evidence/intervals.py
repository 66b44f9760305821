"""One table of intervals: what was read, what a sound site would have shown, and the state the site was in."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.chain.tank import volume_at_level
from diagnostics.evidence.called_to_run import idle_power, logged_full, own_due_flow, own_start, probably_full
from diagnostics.evidence.load_line import LoadLineRows, load_line_rows, own_light_share, stands, surely_starts
from diagnostics.evidence.own_limit import NEAR_START, near_cap, own_limit, unloaded
from diagnostics.evidence.site_scales import Scales, gauge_pressure, site_scales
from diagnostics.evidence.source_power import calls_on_bus, motor_volts, on_bus, power_at_bus, power_into_drive
from diagnostics.readings import Mask, SiteReadings
from diagnostics.settings import Settings
from diagnostics.site import Site

Vector = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Doubt that is itself evidence: the value is kept for the diagnosis, never for the delivered volume.
_EVIDENCE_BITS = int(Mask.STUCK | Mask.IMPOSSIBLE | Mask.SENSOR_DOUBT | Mask.NEGATIVE_FLOW | Mask.TOTAL_RESET
                     | Mask.CLOCK)
# Sun in which any pump may still wait or try to start.
STRONGEST_WEAK_W_M2 = 350.0
WEATHER_CHANNELS = ("poa_irradiance_w_m2", "global_horizontal_irradiance_w_m2", "diffuse_horizontal_irradiance_w_m2",
                    "direct_normal_irradiance_w_m2", "neighbour_global_horizontal_irradiance_w_m2",
                    "imported_global_horizontal_irradiance_w_m2", "air_temperature_c", "module_temperature_c",
                    "wind_speed_m_s")


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
    lifted = scales.rated_flow_m3_s * float(np.median(hours)) * 3600.0
    full, tank_known = logged_full(site, read, n, lifted if np.isfinite(lifted) else 0.0)
    x_flow = expected["expected_flow_m3_s"].to_numpy(dtype=np.float64)
    x_power = expected["expected_array_power_w"].to_numpy(dtype=np.float64)
    due_flow = own_due_flow(model, power, flow, x_power, x_flow, day, len(days), sheet) if not on_bus(site) else x_flow
    with np.errstate(invalid="ignore"):
        should = (due_flow > 0.25 * scales.rated_flow_m3_s) & ((elevation > 3.0) | (site.array is None))
        flowing = flow > np.maximum(0.03 * scales.rated_flow_m3_s, 1.5 * site.flow_meter.floor_m3_s)
        power_known = np.isfinite(power)
        rests_below_w = idle_power(site, x_power, scales) if not on_bus(site) else 0.25 * scales.rated_power_w
        turning = np.where(power_known, power > rests_below_w, flowing)
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
            should = should & (light > own_start(light, turning.astype(bool), day))
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
        full = full | probably_full(site, turning.astype(bool), should, index)
    # A load without electronics has no limit; where it puts the array is its load line.
    held_back = np.zeros(n, dtype=bool)
    if site.drive.kind != "direct":
        due_volts = expected["expected_array_voltage_v"].to_numpy(dtype=np.float64)
        near_start = (x_power < NEAR_START * scales.threshold_power_w) | (offered < STRONGEST_WEAK_W_M2)
        held_back = own_limit(power, x_power, voltage, due_volts, steady, day, len(days)) | unloaded(
            power, x_power, voltage, due_volts, near_start, steady, day, len(days))
    at_bus = _at_bus(site, model, read, taken) if model is not None and on_bus(site) else (None, None)
    return Intervals(
        index=index, day=day, days=days, hour=hour, hours=hours, expected=expected, read=read, power_w=power,
        flow_m3_s=flow, poa_w_m2=expected["poa_irradiance_w_m2"].to_numpy(dtype=np.float64),
        sun_elevation_deg=elevation, static_level_m=static, sheet_level_m=sheet, flow_at_power_m3_s=at_power,
        speed_at_power_rpm=speed_at_power, drawdown_at_flow_m=drawdown, pressure_at_flow_pa=pressure,
        tank_volume_m3=_stored(site, read.get("tank_level_m", unknown)), tank_full=full,
        tank_known=tank_known, steadiness=steady, near_cap=near_cap(expected, x_power, steady),
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


def _steadiness(sun: Vector) -> Vector:
    """Return a weight near 1 under steady sun and small where cloud edges pass, for sensors sample at other moments."""
    before = np.abs(np.diff(sun, prepend=np.nan))
    after = np.abs(np.diff(sun, append=np.nan))
    swing = np.fmax(before, after)
    with np.errstate(invalid="ignore"):
        weight = 1.0 / (1.0 + (swing / (0.15 * (sun + 60.0))) ** 2)
    return np.where(np.isfinite(weight), weight, 0.3)


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


def _stored(site: Site, level: Vector) -> Vector:
    if site.tank is None:
        return np.full(level.shape, np.nan)
    return np.asarray(volume_at_level(site.tank, np.maximum(level, 0.0)), dtype=np.float64)
