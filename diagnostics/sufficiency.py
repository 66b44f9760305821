"""Enough data? Per interval which question can be answered, and why not; per day judged or the named reason."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.evidence.intervals import Intervals
from diagnostics.evidence.source_power import array_power_seen, charger_free, load_holds, on_bus, runs_through
from diagnostics.settings import Settings
from diagnostics.site import Site

Flags = NDArray[np.bool_]
REASONS = ("", "no readings", "no irradiance", "no flow", "no chain", "night", "low sun", "too few hours")


@dataclass(frozen=True)
class Judgeable:
    """
    Which interval can answer what.

    `delivery`: was less water delivered than due? `electrical`: was power short for the sun? `hydraulic`: was water
    short for the power (or, without power, for the sun)? `reason` names why an interval cannot answer the first.
    """

    delivery: Flags
    electrical: Flags
    hydraulic: Flags
    reason: NDArray[np.object_]
    day_judged: Flags
    day_reason: list[str]
    sun_hours: NDArray[np.float64]
    judged_sun_hours: NDArray[np.float64]


def judge(site: Site, intervals: Intervals, settings: Settings) -> Judgeable:
    """
    Decide which intervals and days can be judged.

    Parameters
    ----------
    site : Site
        Description.
    intervals : Intervals
        Readings beside expectation.
    settings : Settings
        Least shares and hours.

    Returns
    -------
    judgeable : Judgeable
        Masks here say "can answer"; the reason column says why not.
    """
    state = intervals.expected["expected_state"].astype(str).to_numpy()
    x_flow = intervals.expected["expected_flow_m3_s"].to_numpy(dtype=np.float64)
    poa, elevation = intervals.poa_w_m2, intervals.sun_elevation_deg
    flow_read = np.isfinite(intervals.flow_m3_s)
    reason = np.full(len(poa), "", dtype=object)
    reason[~flow_read] = "no flow"
    reason[~np.isfinite(x_flow)] = "no irradiance"
    reason[state == "no_chain"] = "no chain"
    nobody = ~np.column_stack([np.isfinite(v) for v in intervals.read.values()]).any(axis=1)
    reason[nobody] = "no readings"
    delivery = (reason == "")
    sun_up = elevation > 5.0
    steady = _settled(intervals)
    with np.errstate(invalid="ignore"):
        sunny = ((poa > settings.least_irradiance_w_m2) & (elevation > 3.0)) | (site.array is None)
        free = np.isin(state, ("running", "low_sun"))
        electrical = sunny & free & ~intervals.near_cap & ~intervals.tank_full
        if intervals.own_limit is not None:
            electrical = electrical & ~intervals.own_limit
        electrical = electrical & intervals.turning & (site.wind is None) & np.isfinite(intervals.power_w) & steady
        if on_bus(site):
            brought = array_power_seen(site, intervals.read, intervals.turning, np.full(len(poa), np.nan))
            # Half an interval of pumping and half of charging is neither.
            lasts = load_holds(intervals.power_w) | runs_through(~intervals.turning)
            electrical = (((poa > settings.least_irradiance_w_m2) & (elevation > 3.0)) & np.isfinite(brought)
                          & (site.wind is None) & lasts & charger_free(site, intervals.read, brought, intervals.day,
                                                                  len(intervals.days)))
        by_power = np.isfinite(intervals.flow_at_power_m3_s)
        hydraulic_power = by_power & intervals.turning & steady
        if on_bus(site):
            hydraulic_power = hydraulic_power & load_holds(intervals.power_w)
        hydraulic_sun = ~by_power & np.isfinite(x_flow) & free & steady & sunny & (
            intervals.flowing | (x_flow < 0.4 * intervals.scales.rated_flow_m3_s))
        hydraulic_sun = hydraulic_sun & (not on_bus(site))
        hydraulic = flow_read & ~intervals.tank_full & (hydraulic_power | hydraulic_sun)
    count = len(intervals.days)
    hours = intervals.hours
    sun_hours = np.bincount(intervals.day[sun_up], weights=hours[sun_up], minlength=count).astype(np.float64)
    good = sun_up & delivery
    judged_hours = np.bincount(intervals.day[good], weights=hours[good], minlength=count).astype(np.float64)
    usual = float(np.nanmedian(sun_hours[sun_hours > 0])) if (sun_hours > 0).any() else 0.0
    full_day = np.maximum(sun_hours, usual)
    judged = ((judged_hours >= settings.least_judged_sun_hours_day)
              & (judged_hours >= settings.least_judged_share_of_day * full_day))
    reasons = _day_reasons(intervals, reason, judged, sun_hours, settings)
    return Judgeable(delivery, electrical, hydraulic, reason, judged, reasons, sun_hours, judged_hours)


def _settled(intervals: Intervals) -> Flags:
    """Tell where the pump also ran in the interval before and after, so that no start or stop is inside."""
    turning = intervals.turning
    before = np.concatenate(([False], turning[:-1]))
    after = np.concatenate((turning[1:], [False]))
    index = intervals.index.asi8
    step = np.diff(index).astype(np.float64)
    near = np.concatenate(([False], step <= 2.0 * np.median(step))) if len(step) else np.array([False] * len(index))
    near_after = np.concatenate((near[1:], [False]))
    # A gap beside the interval says nothing about a stop; only a neighbour that stood does.
    return (before | ~near) & (after | ~near_after)


def _day_reasons(intervals: Intervals, reason: NDArray[np.object_], judged: Flags, sun_hours: NDArray[np.float64],
                 settings: Settings) -> list[str]:
    sun_up = intervals.sun_elevation_deg > 5.0
    frame = pd.DataFrame({"day": intervals.day[sun_up], "reason": reason[sun_up],
                          "hours": intervals.hours[sun_up]})
    frame = frame[frame["reason"] != ""]
    worst = (frame.groupby(["day", "reason"])["hours"].sum().reset_index().sort_values("hours")
             .drop_duplicates("day", keep="last").set_index("day")["reason"].to_dict())
    names = []
    for position in range(len(intervals.days)):
        if judged[position]:
            names.append("")
        elif sun_hours[position] == 0.0:
            names.append("no readings")
        else:
            names.append(str(worst.get(position, "too few hours")))
    return names
