"""Summaries of sites that live on a battery or on wind."""

import numpy as np
from numpy.typing import NDArray

from diagnostics.evidence.intervals import Intervals
from diagnostics.evidence.ratios import Table
from diagnostics.site import Site

Vector = NDArray[np.float64]
STANDARD_AIR_KG_M3 = 1.225


def source_table(site: Site, intervals: Intervals) -> Table:
    """
    Summarise battery voltage before dawn and at its highest, and power against the wind curve.

    Parameters
    ----------
    site : Site
        Description.
    intervals : Intervals
        Readings.

    Returns
    -------
    table : Table
        battery_low, battery_high, wind_power where the site has the source and logs it.
    """
    table = Table({}, {}, {})
    if site.battery is not None and intervals.has("battery_voltage_v"):
        _battery(site, intervals, table)
    if site.wind is not None and intervals.has("wind_speed_m_s"):
        _wind(site, intervals, table)
    return table


def _battery(site: Site, intervals: Intervals, table: Table) -> None:
    battery = site.battery
    if battery is None:
        return
    voltage, days = intervals.channel("battery_voltage_v"), len(intervals.days)
    known = np.isfinite(voltage)
    late = known & (intervals.hour > 2.0) & (intervals.hour < 6.0)
    count = np.bincount(intervals.day[late], minlength=days).astype(np.float64)
    total = np.bincount(intervals.day[late], weights=voltage[late], minlength=days)
    with np.errstate(invalid="ignore", divide="ignore"):
        low = np.where(count >= 3, total / count / battery.nominal_voltage_v - 1.0, np.nan)
    table.values["battery_low"], table.errors["battery_low"] = low, np.full(days, 0.005)
    table.samples["battery_low"] = count
    highest = np.full(days, -np.inf)
    np.maximum.at(highest, intervals.day[known], voltage[known])
    clear = np.nan_to_num(intervals.expected["clear_sky_poa_w_m2"].to_numpy(dtype=np.float64))
    sun = np.bincount(intervals.day, weights=np.nan_to_num(intervals.poa_w_m2), minlength=days)
    due = np.bincount(intervals.day, weights=clear, minlength=days)
    sunny = (sun > 0.6 * due) | (sun <= 0.0)
    high = np.where(np.isfinite(highest) & sunny,
                    np.minimum(highest - battery.absorption_voltage_v, 0.0) / battery.nominal_voltage_v, np.nan)
    table.values["battery_high"], table.errors["battery_high"] = high, np.full(days, 0.005)
    table.samples["battery_high"] = np.bincount(intervals.day[known], minlength=days).astype(np.float64)


def _wind(site: Site, intervals: Intervals, table: Table) -> None:
    wind = site.wind
    if wind is None:
        return
    speed, days = intervals.channel("wind_speed_m_s"), len(intervals.days)
    if wind.anemometer_height_m:
        speed = speed * (wind.hub_height_m / wind.anemometer_height_m) ** (1.0 / 7.0)
    curve = np.array(sorted(wind.power_curve), dtype=np.float64)
    due = np.interp(speed, curve[:, 0], curve[:, 1]) * wind.rectifier_efficiency
    power = intervals.power_w
    if not np.isfinite(power).any():
        power = intervals.channel("battery_voltage_v") * np.maximum(intervals.channel("battery_current_a"), 0.0)
    known = np.isfinite(power) & np.isfinite(due) & (due > 0.05 * curve[:, 1].max()) & (
        due < 0.9 * curve[:, 1].max() * wind.rectifier_efficiency)
    if not known.any():
        return
    count = np.bincount(intervals.day[known], minlength=days).astype(np.float64)
    above = np.bincount(intervals.day[known], weights=power[known], minlength=days)
    below = np.bincount(intervals.day[known], weights=due[known], minlength=days)
    with np.errstate(invalid="ignore", divide="ignore"):
        value = np.where(count >= 6, above / below - 1.0, np.nan)
    table.values["wind_power"], table.errors["wind_power"] = value, 0.5 / np.sqrt(np.maximum(count, 1.0))
    table.samples["wind_power"] = count
