"""Water that arrived against water that was metered, and water that left the tank at night."""

import numpy as np
from numpy.typing import NDArray

from diagnostics.chain.tank import mean_area_m2
from diagnostics.evidence.intervals import Intervals
from diagnostics.evidence.ratios import Table
from diagnostics.site import Site, Tank

Vector = NDArray[np.float64]
BLOCK_S = 7200.0
LEAST_CALM_S = 10000.0
# Height above the outlet, over that of the full tank, below which little or nothing runs out.
DRY_OUTLET = 0.1
# Evaporation of an open tank at night and a level sensor's creep as it cools: some millimetres from dusk to dawn.
LEVEL_CREEP_M_S = 0.4e-3 / 3600.0


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
    name = "night_loss" if draw_known else "night_use"
    _night_loss(intervals, table, spent, seconds, name, site.tank)
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


def _night_loss(intervals: Intervals, table: Table, spent: Vector, seconds: Vector, name: str,
                tank: Tank) -> None:
    """
    Fit how fast the stored water falls at night beyond what is metered out, and put it down by day.

    Stored volume plus metered draw less metered inflow stays level over the night of a tank that holds. A line is
    fitted to all readings on either side of midnight, so that the noise of a level sensor averages out; where the
    draw is not metered, to each two hours. Of these lines the night keeps those that fall no faster than the
    quietest does within their errors: every user sleeps for some hours, a hole never.
    """
    rated, area_m2 = intervals.scales.rated_flow_m3_s, mean_area_m2(tank)
    if not np.isfinite(rated):
        return
    metered = np.where(np.isfinite(intervals.flow_m3_s), intervals.flow_m3_s, 0.0) * seconds
    passed = np.nan_to_num(spent)
    held = intervals.tank_volume_m3 + np.cumsum(passed - metered)
    night = (intervals.sun_elevation_deg < -3.0) & np.isfinite(held) & np.isfinite(spent)
    night &= intervals.tank_volume_m3 > 0.02 * np.nanmax(intervals.tank_volume_m3)
    if name == "night_use":
        # From a tank that has fallen to its outlet nobody draws, and the night tells nothing of who would.
        above = DRY_OUTLET * (tank.full_level_m - tank.outlet_level_m)
        night &= intervals.channel("tank_level_m") > tank.outlet_level_m + above
    if not night.any():
        return
    rate, error, day, length = _falling_lines(intervals, held, passed + metered, night, seconds, area_m2,
                                              whole_nights=name == "night_loss")
    days = len(intervals.days)
    count = np.bincount(day, weights=length, minlength=days)
    quietest, its_error = np.full(days, np.inf), np.full(days, np.inf)
    order = np.lexsort((rate, day))
    first = np.concatenate(([True], day[order][1:] != day[order][:-1])) if len(order) else np.zeros(0, dtype=bool)
    quietest[day[order[first]]], its_error[day[order[first]]] = rate[order[first]], error[order[first]]
    # Where the draw is metered only what passes that meter by must be kept out.
    width = 4.0 if name == "night_loss" else 2.5
    calm = rate <= quietest[day] + width * np.hypot(error, its_error[day])
    weight = np.bincount(day[calm], weights=error[calm]**-2, minlength=days)
    with np.errstate(invalid="ignore", divide="ignore"):
        loss = np.bincount(day[calm], weights=(rate / error**2)[calm], minlength=days) / weight
        least = np.bincount(day[calm], weights=length[calm], minlength=days) >= LEAST_CALM_S
        creep = LEVEL_CREEP_M_S * area_m2
        beyond = np.sign(loss) * np.maximum(np.abs(loss) - creep, 0.0)
        value = np.where(least, beyond / rated, np.nan)
        _put(table, name, value, np.where(least, np.hypot(weight**-0.5, creep) / rated, np.nan), count / 3600.0)


def _falling_lines(intervals: Intervals, held: Vector, passed: Vector, night: NDArray[np.bool_], seconds: Vector,
                   area_m2: float, *, whole_nights: bool) -> tuple[Vector, Vector, NDArray[np.intp], Vector]:
    """Return fall of each block of the night, its standard error [m3/s], its day and the time it covers [s]."""
    step = float(np.median(seconds))
    per_block = max(4, round(BLOCK_S / step))
    at = np.flatnonzero(night)
    time = (intervals.index[at] - intervals.index[0]).total_seconds().to_numpy(dtype=np.float64)
    # No block reaches over midnight, where the day that it counts for changes.
    part = intervals.hour[at] // 12.0 if whole_nights else time // (per_block * step)
    block = part.astype(np.int64) * len(intervals.days) + intervals.day[at]
    _, first, block = np.unique(block, return_index=True, return_inverse=True)
    size = np.bincount(block).astype(np.float64)
    x = time - time[first][block]
    y = held[at] - held[at][first][block]
    x -= (np.bincount(block, weights=x) / size)[block]
    y -= (np.bincount(block, weights=y) / size)[block]
    spread = np.bincount(block, weights=x * x)
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = np.bincount(block, weights=x * y) / spread
        scatter = np.maximum(np.bincount(block, weights=y * y) - slope**2 * spread, 0.0) / (size - 2.0)
        whole = (size >= 0.7 * per_block) & (size >= 3) & np.isfinite(slope)
        usual = float(np.median(scatter[whole])) if whole.any() else 0.0
        length = size * step
        # A level that is written in steps hides what falls by less than a step in one block.
        hidden = 0.5 * _level_step(intervals) * area_m2 / length
        metered = 0.05 * np.bincount(block, weights=np.abs(passed[at])) / length
        error = np.sqrt(np.maximum(scatter, usual) / spread + hidden**2 + metered**2 + (1e-4 * area_m2 / length)**2)
    return -slope[whole], error[whole], intervals.day[at][first][whole], length[whole]


def _level_step(intervals: Intervals) -> float:
    """Return the step in which the level is written. [m]"""
    change = np.abs(np.diff(intervals.channel("tank_level_m")))
    change = change[change > 1e-6]
    return float(np.quantile(change, 0.02)) if change.size else 0.0


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
