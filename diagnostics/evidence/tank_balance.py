"""Water that arrived against water that was metered, and water that left the tank at night."""

import numpy as np
from numpy.typing import NDArray

from diagnostics.evidence.intervals import Intervals
from diagnostics.evidence.ratios import Table
from diagnostics.site import Site

Vector = NDArray[np.float64]


def tank_table(site: Site, intervals: Intervals) -> Table:
    """
    Summarise per day what the tank says about meter, floor and draw.

    Parameters
    ----------
    site : Site
        Description with the tank's geometry.
    intervals : Intervals
        Readings beside expectation.

    Returns
    -------
    table : Table
        tank_gain where the draw is logged, tank_free_rise where not, night_loss, night_flow.
    """
    table = Table({}, {}, {})
    if site.battery is None and site.wind is None:      # those may well pump at night
        _night_flow(intervals, table)
    volume = intervals.tank_volume_m3
    if site.tank is None or not np.isfinite(volume).any():
        return table
    rise = np.concatenate(([np.nan], np.diff(volume)))
    gap = np.concatenate(([np.nan], np.diff(intervals.index.asi8) / 1e9)) if len(volume) > 1 else rise
    unit = (intervals.index.unit if hasattr(intervals.index, "unit") else "ns")
    gap = gap * {"s": 1e9, "ms": 1e6, "us": 1e3, "ns": 1.0}[unit]
    seconds = intervals.hours * 3600.0
    rise = np.where(np.abs(gap - seconds) < 0.5 * seconds, rise, np.nan)
    draw = intervals.channel("draw_flow_m3_s")
    draw_known = bool(np.isfinite(draw).any())
    spent = np.where(np.isfinite(draw), draw, 0.0 if not draw_known else np.nan) * seconds
    below_full = ~intervals.tank_full & ~np.concatenate(([False], intervals.tank_full[:-1]))
    _gain(intervals, table, rise, spent, seconds, below_full, draw_known)
    _night_loss(site, intervals, table, rise, spent, seconds, "night_loss" if draw_known else "night_use")
    return table


def _gain(intervals: Intervals, table: Table, rise: Vector, spent: Vector, seconds: Vector,
          below_full: NDArray[np.bool_], draw_known: bool) -> None:
    metered = intervals.flow_m3_s * seconds
    x_flow = np.where(np.isfinite(intervals.flow_at_power_m3_s), intervals.flow_at_power_m3_s,
                      intervals.expected["expected_flow_m3_s"].to_numpy(dtype=np.float64))
    due = np.fmax(x_flow * seconds, metered)
    # Whole day and not single steps: a level with a coarse step or a wave averages out over the day.
    usable = below_full & np.isfinite(rise) & np.isfinite(metered) & np.isfinite(spent) & np.isfinite(x_flow)
    pumping = usable & (x_flow > 0.05 * intervals.scales.rated_flow_m3_s)
    count = _sum(intervals, np.ones_like(rise), pumping)
    total = _sum(intervals, due, pumping)
    with np.errstate(invalid="ignore", divide="ignore"):
        if draw_known:
            gain = _sum(intervals, rise + spent - metered, pumping) / total
            _put(table, "tank_gain", np.where(count >= 6, gain, np.nan), np.full(len(gain), 0.02), count)
            return
        # Draw can only lower the tank: what rises beyond the metered water came past the meter. Judged over blocks
        # of about an hour, so that the noise of the level does not add up with one sign.
        block_length = max(1, round(3600.0 / float(np.median(seconds))))
        block = np.arange(len(rise)) // block_length
        size = int(block[-1]) + 1
        beyond = np.bincount(block[pumping], weights=(rise - metered)[pumping], minlength=size)
        block_day = np.zeros(size, dtype=np.intp)
        block_day[block] = intervals.day
        free = np.bincount(block_day, weights=np.maximum(beyond, 0.0), minlength=len(intervals.days)) / total
        _put(table, "tank_free_rise", np.where(count >= 6, free, np.nan), np.full(len(free), 0.02), count)


def _night_loss(site: Site, intervals: Intervals, table: Table, rise: Vector, spent: Vector,
                seconds: Vector, name: str) -> None:
    metered = np.where(np.isfinite(intervals.flow_m3_s), intervals.flow_m3_s, 0.0) * seconds
    night = (intervals.sun_elevation_deg < -3.0) & np.isfinite(rise) & np.isfinite(spent)
    tank = site.tank
    if tank is not None:
        night &= intervals.tank_volume_m3 > 0.02 * np.nanmax(intervals.tank_volume_m3)
    loss = -(rise + spent - metered)
    block_length = max(1, round(3600.0 / float(np.median(seconds))))
    block = np.arange(len(rise)) // block_length
    size = int(block[-1]) + 1
    lost = np.bincount(block[night], weights=loss[night], minlength=size)
    time = np.bincount(block[night], weights=seconds[night], minlength=size)
    complete = time > 0.7 * 3600.0
    if not complete.any() or not np.isfinite(intervals.scales.rated_flow_m3_s):
        return
    block_day = np.zeros(size, dtype=np.intp)
    block_day[block] = intervals.day
    rate = lost[complete] / time[complete] / intervals.scales.rated_flow_m3_s
    days_of = block_day[complete]
    order = np.lexsort((rate, days_of))
    rate, days_of = rate[order], days_of[order]
    count = np.bincount(days_of, minlength=len(intervals.days))
    starts = np.concatenate(([0], np.cumsum(count)[:-1]))
    # The second smallest hourly loss: every real user sleeps for two hours, a hole does not.
    pick = np.clip(starts + np.minimum(1, np.maximum(count - 1, 0)), 0, len(rate) - 1)
    floor = np.where(count >= 4, rate[pick], np.nan)
    _put(table, name, floor, np.full(len(floor), 0.004), count.astype(np.float64))


def _night_flow(intervals: Intervals, table: Table) -> None:
    with np.errstate(invalid="ignore"):
        night = (intervals.sun_elevation_deg < -8.0) & np.isfinite(intervals.flow_m3_s)
    if not night.any() or not np.isfinite(intervals.scales.rated_flow_m3_s):
        return
    count = _sum(intervals, np.ones_like(intervals.hours), night)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = _sum(intervals, np.abs(intervals.flow_m3_s), night) / count / intervals.scales.rated_flow_m3_s
    _put(table, "night_flow", np.where(count >= 6, mean, np.nan), np.full(len(mean), 0.002), count)


def _sum(intervals: Intervals, amount: Vector, chosen: NDArray[np.bool_]) -> Vector:
    return np.bincount(intervals.day[chosen], weights=amount[chosen],
                       minlength=len(intervals.days)).astype(np.float64)


def _put(table: Table, name: str, value: Vector, error: Vector, count: Vector) -> None:
    table.values[name], table.errors[name], table.samples[name] = value, error, count
