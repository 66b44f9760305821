"""Silence of the logger, by rule: no reading is no reading, and needs no weighing."""

import numpy as np
import pandas as pd

from diagnostics.causes import CAUSES
from diagnostics.evidence.intervals import Intervals
from diagnostics.results import EvidenceRow, Finding
from diagnostics.settings import Settings


def silence_findings(site_id: str, intervals: Intervals, settings: Settings, as_of_utc: pd.Timestamp | None
                     ) -> list[Finding]:
    """
    Report a logger that is silent now, or the last long outage that has ended.

    Parameters
    ----------
    site_id : str
        Site.
    intervals : Intervals
        Readings; an interval counts as heard where any channel holds a value.
    settings : Settings
        Hours after which silence counts.
    as_of_utc : pandas.Timestamp, optional
        Time up to which readings should have come; without it only outages between readings can be seen.

    Returns
    -------
    findings : list of Finding
        At most one; never two findings for one cause.
    """
    heard = np.column_stack([np.isfinite(values) for values in intervals.read.values()]).any(axis=1)
    stamps = intervals.index[np.flatnonzero(heard)]
    if len(stamps) == 0:
        return []
    end = as_of_utc if as_of_utc is not None else intervals.index[-1]
    open_hours = (end - stamps[-1]) / pd.Timedelta(hours=1)
    if open_hours >= settings.silent_after_hours:
        return [_finding(site_id, intervals, stamps[-1], end, is_open=True)]
    gaps = np.diff(stamps.asi8) * _nanoseconds(stamps) / 3.6e12
    long = np.flatnonzero(gaps >= settings.outage_hours)
    if long.size == 0:
        return []
    last = int(long[-1])
    return [_finding(site_id, intervals, stamps[last], stamps[last + 1], is_open=False)]


def _nanoseconds(stamps: pd.DatetimeIndex) -> float:
    return {"s": 1e9, "ms": 1e6, "us": 1e3, "ns": 1.0}[stamps.unit]


def _finding(site_id: str, intervals: Intervals, first: pd.Timestamp, last: pd.Timestamp, *, is_open: bool) -> Finding:
    cause = CAUSES["logger_silent"]
    zone_shift = pd.Timedelta(hours=float(intervals.hour[-1])) - (
        intervals.index[-1] - pd.Timedelta(hours=float(intervals.hours[-1]) / 2.0)
        - (intervals.index[-1] - pd.Timedelta(hours=float(intervals.hours[-1]) / 2.0)).normalize())
    hours = (last - first) / pd.Timedelta(hours=1)
    onset, seen = (first + zone_shift).date(), (last + zone_shift).date()
    says = (f"No reading since {onset}, {hours:.0f} hours." if is_open
            else f"No readings for {hours:.0f} hours, from {onset} to {seen}.")
    row = EvidenceRow(check="silent_share", says=says, value=float(hours), healthy=0.0, unit="h", outcome="supports",
                      n_samples=1, source="time stamps of the readings")
    return Finding(
        site_id=site_id, cause=cause.code, confidence=0.99, group=[cause.code], onset=onset, onset_low=onset,
        onset_high=onset, onset_shape="step", last_seen=seen, size=float(hours), size_low=float(hours),
        size_high=float(hours), size_unit="h", size_means="hours without a reading", water_lost_m3_day=0.0,
        water_lost_low_m3_day=0.0, water_lost_high_m3_day=0.0, evidence=[row], rivals=[], next_test=cause.test,
        field_readings=list(cause.readings), parts=list(cause.parts), dangers=list(cause.dangers),
        owner_of_cause=cause.owner_of_cause, urgency=cause.urgency if is_open else "information",
        status="new" if is_open and hours < 14 * 24 else "steady" if is_open else "healed",
        status_says="Still silent." if is_open else f"Readings again since {seen}.")
