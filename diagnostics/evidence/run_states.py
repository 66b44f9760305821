"""Time that was not used: stood, ran dry, cycled, was held by a probe or a float, ran into a full tank."""

import numpy as np
from numpy.typing import NDArray

from diagnostics.evidence.called_to_run import own_water_from
from diagnostics.evidence.intervals import Intervals
from diagnostics.evidence.ratios import Table
from diagnostics.site import Site

Flags = NDArray[np.bool_]
LEAST_HOURS = 1.0
# A pump that gives no water at half its rated power gives none that is worth its name, whatever it has been seen to do.
HIGHEST_START = 0.5


def run_state_table(site: Site, intervals: Intervals) -> Table:
    """
    Summarise per day how the hours were spent in which the site should have run.

    Parameters
    ----------
    site : Site
        Description.
    intervals : Intervals
        Readings beside expectation.

    Returns
    -------
    table : Table
        Shares of hours; NaN on days with less than one such hour.
    """
    table = Table({}, {}, {})
    known = intervals.should_run & intervals.turning_known
    if not known.any():
        return table
    states = interval_states(site, intervals)
    hours = _by_day(intervals, known)
    enough = hours >= LEAST_HOURS
    count = _count(intervals, known)
    lifts, lit = water_is_due(intervals)
    told = known & intervals.flow_known & np.isfinite(intervals.power_w) & (intervals.flowing | lifts | lit)
    both = _by_day(intervals, told)
    for name, flags in states.items():
        share = np.where(enough, _by_day(intervals, flags & known) / np.maximum(hours, 1e-9), np.nan)
        if name in ("dry_share", "dry_light_share"):
            share = np.where(both >= LEAST_HOURS, _by_day(intervals, flags & told) / np.maximum(both, 1e-9), np.nan)
        if name in ("stopped_open_share", "stopped_dead_share") and not intervals.has("array_voltage_v"):
            share = np.full(len(intervals.days), np.nan)
        # Where an interval begins and ends is known to one interval: of a day of few long ones a large share.
        _put(table, name, share, 1.0 / np.maximum(count, 1.0), count)
    _cycling(intervals, known, table)
    _probe(site, intervals, known, enough, hours, count, table)
    _float_and_overflow(site, intervals, hours, enough, count, table)
    return table


def interval_states(site: Site, intervals: Intervals) -> dict[str, Flags]:
    """
    Say which intervals stood and how, among those that should have run.

    Parameters
    ----------
    site : Site
        Description.
    intervals : Intervals
        Readings beside expectation.

    Returns
    -------
    states : dict of ndarray of bool
        Flags by the name of the summary they feed.
    """
    voltage = intervals.channel("array_voltage_v")
    x_voltage = intervals.expected["expected_array_voltage_v"].to_numpy(dtype=np.float64)
    x_current = intervals.expected["expected_array_current_a"].to_numpy(dtype=np.float64)
    power_known = np.isfinite(intervals.power_w)
    with np.errstate(invalid="ignore"):
        stands = ~intervals.turning & ~(intervals.flowing & intervals.flow_known)
        stopped = intervals.should_run & stands
        opened = stopped & (voltage > 0.9 * x_voltage)
        # No voltage and no current is a dead array; no voltage under full current is a motor that cannot break away.
        current = intervals.channel("array_current_a")
        dead = stopped & (voltage < 0.25 * x_voltage) & ~(current > 0.3 * x_current)
        powered = power_known & (intervals.flow_at_power_m3_s > 0.35 * intervals.scales.rated_flow_m3_s)
        # Light: the array could give far more and shows it by its raised voltage; a dark array does not.
        light = (power_known & intervals.turning & (voltage > 1.03 * x_voltage)
                 & (intervals.power_w < 0.6 * intervals.expected["expected_array_power_w"].to_numpy(dtype=np.float64)))
        lifts, lit = water_is_due(intervals)
        dry = intervals.should_run & intervals.flow_known & ~intervals.flowing & ((powered & lifts) | (light & lit))
    return {"stopped_share": stopped, "stopped_open_share": opened, "stopped_dead_share": dead, "dry_share": dry,
            "dry_light_share": dry & light}


def water_is_due(intervals: Intervals) -> tuple[Flags, Flags]:
    """Say where power, and where light, is such that this site has been seen to lift water at it; NaN says no."""
    wet, days = intervals.flowing & intervals.flow_known, len(intervals.days)
    by_power = own_water_from(intervals.power_w, wet, intervals.day, days)
    by_light = own_water_from(intervals.poa_w_m2, wet, intervals.day, days)
    with np.errstate(invalid="ignore"):
        return (intervals.power_w > np.minimum(by_power, HIGHEST_START * intervals.scales.rated_power_w),
                intervals.poa_w_m2 > np.minimum(by_light, HIGHEST_START * 1000.0))


def _cycling(intervals: Intervals, known: Flags, table: Table) -> None:
    """Count starts under steady strong sun with the two neighbours in the same condition."""
    x_flow = intervals.expected["expected_flow_m3_s"].to_numpy(dtype=np.float64)
    with np.errstate(invalid="ignore"):
        strong = known & (x_flow > 0.35 * intervals.scales.rated_flow_m3_s)
    running = intervals.turning
    pair = strong[1:] & strong[:-1]
    switched = np.concatenate(([False], pair & (running[1:] != running[:-1])))
    hours = _by_day(intervals, strong)
    switches = np.bincount(intervals.day[switched], minlength=len(intervals.days)).astype(np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = np.where(hours >= LEAST_HOURS, np.maximum(switches - 1.0, 0.0) / hours / 3.0, np.nan)
    _put(table, "cycling", rate, np.full(len(rate), 0.02), _count(intervals, strong))


def _probe(site: Site, intervals: Intervals, known: Flags, enough: Flags, hours: NDArray[np.float64],
           count: NDArray[np.float64], table: Table) -> None:
    """Count stops by the probe where it is logged, else stops that follow a level at the probe's depth."""
    said = intervals.channel("low_water_ratio")
    if np.isfinite(said).any():
        amount = np.where(known & np.isfinite(said), said * intervals.hours, 0.0)
        share = np.bincount(intervals.day, weights=amount, minlength=len(intervals.days)) / np.maximum(hours, 1e-9)
        _put(table, "probe_share", np.where(enough, share, np.nan), np.full(len(hours), 0.01), count)
        return
    level, depth = intervals.channel("water_level_m"), site.well.low_water_probe_depth_m
    if depth is None or not np.isfinite(level).any():
        return
    near = max(1.0, 0.03 * depth)
    with np.errstate(invalid="ignore"):
        low = level > depth - near
    recently = low.copy()
    steps = max(1, round(site.drive.low_water_restart_delay_s / 3600.0 / max(float(np.median(intervals.hours)), 1e-6)))
    for shift in range(1, min(steps, 24) + 1):
        recently[shift:] |= low[:-shift]
    stopped = known & ~intervals.turning & recently
    share = _by_day(intervals, stopped) / np.maximum(hours, 1e-9)
    # The reading at the probe itself is the other mark: the site never reaches it while all is well.
    _put(table, "probe_share", np.where(enough, share, np.nan), np.full(len(hours), 0.01), count)


def _float_and_overflow(site: Site, intervals: Intervals, hours: NDArray[np.float64], enough: Flags,
                        count: NDArray[np.float64], table: Table) -> None:
    tank, says = site.tank, intervals.channel("tank_full_ratio")
    level = intervals.channel("tank_level_m")
    if tank is None or not np.isfinite(level).any():
        return
    reset = tank.float_reset_level_m if tank.float_reset_level_m is not None else 0.93 * tank.full_level_m
    x_flow = intervals.expected["expected_flow_m3_s"].to_numpy(dtype=np.float64)
    with np.errstate(invalid="ignore"):
        due = (x_flow > 0.15 * intervals.scales.rated_flow_m3_s) & np.isfinite(level)
        if np.isfinite(says).any():
            held = due & (says > 0.5) & (level < 0.75 * reset)
            due_hours = _by_day(intervals, due)
            share = np.where(due_hours >= LEAST_HOURS, _by_day(intervals, held) / np.maximum(due_hours, 1e-9), np.nan)
            _put(table, "float_hold_share", share, np.full(len(share), 0.01), count)
        limit = tank.overflow_level_m if tank.overflow_level_m is not None else tank.full_level_m
        brimming = due & (level >= 0.985 * limit) & intervals.flowing & (level > tank.full_level_m * 0.99)
    if not site.drive.has_float_input:      # that pumps into a full tank by design
        return
    due_hours = _by_day(intervals, due)
    share = np.where(due_hours >= LEAST_HOURS, _by_day(intervals, brimming) / np.maximum(due_hours, 1e-9), np.nan)
    _put(table, "overflow_share", share, np.full(len(share), 0.02), count)


def _by_day(intervals: Intervals, flags: Flags) -> NDArray[np.float64]:
    return np.bincount(intervals.day[flags], weights=intervals.hours[flags],
                       minlength=len(intervals.days)).astype(np.float64)


def _count(intervals: Intervals, flags: Flags) -> NDArray[np.float64]:
    return np.bincount(intervals.day[flags], minlength=len(intervals.days)).astype(np.float64)


def _put(table: Table, name: str, value: NDArray[np.float64], error: NDArray[np.float64] | float,
         count: NDArray[np.float64]) -> None:
    table.values[name] = value
    table.errors[name] = np.broadcast_to(np.asarray(error, dtype=np.float64), value.shape).copy()
    table.samples[name] = count
