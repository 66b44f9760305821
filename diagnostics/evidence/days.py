"""Bring all summaries of a site together, one row a local day."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.chain.drive import TRACKING_SHARE
from diagnostics.evidence.intervals import Intervals
from diagnostics.evidence.other_sources import source_table
from diagnostics.evidence.ratios import Rows, Table, ratio_table
from diagnostics.evidence.run_states import run_state_table, water_is_due
from diagnostics.evidence.sensor_checks import IDLE_CURRENT, sensor_table
from diagnostics.evidence.source_power import array_power_seen, on_bus, tied_current, tied_to_battery
from diagnostics.evidence.starts import start_table
from diagnostics.evidence.summary import Summaries
from diagnostics.evidence.tank_balance import tank_table
from diagnostics.readings import SiteReadings
from diagnostics.site import Site
from diagnostics.sufficiency import Judgeable

Vector = NDArray[np.float64]

# A tree or roof that shades a well-sited array seldom reaches higher than this into the sky.
OBSTACLE_TOP_DEG = 50.0
# Sun above which a drive that holds back is at its limit and not in a passing shadow. [W/m2]
STRONG_SUN_W_M2 = 650.0
# Plane irradiance over clear sky from which most of the light is beam.
LEAST_CLEAR = 0.75
# Power over the limit seen on other days from which a day surely had no such limit.
BEYOND_LIMIT = 1.08


def site_rows(site: Site, intervals: Intervals, judgeable: Judgeable) -> Rows:
    """
    Pick the columns that the ratios need.

    Parameters
    ----------
    site : Site
        Description.
    intervals : Intervals
        Readings beside expectation.
    judgeable : Judgeable
        Which interval can answer what.

    Returns
    -------
    rows : Rows
        One group a day.
    """
    expected = intervals.expected
    noon = _solar_noon_hour(intervals)
    before_noon = np.where(np.isfinite(noon), (intervals.hour < noon).astype(np.float64), np.nan)
    bus = on_bus(site)
    healthy_power, healthy_flow = _column(expected, "expected_array_power_w"), _column(expected, "expected_flow_m3_s")
    healthy_current, healthy_voltage = (_column(expected, "expected_array_current_a"),
                                        _column(expected, "expected_array_voltage_v"))
    power = intervals.power_w
    if bus:
        # The array is judged at its charger, where nothing is spilled; no sun says how fast the pump runs.
        healthy_power = TRACKING_SHARE * _column(expected, "array_power_available_w")
        with np.errstate(invalid="ignore", divide="ignore"):
            healthy_current = np.where(healthy_voltage > 0.0, healthy_power / healthy_voltage, np.nan)
        if tied_to_battery(intervals.read, intervals.poa_w_m2, np.full(len(intervals.index), np.nan)):
            held = np.fmin(intervals.channel("array_voltage_v"), healthy_voltage)
            healthy_current = tied_current(site, healthy_voltage, healthy_current, held)
            healthy_voltage = held
            healthy_power = healthy_voltage * healthy_current
        healthy_flow = np.full_like(healthy_flow, np.nan)
        power = array_power_seen(site, intervals.read, intervals.turning, np.full(len(intervals.index), np.nan))
    return Rows(
        group=intervals.day, groups=len(intervals.days), weight=intervals.steadiness, poa_w_m2=intervals.poa_w_m2,
        before_noon=before_noon, air_temperature_c=intervals.channel("air_temperature_c"),
        current_a=intervals.channel("array_current_a"), voltage_v=intervals.channel("array_voltage_v"),
        power_w=power, flow_m3_s=intervals.flow_m3_s, speed_rpm=intervals.channel("pump_speed_rpm"),
        level_m=intervals.channel("water_level_m"), pressure_pa=intervals.channel("outlet_pressure_pa"),
        healthy_current_a=healthy_current, healthy_voltage_v=healthy_voltage, healthy_power_w=healthy_power,
        healthy_flow_m3_s=healthy_flow,
        flow_at_power_m3_s=intervals.flow_at_power_m3_s, speed_at_power_rpm=intervals.speed_at_power_rpm,
        drawdown_at_flow_m=intervals.drawdown_at_flow_m, pressure_at_flow_pa=intervals.pressure_at_flow_pa,
        static_level_m=intervals.static_level_m, electrical_ok=judgeable.electrical, load_line=intervals.load_line,
        hydraulic_ok=judgeable.hydraulic & ~_spins_without_lift(site, intervals),
        rated_flow_m3_s=intervals.scales.rated_flow_m3_s,
        head_scale_m=intervals.scales.head_m, hot_from_c=hot_limit(site), low_beam=_low_beam(intervals),
        array_down=_array_down(site, intervals), days=True)


def _spins_without_lift(site: Site, intervals: Intervals) -> NDArray[np.bool_]:
    """
    Say where a jet gives no water at a power at which it has never given any.

    An ejector entrains nothing until its nozzle has some metres of head, and how many no sheet says (common practice):
    that tells of the start and nothing of the flow, and must not make a dull day look dry.
    """
    if site.pump.ejector is None:
        return np.zeros(len(intervals.index), dtype=bool)
    by_power, by_light = water_is_due(intervals)
    lifted = by_power if np.isfinite(intervals.power_w).any() else by_light
    return np.asarray(intervals.flow_known & ~intervals.flowing & ~lifted)


def _array_down(site: Site, intervals: Intervals) -> NDArray[np.bool_] | None:
    """Say where nothing is taken from the array in good sun and it still does not reach its open-circuit voltage."""
    if site.array is None or intervals.open_voltage_v is None or not intervals.has("array_voltage_v"):
        return None
    rated = site.array.module.imp_a * site.array.strings_in_parallel
    with np.errstate(invalid="ignore"):
        share = intervals.channel("array_voltage_v") / intervals.open_voltage_v
        idle = intervals.channel("array_current_a") < IDLE_CURRENT * rated
        return np.asarray(idle & (share < 0.85) & (share > 0.25) & ~intervals.tank_full & intervals.should_run)


def _low_beam(intervals: Intervals) -> NDArray[np.bool_]:
    """
    Say where the sun stands clear and low enough for an obstacle to reach it.

    Under cloud nothing casts a shadow, so a dull day tells nothing of shade, least of all that it is gone; the high
    sun of noon stands over trees and roofs and would only thin out what the low sun shows.
    """
    clear = _column(intervals.expected, "clear_sky_poa_w_m2")
    with np.errstate(invalid="ignore"):
        beam = intervals.poa_w_m2 > LEAST_CLEAR * clear
        return np.asarray(beam & (intervals.sun_elevation_deg < OBSTACLE_TOP_DEG))


def hot_limit(site: Site) -> float:
    """Return the air temperature from which this drive may derate; 30 degC where the sheet is silent. [degC]"""
    start = site.drive.derating_start_temperature_c
    return 30.0 if start is None else min(float(start), 35.0)


def daily_summaries(site: Site, readings: SiteReadings, intervals: Intervals, judgeable: Judgeable,
                    *, as_of_utc: pd.Timestamp | None = None) -> Summaries:
    """
    Compute every daily summary with its error.

    Parameters
    ----------
    site : Site
        Description.
    readings : SiteReadings
        As read, with masks.
    intervals : Intervals
        Readings beside expectation.
    judgeable : Judgeable
        Which interval can answer what.
    as_of_utc : pandas.Timestamp, optional
        Time up to which readings should have come.

    Returns
    -------
    summaries : Summaries
        All features in their fixed order.
    """
    parts: list[Table] = [sensor_table(site, readings, intervals, as_of_utc), tank_table(site, intervals)]
    if np.isfinite(intervals.scales.rated_flow_m3_s):
        parts.append(ratio_table(site_rows(site, intervals, judgeable)))
        parts.append(run_state_table(site, intervals))
        parts.append(_levels(intervals))
    # On a battery power is there or not, whatever the sun: it neither creeps up to a start nor up to a limit. In gusts
    # it passes the start many times between two readings.
    if np.isfinite(intervals.scales.rated_flow_m3_s) and not on_bus(site) and site.array is not None:
        parts.append(_start_power(intervals))
        parts.append(_power_limit(intervals))
        parts.append(start_table(site, intervals))
    parts.append(source_table(site, intervals))
    values: dict[str, Vector] = {}
    errors: dict[str, Vector] = {}
    samples: dict[str, Vector] = {}
    for part in parts:
        values.update(part.values)
        errors.update(part.errors)
        samples.update(part.samples)
    return Summaries.from_columns(intervals.days, values, errors, samples)


def _levels(intervals: Intervals) -> Table:
    table = Table({}, {}, {})
    first = np.concatenate(([True], intervals.day[1:] != intervals.day[:-1]))
    deeper = (intervals.static_level_m - intervals.sheet_level_m) / intervals.scales.head_m
    value = np.full(len(intervals.days), np.nan)
    value[intervals.day[first]] = deeper[first]
    if np.isfinite(value).any():
        table.values["static_level"] = value
        table.errors["static_level"] = np.full(len(value), 0.002)
        table.samples["static_level"] = np.ones(len(value))
    return table


def _start_power(intervals: Intervals) -> Table:
    """
    Find the power at which water starts and stops: the middle between the most power without and least with water.

    The stop side counts as much as the start side, since start is disturbed by break-away torque and delays; a
    quantile on either side keeps one passing cloud from deciding.
    """
    table = Table({}, {}, {})
    threshold = intervals.scales.threshold_power_w
    if not (threshold > 0.0 and np.isfinite(intervals.power_w).any()):
        return table
    with np.errstate(invalid="ignore"):
        ratio = intervals.power_w / threshold
        near = (ratio > 0.25) & (ratio < 4.0) & intervals.flow_known & ~intervals.tank_full & intervals.turning
    value = np.full(len(intervals.days), np.nan)
    spread = np.full(len(intervals.days), np.nan)
    count = np.zeros(len(intervals.days))
    frame = pd.DataFrame({"day": intervals.day[near], "p": ratio[near], "wet": intervals.flowing[near]})
    if frame.empty:
        return table
    dry = frame[~frame["wet"]].groupby("day")["p"].agg(["max", "size"])
    wet = frame[frame["wet"]].groupby("day")["p"].agg(["min", "size"])
    both = dry.add_suffix("_dry").join(wet.add_suffix("_wet"), how="inner")
    both = both[(both["size_dry"] >= 1) & (both["size_wet"] >= 2)]
    if both.empty:
        return table
    at = both.index.to_numpy()
    value[at] = 0.5 * (both["max_dry"] + both["min_wet"]).to_numpy() - 1.0
    spread[at] = 0.5 * np.abs((both["max_dry"] - both["min_wet"]).to_numpy()) + 0.05
    count[at] = (both["size_dry"] + both["size_wet"]).to_numpy()
    table.values["start_power"], table.errors["start_power"], table.samples["start_power"] = value, spread, count
    return table


def _power_limit(intervals: Intervals) -> Table:
    """Highest power of the day where the drive holds the array back under steady sun, over the rated one."""
    table = Table({}, {}, {})
    if intervals.own_limit is None or not intervals.own_limit.any():
        return table
    due = _column(intervals.expected, "expected_array_power_w")
    with np.errstate(invalid="ignore"):
        held = intervals.own_limit & (intervals.steadiness >= 0.7) & (intervals.power_w < 0.97 * due) & (
            intervals.poa_w_m2 > STRONG_SUN_W_M2) & intervals.turning & ~intervals.tank_full
    days = len(intervals.days)
    count = np.bincount(intervals.day[held], minlength=days).astype(np.float64)
    top = pd.Series(intervals.power_w[held]).groupby(intervals.day[held]).quantile(0.9).reindex(range(days))
    with np.errstate(invalid="ignore"):
        # A limit above the rated power keeps nothing from the pump.
        value = np.where(count >= 3, np.minimum(top / intervals.scales.rated_power_w - 1.0, 0.0), np.nan)
    if not np.isfinite(value).any():
        return table
    # A day that took more than the limit knew none; how much more than it took it may have taken is not known.
    taken = intervals.turning & ~intervals.own_limit & (intervals.steadiness >= 0.7) & np.isfinite(intervals.power_w)
    most = pd.Series(intervals.power_w[taken]).groupby(intervals.day[taken]).quantile(0.95).reindex(range(days))
    short = np.maximum(1.0 - most.to_numpy(dtype=np.float64) / intervals.scales.rated_power_w, 0.0)
    with np.errstate(invalid="ignore"):
        beyond = ~(count > 0) & (1.0 - short > BEYOND_LIMIT * (1.0 + float(np.nanmedian(value))))
    table.values["power_limit"] = np.where(beyond, 0.0, value)
    table.errors["power_limit"] = np.where(beyond, 0.01 + 0.5 * np.nan_to_num(short), 0.01)
    table.samples["power_limit"] = np.where(beyond, 3.0, count)
    return table


def _solar_noon_hour(intervals: Intervals) -> Vector:
    """Return for each interval the local hour of the day's highest sun."""
    days = len(intervals.days)
    order = np.lexsort((intervals.sun_elevation_deg, intervals.day))
    day = intervals.day[order]
    last = np.concatenate((day[1:] != day[:-1], [True]))
    noon = np.full(days, np.nan)
    noon[day[last]] = intervals.hour[order[last]]
    usual = np.nanmedian(noon) if np.isfinite(noon).any() else np.nan
    noon = np.where(np.abs(noon - usual) < 1.0, noon, usual)
    return np.asarray(noon[intervals.day], dtype=np.float64)


def _column(frame: pd.DataFrame, name: str) -> Vector:
    return np.asarray(frame[name].to_numpy(), dtype=np.float64)
