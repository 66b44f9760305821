"""A station that measures but does not pump: judged on the parts it has, and said so."""

import numpy as np
import pandas as pd

from diagnostics.causes import CAUSES
from diagnostics.evidence.intervals import WEATHER_CHANNELS, Intervals, build_intervals
from diagnostics.evidence.sensor_checks import sensor_table
from diagnostics.expected import expect
from diagnostics.readings import SiteReadings
from diagnostics.results import DAY_COLUMNS, EvidenceRow, Finding, SiteDiagnosis, StateSpan
from diagnostics.settings import Settings
from diagnostics.site import Site
from diagnostics.station_checks import (
    Seen,
    as_written,
    judge_array,
    judge_clock,
    judge_clock_jump,
    judge_closure,
    judge_flow,
    judge_gaps,
    judge_level,
    judge_light_scale,
)

# The checks behind these findings were written for one question each and weigh no rival: never nearly certain.
_CONFIDENCE = 0.8


def diagnose_station(site: Site, readings: SiteReadings, *, settings: Settings | None = None) -> SiteDiagnosis:
    """
    Judge a site that lacks the pump or a part around it.

    Expected delivery does not exist here, so the verdict is always "not enough data"; what the array, the sensors,
    the flow record and the water level say stands in the findings and notes.

    Parameters
    ----------
    site : Site
        With `parts_absent`.
    readings : SiteReadings
        Values with masks.
    settings : Settings, optional
        Thresholds.

    Returns
    -------
    diagnosis : SiteDiagnosis
        Days, intervals, findings, states and notes; no account.
    """
    absent = " and no ".join(site.parts_absent)
    lacking = f"This station has no {absent}: it measures, it does not pump."
    if len(readings.values) == 0:
        return SiteDiagnosis(site.id, pd.DataFrame(columns=list(DAY_COLUMNS)), pd.DataFrame(), pd.DataFrame(), [], [],
                             [], verdict_says=f"{lacking} No readings at all.")
    weather = pd.DataFrame({name: readings.sound(name) for name in WEATHER_CHANNELS}, index=readings.values.index)
    expected = expect(site, weather, readings.interval_s)
    intervals = build_intervals(site, readings, expected, None, settings or Settings())
    # Sensors and clock are asked with everything they wrote: light by night is what a wrong clock looks like.
    written = as_written(readings)
    table = sensor_table(site, written, build_intervals(site, written, expected, None, settings or Settings()), None)
    unknown = np.full(len(intervals.days), np.nan)
    # A tilted sensor in a plane nobody described sees its own morning and evening, not the clock's.
    plane_known = site.array is not None or readings.has("global_horizontal_irradiance_w_m2")
    shift = table.values.get("clock", unknown) if plane_known else unknown
    seen = [*judge_array(site, intervals), *judge_clock(intervals, shift, table.errors.get("clock", unknown)),
            *judge_clock_jump(readings, intervals), *judge_light_scale(readings, intervals),
            *judge_closure(readings, intervals), *judge_flow(site, readings, intervals),
            *judge_level(readings, site.timezone), *judge_gaps(readings, site.timezone)]
    findings = [_finding(site.id, one) for one in seen if one.cause]
    judged = sorted({one.says.split(":", 1)[0].lower() for one in seen})
    summaries = pd.DataFrame(table.values, index=intervals.days)
    return SiteDiagnosis(
        site.id, _day_table(readings, intervals), summaries, _interval_table(intervals), findings,
        [StateSpan(site_id=site.id, state=state, first_day=first, last_day=last, volume_m3=0.0,
                   says="Flow stopped or far below usual.") for one in seen for first, last, state in one.spans],
        [], verdict="not enough data", verdict_says=f"{lacking} Judged: {', '.join(judged) or 'nothing'}.",
        notes=[one.says for one in seen])


def _finding(site_id: str, seen: Seen) -> Finding:
    cause = CAUSES[seen.cause]
    onset = seen.onset
    if onset is None or seen.last_seen is None:
        raise ValueError(f"'{seen.says}' names a cause without saying since when.")
    return Finding(
        site_id=site_id, cause=seen.cause, confidence=_CONFIDENCE, group=[seen.cause], onset=onset,
        onset_low=seen.onset_low or onset, onset_high=seen.onset_high or onset, onset_shape=seen.shape,
        last_seen=seen.last_seen, size=seen.size, size_low=min(seen.size_low, seen.size_high),
        size_high=max(seen.size_low, seen.size_high), size_unit=seen.unit, size_means=seen.means,
        water_lost_m3_day=0.0, water_lost_low_m3_day=0.0, water_lost_high_m3_day=0.0,
        evidence=[EvidenceRow(check=f"station_{seen.cause}", says=seen.says, value=seen.size, healthy=None,
                              unit=seen.unit, outcome="supports", n_samples=seen.n_samples)],
        rivals=[], next_test=cause.test, field_readings=list(cause.readings), parts=list(cause.parts),
        dangers=list(cause.dangers), owner_of_cause=cause.owner_of_cause,
        urgency="next_route" if seen.is_open else "information", status="steady" if seen.is_open else "healed",
        status_says="" if seen.is_open else "It ended by itself.")


def _day_table(readings: SiteReadings, intervals: Intervals) -> pd.DataFrame:
    count, day, hours = len(intervals.days), intervals.day, intervals.hours
    light, clear = np.nan_to_num(intervals.poa_w_m2), intervals.expected["clear_sky_poa_w_m2"].to_numpy(dtype=float)
    clear = np.where(np.isfinite(intervals.poa_w_m2), np.nan_to_num(clear), 0.0)
    flow = np.nan_to_num(readings.sound_array("flow_m3_s"))
    sun = np.bincount(day, weights=np.where(intervals.sun_elevation_deg > 5.0, hours, 0.0), minlength=count)
    irradiation = np.bincount(day, weights=np.maximum(light, 0.0) * hours / 1000.0, minlength=count)
    under_clear = np.bincount(day, weights=clear * hours / 1000.0, minlength=count)
    any_reading = np.bincount(day, minlength=count) > 0
    nothing = np.full(count, np.nan)
    table = pd.DataFrame({name: nothing for name in DAY_COLUMNS}, index=intervals.days)
    table["judged"] = False
    table["reason"] = np.where(any_reading, "no pump described", "no readings")
    table["seen_m3"] = np.bincount(day, weights=flow * hours * 3600.0, minlength=count)
    table["irradiation_kwh_m2"] = irradiation
    table["clear_sky_ratio"] = np.where(under_clear > 0.2, irradiation / np.maximum(under_clear, 1e-9), np.nan)
    table["sun_hours"] = sun
    for name in ("judged_sun_hours", "tank_full_m3", "off_hours"):
        table[name] = 0.0
    table["main_state"] = np.where(any_reading, "not_judged", "silent")
    return table


def _interval_table(intervals: Intervals) -> pd.DataFrame:
    table = intervals.expected.copy()
    table["flow_m3_s"] = intervals.flow_m3_s
    table["array_power_w"] = intervals.power_w
    table["flow_at_power_m3_s"] = np.nan
    table["own_expected_flow_m3_s"] = np.nan
    table["tank_full"] = False
    table["judged"] = False
    table["reason"] = pd.Categorical(["no pump described"] * len(table))
    table["day"] = intervals.days.to_numpy()[intervals.day]
    return table
