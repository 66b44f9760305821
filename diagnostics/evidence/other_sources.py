"""Summaries of sites that live on a battery or on wind."""

import numpy as np
from numpy.typing import NDArray

from diagnostics.evidence.intervals import Intervals
from diagnostics.evidence.own_limit import RAISED_VOLTAGE
from diagnostics.evidence.ratios import Table
from diagnostics.evidence.source_power import array_to_bus, load_holds, on_bus, runs_through
from diagnostics.site import Site

Vector = NDArray[np.float64]
Flags = NDArray[np.bool_]
# Power due from the wind over rated. Not below: a turbine that lacks a third would not keep the pump running there.
WIND_EDGES = {"wind_power": (0.3, 0.6), "wind_power_high": (0.6, 9.0)}
# Hours of a day with the pump running on its battery from which they tell something.
LEAST_RUN_HOURS = 0.5
# Array power over due below which a charger holds back.
HELD_BACK = 0.8
# Change of the battery's current between two readings that tells its resistance, over capacity in one hour. [1/h]
LEAST_STEP_PER_H = 0.02
# Resistance times capacity over nominal voltage with the polarisation of some minutes, common practice. [h]
USUAL_RESISTANCE_H = {"lead_acid": 0.06, "lithium_iron_phosphate": 0.03}


def source_table(site: Site, intervals: Intervals) -> Table:
    """
    Summarise the battery, the rate of a pump that runs on it, and power against the wind curve.

    Parameters
    ----------
    site : Site
        Description.
    intervals : Intervals
        Readings.

    Returns
    -------
    table : Table
        battery_low, battery_high, battery_resistance, charge_balance, bus_flow, bus_power, dry_share, wind_power and
        wind_power_high where the site has the source and logs it.
    """
    table = Table({}, {}, {})
    if site.battery is not None and intervals.has("battery_voltage_v"):
        _battery(site, intervals, table)
        _charge_balance(site, intervals, table)
        _battery_resistance(site, intervals, table)
    if on_bus(site):
        _bus_rate(intervals, table)
        _bus_dry(intervals, table)
    if site.wind is not None and intervals.has("wind_speed_m_s"):
        _wind(intervals, table)
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
    _highest(site, intervals, table)


def _highest(site: Site, intervals: Intervals, table: Table) -> None:
    """
    Compare the voltage at which the charger holds back with absorption.

    A battery that stays below absorption because people draw much, or the day is dull, tells nothing of its charger:
    only days count on which the charger held the array back for an hour, which raises the array's voltage.
    """
    battery, days = site.battery, len(intervals.days)
    if battery is None:
        return
    voltage = intervals.channel("battery_voltage_v")
    given = intervals.channel("array_voltage_v") * intervals.channel("array_current_a")
    due = intervals.expected["array_power_available_w"].to_numpy(dtype=np.float64)
    due_voltage = intervals.expected["expected_array_voltage_v"].to_numpy(dtype=np.float64)
    with np.errstate(invalid="ignore"):
        held = ((given < HELD_BACK * due) & (intervals.channel("array_voltage_v") > RAISED_VOLTAGE * due_voltage)
                & (intervals.poa_w_m2 > 400.0) & (intervals.steadiness > 0.5) & np.isfinite(voltage))
    hours = np.bincount(intervals.day[held], weights=intervals.hours[held], minlength=days)
    highest = np.full(days, -np.inf)
    np.maximum.at(highest, intervals.day[held], voltage[held])
    high = np.where(hours >= 1.0, np.minimum(highest - battery.absorption_voltage_v, 0.0) / battery.nominal_voltage_v,
                    np.nan)
    if np.isfinite(high).any():
        _put(table, "battery_high", high, np.full(days, 0.005),
             np.bincount(intervals.day[held], minlength=days).astype(np.float64))


def _wind(intervals: Intervals, table: Table) -> None:
    """
    Compare the power taken with what the wind would give, where the drive could have taken it and the pump ran.

    Not near the start, where a weak turbine's pump stands for part of an interval, and not at the drive's own limit.
    """
    due = intervals.expected["expected_array_power_w"].to_numpy(dtype=np.float64)
    power, weight = intervals.power_w, intervals.steadiness
    rated = intervals.scales.rated_power_w
    with np.errstate(invalid="ignore"):
        able = np.isfinite(power) & intervals.turning & ~intervals.near_cap & ~intervals.tank_full
        for name, (low, high) in WIND_EDGES.items():
            known = able & (due >= low * rated) & (due < high * rated)
            _ratio(intervals, table, name, np.where(known, power, 0.0), np.where(known, due, 0.0), weight, known, 4)


def _bus_rate(intervals: Intervals, table: Table) -> None:
    """Compare flow and power of the running pump with those of the sound one at the same battery voltage."""
    if intervals.bus_power_w is None or intervals.bus_flow_m3_s is None:
        return
    running = runs_through(intervals.turning) & ~intervals.tank_full & load_holds(intervals.power_w)
    one = np.ones(len(running))
    for name, read, due in (("bus_flow", intervals.flow_m3_s, intervals.bus_flow_m3_s),
                            ("bus_power", intervals.power_w, intervals.bus_power_w)):
        with np.errstate(invalid="ignore"):
            known = running & np.isfinite(read) & (due > 0.0)
        _ratio(intervals, table, name, np.where(known, read, 0.0), np.where(known, due, 0.0), one, known, 3)


def _bus_dry(intervals: Intervals, table: Table) -> None:
    """Share of the hours with the pump running on its battery in which no water was metered, whoever called for it."""
    running = runs_through(intervals.turning) & intervals.flow_known & np.isfinite(intervals.power_w)
    days = len(intervals.days)
    hours = np.bincount(intervals.day[running], weights=intervals.hours[running], minlength=days)
    dry = running & ~intervals.flowing
    dry_hours = np.bincount(intervals.day[dry], weights=intervals.hours[dry], minlength=days)
    share = np.where(hours >= LEAST_RUN_HOURS, dry_hours / np.maximum(hours, 1e-9), np.nan)
    count = np.bincount(intervals.day[running], minlength=days).astype(np.float64)
    _put(table, "dry_share", share, 0.05 / np.sqrt(np.maximum(count, 1.0)), count)


def _charge_balance(site: Site, intervals: Intervals, table: Table) -> None:
    """
    Compare what the battery takes with what the array gives while the pump stands: one of three sensors may be off.

    Only there is nothing between the two but the charger and the drive's standby.
    """
    unknown = np.full(len(intervals.index), np.nan)
    brought = array_to_bus(intervals.read, unknown)
    taken = (intervals.channel("battery_voltage_v") * intervals.channel("battery_current_a")
             + site.drive.standby_power_w)
    if site.array is None or site.wind is not None or not np.isfinite(brought).any():
        return
    still = runs_through(~intervals.turning & ~(intervals.flowing & intervals.flow_known))
    with np.errstate(invalid="ignore"):
        known = still & np.isfinite(taken) & (brought > 0.15 * site.array.nominal_power_w)
    one = np.ones(len(unknown))
    taken, brought = np.where(known, taken, 0.0), np.where(known, brought, 0.0)
    _ratio(intervals, table, "charge_balance", taken, brought, one, known, 3)


def _battery_resistance(site: Site, intervals: Intervals, table: Table) -> None:
    """
    Take the slope of voltage over current between neighbouring readings: what the battery gives under a change of load.

    Starts and stops of the pump and passing clouds move the current by large steps within minutes, while charge and
    warmth move slowly; the slope is the resistance with the first polarisation. It does not hang on how much is drawn.
    """
    battery = site.battery
    voltage, current = intervals.channel("battery_voltage_v"), intervals.channel("battery_current_a")
    if battery is None or not (np.isfinite(voltage) & np.isfinite(current)).any():
        return
    days, day = len(intervals.days), intervals.day
    rise, step = np.diff(voltage, prepend=np.nan), np.diff(current, prepend=np.nan)
    gap = np.concatenate(([True], np.diff(intervals.index.asi8) > 1.5 * np.median(np.diff(intervals.index.asi8))))
    with np.errstate(invalid="ignore"):
        large = (np.abs(step) > LEAST_STEP_PER_H * battery.capacity_ah) & np.isfinite(rise) & ~gap
    count = np.bincount(day[large], minlength=days).astype(np.float64)
    above = np.bincount(day[large], weights=(rise * step)[large], minlength=days)
    below = np.bincount(day[large], weights=(step**2)[large], minlength=days)
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = above / below * battery.capacity_ah / battery.nominal_voltage_v
        left = np.where(large, rise - (above / below)[day] * step, 0.0)
        scatter = np.bincount(day[large], weights=left[large] ** 2, minlength=days) / np.maximum(count - 1.0, 1.0)
        error = np.sqrt(scatter / below) * battery.capacity_ah / battery.nominal_voltage_v / slope
        value = np.where((count >= 4) & (slope > 0.0), np.log(slope / USUAL_RESISTANCE_H[battery.chemistry]), np.nan)
    if np.isfinite(value).any():
        _put(table, "battery_resistance", value, np.minimum(np.nan_to_num(error, nan=1.0), 1.0), count)


def _ratio(intervals: Intervals, table: Table, name: str, read: Vector, due: Vector, weight: Vector, known: Flags,
           least: int) -> None:
    """Add sum(read) / sum(due) - 1 by day, with its error from the scatter about it."""
    if not known.any():
        return
    days, day = len(intervals.days), intervals.day
    count = np.bincount(day[known], minlength=days).astype(np.float64)
    above = np.bincount(day[known], weights=(weight * read)[known], minlength=days)
    below = np.bincount(day[known], weights=(weight * due)[known], minlength=days)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = above / below
        misfit = (weight * (read - ratio[day] * due))[known]
        error = np.sqrt(2.0 * np.bincount(day[known], weights=misfit**2, minlength=days)) / below
        value = np.where(count >= least, ratio - 1.0, np.nan)
    _put(table, name, value, error, count)


def _put(table: Table, name: str, value: Vector, error: Vector, count: Vector) -> None:
    table.values[name], table.errors[name], table.samples[name] = value, error, count
