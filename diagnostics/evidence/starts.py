"""What a start tells: how much water fills an emptied riser before any arrives."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.evidence.intervals import Intervals
from diagnostics.evidence.ratios import Table
from diagnostics.site import SURFACE, Site

Vector = NDArray[np.float64]
FILL_HOURS, AFTER_HOURS = 0.75, 1.0


def start_table(site: Site, intervals: Intervals) -> Table:
    """
    Compare the water of the first three quarters of an hour after each start with that of the hour after them.

    The flow that power gives is scaled by the hour that follows, so that a weak pump or a meter does not look like an
    empty riser; what is missing then went into filling. (Drained length = missing volume over pipe area.)

    Parameters
    ----------
    site : Site
        Description with the riser.
    intervals : Intervals
        Readings beside expectation.

    Returns
    -------
    table : Table
        fill_volume: mean over the day's starts, over the riser's volume; absent for intervals above 15 minutes.
    """
    table = Table({}, {}, {})
    step = float(np.median(intervals.hours))
    volume = riser_volume_m3(site)
    first, after = max(1, round(FILL_HOURS / step)), max(2, round(AFTER_HOURS / step))
    if step > 0.26 or volume <= 0.0 or not np.isfinite(intervals.flow_at_power_m3_s).any():
        return table
    turning = intervals.turning & np.isfinite(intervals.flow_at_power_m3_s) & intervals.flow_known
    starts = np.flatnonzero(turning & ~np.concatenate(([True], intervals.turning[:-1])))
    starts = starts[starts + first + after <= len(turning)]
    if starts.size == 0:
        return table
    window = starts[:, None] + np.arange(first + after)[None, :]
    whole = turning[window].all(axis=1) & ~intervals.tank_full[window].any(axis=1)
    window = window[whole]
    due, came = intervals.flow_at_power_m3_s[window], intervals.flow_m3_s[window]
    seconds = 3600.0 * step
    with np.errstate(invalid="ignore", divide="ignore"):
        scale = came[:, first:].sum(axis=1) / due[:, first:].sum(axis=1)
        missing = (scale[:, None] * due[:, :first] - came[:, :first]).sum(axis=1) * seconds / volume
        doubt = 0.35 * due[:, :first].sum(axis=1) * seconds / volume
    # A riser that is small beside the water of those minutes cannot be told from a slow start.
    known = np.isfinite(missing) & (scale > 0.1) & (doubt < 1.0)
    if not known.any():
        return table
    frame = pd.DataFrame({"day": intervals.day[window[known, 0]], "fill": missing[known], "doubt": doubt[known]})
    by_day = frame.groupby("day").agg(fill=("fill", "mean"), doubt=("doubt", "mean"), size=("fill", "size"))
    value = np.full(len(intervals.days), np.nan)
    error, count = value.copy(), np.zeros(len(intervals.days))
    at = by_day.index.to_numpy()
    count[at] = by_day["size"].to_numpy()
    value[at] = np.clip(by_day["fill"].to_numpy(), -3.0, 3.0)
    error[at] = by_day["doubt"].to_numpy() / np.sqrt(count[at])
    table.values["fill_volume"], table.errors["fill_volume"], table.samples["fill_volume"] = value, error, count
    return table


def riser_volume_m3(site: Site) -> float:
    """
    Water that a full riser holds above the water table. [m3].

    Parameters
    ----------
    site : Site
        Description.

    Returns
    -------
    volume_m3 : float
        [m3]
    """
    if site.pump.family in SURFACE:
        run = site.pipework.suction
        return 0.0 if run is None else float(np.pi / 4.0 * run.bore_m**2 * run.length_m)
    run = site.pipework.runs[0]
    return float(np.pi / 4.0 * run.bore_m**2 * min(run.length_m, max(site.well.static_water_level_m, 0.0) + 2.0))
