"""When a sound pump of this site would run: sun enough for its own array and start, and a tank that calls."""

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.chain.tank import mean_area_m2
from diagnostics.evidence.site_scales import Scales
from diagnostics.site import Site

Vector = NDArray[np.float64]
Flags = NDArray[np.bool_]
# Mornings from which a site's own start can be told.
LEAST_START_DAYS = 5
# Longest stand between two runs that low use may explain where no tank is logged. [h]
LONGEST_FULL_HOURS = 60.0


def own_start(poa: Vector, turning: Flags, day: NDArray[np.intp]) -> float:
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


def own_water_from(offered: Vector, flowing: Flags, day: NDArray[np.intp], days: int) -> Vector:
    """
    Return the power or light above which this site is asked for water: what it has itself been seen to need.

    A pump that spins and lifts nothing yet has not run dry. Where water begins hangs on the head curve near shut-off
    and on how an ejector entrains, neither of which a sheet prints to better than a half, and it moves with the level
    in the well: the least with water of each day, over the days around. Days without a drop teach nothing.

    Parameters
    ----------
    offered : ndarray, shape (n,)
        Power into the drive or light on the array. [W or W/m2]
    flowing : ndarray of bool, shape (n,)
        Water is metered.
    day : ndarray of int, shape (n,)
        Day of each reading.
    days : int
        Number of days.

    Returns
    -------
    least : ndarray, shape (n,)
        With room of a quarter; 0 where fewer than five days with water are known.
    """
    wet = np.flatnonzero(flowing & np.isfinite(offered))
    by_day = pd.Series(offered[wet]).groupby(day[wet]).quantile(0.03).reindex(range(days))
    if by_day.notna().sum() < LEAST_START_DAYS:
        return np.zeros(len(offered))
    usual = by_day.rolling(21, center=True, min_periods=3).median().ffill().bfill()
    return np.asarray(1.25 * usual.to_numpy(dtype=np.float64)[day])


def own_due_flow(model: Any, power: Vector, flow: Vector, x_power: Vector, x_flow: Vector, day: NDArray[np.intp],
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


def idle_power(site: Site, x_power: Vector, scales: Scales) -> Vector:
    """Power below which nothing turns: a share of what is due, and the drive's own standby with room for its spread."""
    standby = 0.0 if site.drive.kind == "direct" else 2.5 * site.drive.standby_power_w
    return np.maximum(np.maximum(0.08 * x_power, 0.01 * scales.rated_power_w),
                      min(standby, 0.25 * scales.rated_power_w))


def logged_full(site: Site, read: dict[str, Vector], n: int, inflow_m3: float = 0.0) -> tuple[Flags, Flags]:
    """
    Say where the tank was full, by float or by level with the float's own hysteresis.

    A tank that has reached its full mark stays "full" until the level has fallen to where the float calls again.
    A float that says full while the level is known to be far below is not believed here: that is evidence.
    The mean level of an hour lies below the one at which the float stopped the pump within it, by half of what the
    pump lifts in an interval (`inflow_m3`, 0 for readings close enough together).
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
        within = min(0.5 * inflow_m3 / mean_area_m2(tank), max(0.5 * (tank.full_level_m - reset), 0.0))
        with np.errstate(invalid="ignore"):
            mark = np.where(level >= tank.full_level_m - near - within, 1.0,
                            np.where(level < reset - near, 0.0, np.nan))
            low = level < 0.75 * reset
        held = pd.Series(mark).ffill(limit=500).to_numpy(dtype=np.float64)
        full = (held == 1.0) & np.isfinite(level)
    with np.errstate(invalid="ignore"):
        says = float_says > 0.05
    # A float that is logged says itself when it calls again; the level only stands in for it.
    full = np.where(np.isfinite(float_says), says & ~low, full)
    return full, known


def probably_full(site: Site, turning: Flags, should: Flags, end_utc: pd.DatetimeIndex) -> Flags:
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
