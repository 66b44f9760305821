"""What the sensors say about themselves: clock against sun, irradiance against clear sky, zeros at night, silence."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.evidence.intervals import Intervals
from diagnostics.evidence.ratios import Table
from diagnostics.readings import Mask, SiteReadings
from diagnostics.site import Site

Vector = NDArray[np.float64]
Flags = NDArray[np.bool_]
# Current below which an array stands at its open-circuit voltage within about 1 %, over rated.
IDLE_CURRENT = 0.02
LEAST_IDLE = 2


def sensor_table(site: Site, readings: SiteReadings, intervals: Intervals, as_of_utc: pd.Timestamp | None) -> Table:
    """
    Summarise per day what the readings say about sensors, clock and logger.

    Parameters
    ----------
    site : Site
        Description.
    readings : SiteReadings
        With masks, whose totaliser resets are counted.
    intervals : Intervals
        Readings beside expectation.
    as_of_utc : pandas.Timestamp, optional
        Time up to which readings should have come.

    Returns
    -------
    table : Table
        clock, clear_sky, module_temperature, night_temperature, night_module_less_air, night_current,
        night_voltage, open_voltage, silent_share, total_reset, impossible_share, swapped_share.
    """
    table = Table({}, {}, {})
    _clock(intervals, table)
    _clear_sky(intervals, table)
    _module_temperature(site, intervals, table)
    _night_temperature(intervals, table)
    _night_zeros(site, intervals, table)
    _open_voltage(site, intervals, table)
    _silence(readings, intervals, table, as_of_utc)
    _impossible(site, intervals, table)
    return table


def _clock(intervals: Intervals, table: Table) -> None:
    """
    Compare when light comes and goes with the computed sun.

    First and last light are edges that cloud moves little; their mean is the shift of the clock, while haze or a
    horizon moves the two apart and leaves the mean. Each edge is interpolated between readings.
    """
    measured = intervals.channel("global_horizontal_irradiance_w_m2")
    clear = 1000.0 * np.maximum(np.sin(np.radians(intervals.sun_elevation_deg)), 0.0)
    if not np.isfinite(measured).any():
        measured = intervals.channel("poa_irradiance_w_m2")
        clear = intervals.expected["clear_sky_poa_w_m2"].to_numpy(dtype=np.float64)
    if not np.isfinite(measured).any():
        return
    days = len(intervals.days)
    peak = np.zeros(days)
    np.maximum.at(peak, intervals.day, np.nan_to_num(measured))
    bright = peak > 250.0
    # A share of the day's own peak, so that a scale error of the sensor moves nothing.
    first, last = _edges(intervals, measured, 0.10 * peak)
    clear_peak = np.zeros(days)
    np.maximum.at(clear_peak, intervals.day, np.nan_to_num(clear))
    sun_first, sun_last = _edges(intervals, clear, 0.10 * clear_peak)
    early, late = first - sun_first, last - sun_last
    shift = 0.5 * (early + late)
    spread = np.abs(late - early) / 2.0
    step = float(np.median(intervals.hours))
    error = np.hypot(0.5 * spread, step / 2.0)
    value = np.where(bright & np.isfinite(shift) & (error < 1.5), shift, np.nan)
    _put(table, "clock", value, error, np.full(days, 2.0))


def _edges(intervals: Intervals, light: Vector, limit: Vector) -> tuple[Vector, Vector]:
    """Return first and last hour of the day above the limit, interpolated; NaN where the edge has no reading."""
    days = len(intervals.days)
    above = np.isfinite(light) & (light > limit[intervals.day]) & (limit[intervals.day] > 0.0)
    position = np.flatnonzero(above)
    first, last = np.full(days, np.nan), np.full(days, np.nan)
    if position.size == 0:
        return first, last
    day = intervals.day[position]
    first_at = position[np.concatenate(([True], day[1:] != day[:-1]))]
    last_at = position[np.concatenate((day[1:] != day[:-1], [True]))]
    for at, neighbour, out in ((first_at, -1, first), (last_at, 1, last)):
        other = np.clip(at + neighbour, 0, len(light) - 1)
        same = (intervals.day[other] == intervals.day[at]) & np.isfinite(light[other]) & (
            np.abs(intervals.hour[other] - intervals.hour[at]) < 3.0 * intervals.hours[at])
        at, other = at[same], other[same]
        level = limit[intervals.day[at]]
        with np.errstate(invalid="ignore", divide="ignore"):
            part = (light[at] - level) / (light[at] - light[other])
        part = np.where(np.isfinite(part), part, 0.0)      # a neighbour that reads the same: the edge is here
        out[intervals.day[at]] = intervals.hour[at] + part * (intervals.hour[other] - intervals.hour[at])
    return first, last


def _clear_sky(intervals: Intervals, table: Table) -> None:
    """Median of irradiance over clear sky, on days whose curve is as smooth as a clear one."""
    measured = intervals.channel("poa_irradiance_w_m2")
    if not np.isfinite(measured).any():
        # A level sensor is turned into the plane first; under a clear sky that is nearly exact.
        measured = np.where(np.isfinite(intervals.channel("global_horizontal_irradiance_w_m2")), intervals.poa_w_m2,
                            np.nan)
    if not np.isfinite(measured).any():
        return
    clear = intervals.expected["clear_sky_poa_w_m2"].to_numpy(dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        index = np.where((intervals.sun_elevation_deg > 20.0) & (clear > 250.0), measured / clear, np.nan)
    frame = pd.DataFrame({"day": intervals.day, "k": index}).dropna()
    if frame.empty:
        return
    steps = frame.groupby("day")["k"].diff().abs()
    by_day = frame.assign(step=steps).groupby("day")
    median, roughness = by_day["k"].median(), by_day["step"].mean() + 0.5 * by_day["k"].std()
    count = by_day["k"].size()
    smooth = (roughness / median < 0.06) & (count >= 8)
    value = (median - 1.0).where(smooth).reindex(range(len(intervals.days))).to_numpy(dtype=np.float64)
    samples = np.asarray(count.reindex(range(len(intervals.days))).fillna(0).to_numpy(), dtype=np.float64)
    _put(table, "clear_sky", value, np.full(len(value), 0.02), samples)


def _module_temperature(site: Site, intervals: Intervals, table: Table) -> None:
    module, air = intervals.channel("module_temperature_c"), intervals.channel("air_temperature_c")
    if site.array is None or not (np.isfinite(module) & np.isfinite(air)).any():
        return
    wind = np.where(np.isfinite(intervals.channel("wind_speed_m_s")), intervals.channel("wind_speed_m_s"), 1.5)
    warmth = intervals.poa_w_m2 / (site.array.heat_loss_constant_w_m2_k + site.array.heat_loss_wind_w_s_m3_k * wind)
    with np.errstate(invalid="ignore"):
        chosen = (intervals.poa_w_m2 > 450.0) & np.isfinite(module) & np.isfinite(air)
    excess = np.where(chosen, (module - air - warmth) / 25.0, 0.0)
    _mean(intervals, table, "module_temperature", excess, chosen, 0.03)


def _night_temperature(intervals: Intervals, table: Table) -> None:
    """Hold the module against the air at night, when no sun or wind parts them; follow a temperature that is alone."""
    module, air = intervals.channel("module_temperature_c"), intervals.channel("air_temperature_c")
    both = np.isfinite(module) & np.isfinite(air) & (intervals.sun_elevation_deg < -3.0)
    if both.any():
        _mean(intervals, table, "night_module_less_air", np.where(both, (module - air) / 25.0, 0.0), both, 0.02)
    only = module if not np.isfinite(air).any() else air if not np.isfinite(module).any() else None
    if only is None or not np.isfinite(only).any():
        return
    known = np.isfinite(only) & (intervals.sun_elevation_deg < -3.0)
    if known.any():
        usual = float(np.median(only[known]))
        _mean(intervals, table, "night_temperature", np.where(known, (only - usual) / 25.0, 0.0), known, 0.02)


def _night_zeros(site: Site, intervals: Intervals, table: Table) -> None:
    if site.array is None:
        return
    rated = site.array.module.imp_a * site.array.strings_in_parallel
    night = intervals.sun_elevation_deg < -8.0
    current, voltage = intervals.channel("array_current_a"), intervals.channel("array_voltage_v")
    known = night & np.isfinite(current)
    if known.any():
        _mean(intervals, table, "night_current", np.where(known, current / rated, 0.0), known, 0.002)
    known = night & np.isfinite(voltage)
    if known.any() and np.isfinite(intervals.scales.rated_voltage_v):
        _mean(intervals, table, "night_voltage", np.where(known, voltage / intervals.scales.rated_voltage_v, 0.0),
              known, 0.01)


def _open_voltage(site: Site, intervals: Intervals, table: Table) -> None:
    """
    Compare the array's voltage while nothing is taken from it with that of the sound array.

    Every site stands so at dawn and with its tank full: the one place where the array's voltage hangs neither on the
    drive nor on joints or the load.
    """
    due = intervals.open_voltage_v
    voltage, current = intervals.channel("array_voltage_v"), intervals.channel("array_current_a")
    if site.array is None or due is None or not (np.isfinite(voltage) & np.isfinite(current)).any():
        return
    rated = site.array.module.imp_a * site.array.strings_in_parallel
    with np.errstate(invalid="ignore", divide="ignore"):
        # Below a tenth of full light cells differ, above it the logarithm hides what the light is not known to.
        resting = ((intervals.poa_w_m2 > 100.0) & (current < IDLE_CURRENT * rated) & (intervals.steadiness > 0.5)
                   & np.isfinite(voltage) & (due > 0.0))
        amount = np.where(resting, voltage / due - 1.0, 0.0)
    # The better half of the day counts: a shadow lies on one side of it, a shorted module on both.
    halves = []
    for half in (resting & (intervals.hour < 12.5), resting & (intervals.hour >= 12.5)):
        count = np.bincount(intervals.day[half], minlength=len(intervals.days)).astype(np.float64)
        total = np.bincount(intervals.day[half], weights=amount[half], minlength=len(intervals.days))
        with np.errstate(invalid="ignore", divide="ignore"):
            halves.append((np.where(count >= LEAST_IDLE, total / count, np.nan), count))
    best = np.fmax(halves[0][0], halves[1][0])
    if np.isfinite(best).any():
        # A day that stood on one side only cannot tell the two apart.
        both = np.isfinite(halves[0][0]) & np.isfinite(halves[1][0])
        _put(table, "open_voltage", best, np.where(both, 0.01, 0.1), halves[0][1] + halves[1][1])


def _silence(readings: SiteReadings, intervals: Intervals, table: Table, as_of_utc: pd.Timestamp | None) -> None:
    anything = readings.values.notna().to_numpy().any(axis=1)
    days = len(intervals.days)
    hours = np.bincount(intervals.day[anything], weights=intervals.hours[anything], minlength=days)
    length = np.full(days, 24.0)
    start_hour = float(intervals.hour[0] - intervals.hours[0] / 2.0)
    length[0] = max(24.0 - start_hour, 1e-6)
    if as_of_utc is None:
        end = float(intervals.hour[-1] + intervals.hours[-1] / 2.0)
        length[-1] = max(end - (24.0 - length[0] if days == 1 else 0.0), 1e-6)
    share = np.clip(1.0 - hours / length, 0.0, 1.0)
    _put(table, "silent_share", share, np.full(days, 0.01), np.full(days, 1.0))
    if "meter_total_m3" in readings.masks.columns or "flow_m3_s" in readings.masks.columns:
        bits = np.zeros(len(intervals.day), dtype=np.int64)
        for name in ("meter_total_m3", "flow_m3_s"):
            if name in readings.masks.columns:
                bits |= readings.masks[name].to_numpy(dtype=np.int64)
        reset = (bits & int(Mask.TOTAL_RESET)) != 0
        _put(table, "total_reset", np.minimum(np.bincount(intervals.day[reset], minlength=days), 3).astype(np.float64),
             np.full(days, 0.01), np.full(days, 1.0))


def _impossible(site: Site, intervals: Intervals, table: Table) -> None:
    """Share of sunny readings beyond the equipment, and of those that would fit with V and I exchanged."""
    if site.array is None:
        return
    array = site.array
    voltage, current = intervals.channel("array_voltage_v"), intervals.channel("array_current_a")
    most_v = 1.15 * array.module.voc_v * array.modules_in_series
    most_a = 1.45 * array.module.isc_a * array.strings_in_parallel
    with np.errstate(invalid="ignore"):
        sunny = (intervals.poa_w_m2 > 200.0) | (intervals.expected["clear_sky_poa_w_m2"].to_numpy() > 400.0)
        known = sunny & np.isfinite(voltage) & np.isfinite(current)
        beyond = (voltage > most_v) | (current > most_a)
        x_v = intervals.expected["expected_array_voltage_v"].to_numpy(dtype=np.float64)
        x_i = intervals.expected["expected_array_current_a"].to_numpy(dtype=np.float64)
        as_is = np.abs(np.log(np.maximum(voltage, 0.01) / np.maximum(x_v, 0.01))) + np.abs(
            np.log(np.maximum(current, 0.01) / np.maximum(x_i, 0.01)))
        crossed = np.abs(np.log(np.maximum(current, 0.01) / np.maximum(x_v, 0.01))) + np.abs(
            np.log(np.maximum(voltage, 0.01) / np.maximum(x_i, 0.01)))
        better = (crossed < 0.5 * as_is) & (as_is > 1.0)
    if known.any():
        _mean(intervals, table, "impossible_share", (beyond & known).astype(np.float64), known, 0.01)
        fits = known & np.isfinite(as_is)
        if fits.any():
            _mean(intervals, table, "swapped_share", (better & fits).astype(np.float64), fits, 0.01)


def _mean(intervals: Intervals, table: Table, name: str, amount: Vector, chosen: Flags, error: float) -> None:
    days = len(intervals.days)
    count = np.bincount(intervals.day[chosen], minlength=days).astype(np.float64)
    total = np.bincount(intervals.day[chosen], weights=amount[chosen], minlength=days)
    with np.errstate(invalid="ignore", divide="ignore"):
        value = np.where(count >= 4, total / count, np.nan)
    _put(table, name, value, np.full(days, error), count)


def _put(table: Table, name: str, value: Vector, error: Vector, count: Vector) -> None:
    table.values[name], table.errors[name], table.samples[name] = value, error, count
