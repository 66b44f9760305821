"""One site from readings to findings, account and verdict."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.account import DayBooks, accounts_by_month
from diagnostics.baseline import clearness_of_days, epochs_of, own_interval, tolerance_directions
from diagnostics.causes import CAUSES, Cause
from diagnostics.chain.learned import SHEET, Learned
from diagnostics.data_chain import TOLD_BY_RULE, DataChain, look_at_water, look_through
from diagnostics.evidence.days import daily_summaries
from diagnostics.evidence.features import POSITION
from diagnostics.evidence.intervals import WEATHER_CHANNELS, Intervals, build_intervals
from diagnostics.evidence.run_states import interval_states
from diagnostics.evidence.source_power import as_running
from diagnostics.evidence.summary import Summaries
from diagnostics.expected import ChainNotAvailable, SiteModel, expect
from diagnostics.health import Health
from diagnostics.inference.findings import WorkDay, build_finding
from diagnostics.inference.lost_water import cause_shares, day_books, healthy_ratio, loss_of, loss_ratio
from diagnostics.inference.profiles import build_profiles, no_profiles
from diagnostics.inference.search import Accepted, select_causes
from diagnostics.inference.signatures import Signatures, compute_signatures, setting_of
from diagnostics.inference.silence import silence_findings
from diagnostics.inference.weigh import Noise, build_field, day_noise, feature_drift
from diagnostics.quality.settings import QualitySettings
from diagnostics.readings import SiteReadings
from diagnostics.repairs import prove_repairs
from diagnostics.results import DAY_COLUMNS, ServiceEvent, SiteDiagnosis, StateSpan
from diagnostics.settings import Settings
from diagnostics.site import Site
from diagnostics.station import diagnose_station
from diagnostics.sufficiency import Judgeable, judge
from diagnostics.verdict import verdict_of

Vector = NDArray[np.float64]
_WEIGHED = {code: cause for code, cause in CAUSES.items() if code not in TOLD_BY_RULE}
LEAST_CLOCK_H = 0.3         # three quarters of the least shift that is weighed
FLOW_AT_POWER = ("flow_low_power", "flow_mid_power", "flow_high_power")
NO_WATER = -0.9             # flow at the power taken, less 1
# Dangerous or cheap to mend: told however little water they cost.
TOLD_AT_ANY_LOSS = ("wiring_resistance", "string_open", "module_bypassed", "battery_weak", "charging_fault")


@dataclass(frozen=True)
class Weighing:
    """What a weighing found and worked with, for the nights that follow it."""

    chain: DataChain
    mended: bool                        # the chain of data was not in order
    intervals: Intervals
    judgeable: Judgeable
    summaries: Summaries
    noise: Noise
    drift: pd.DataFrame                 # healthy course of each summary
    accepted: list[Accepted]
    signatures: Signatures
    sound_ratio: Vector
    learned: Learned                    # of the newest epoch
    books: DayBooks
    dry_counts: bool                    # hours without water under power count as stood


def diagnose_site(site: Site, readings: SiteReadings, *, service_events: Sequence[ServiceEvent] = (),
                  settings: Settings | None = None, as_of_utc: pd.Timestamp | None = None,
                  quality: QualitySettings | None = None) -> SiteDiagnosis:
    """
    Diagnose one site from all its readings.

    The data chain is looked through first (clock, columns, units, codes for "no value"); the causes are weighed on what
    is left of the readings. The whole record is weighed each time, so a nightly run gives what a full run gives.

    Parameters
    ----------
    site : Site
        Description.
    readings : SiteReadings
        Values with masks on one grid.
    service_events : sequence of ServiceEvent, optional
        Service log of this site.
    settings : Settings, optional
        Thresholds.
    as_of_utc : pandas.Timestamp, optional
        Time up to which readings should have come, usually the fleet's last; makes silence visible.
    quality : QualitySettings, optional
        Thresholds of the masks, for those that are made anew once the chain of data is put right.

    Returns
    -------
    diagnosis : SiteDiagnosis
        Days, summaries, intervals, findings, states, accounts, proofs and verdict.
    """
    return weigh_site(site, readings, service_events=service_events, settings=settings, as_of_utc=as_of_utc,
                      quality=quality)[0]


def weigh_site(site: Site, readings: SiteReadings, *, service_events: Sequence[ServiceEvent] = (),
               settings: Settings | None = None, as_of_utc: pd.Timestamp | None = None,
               quality: QualitySettings | None = None) -> tuple[SiteDiagnosis, Weighing | None]:
    """
    Diagnose one site and return what the diagnosis worked with beside it.

    Parameters
    ----------
    site, readings, service_events, settings, as_of_utc, quality
        As for `diagnose_site`.

    Returns
    -------
    diagnosis : SiteDiagnosis
        All that is told.
    weighing : Weighing or None
        None where nothing was weighed: no readings, a station without a pump, no chain.
    """
    settings = settings or Settings()
    if len(readings.values) == 0:
        return _empty(site, "No readings at all."), None
    if not any(np.isfinite(readings.values[name].to_numpy(dtype=np.float64)).any() for name in readings.values):
        return _empty(site, "Rows arrive, but not one of them holds a number."), None
    if site.parts_absent:
        return diagnose_station(site, readings, settings=settings), None
    chain, as_read = look_through(site, readings, quality=quality), readings
    notes: list[str] = list(chain.notes)
    model: SiteModel | None
    try:
        model = SiteModel.build(site)
        notes += model.notes
    except ChainNotAvailable as gap:
        model = None
        notes.append(f"Expected delivery cannot be reckoned: {gap}")
    weather = pd.DataFrame({name: chain.readings.sound(name) for name in WEATHER_CHANNELS},
                           index=chain.readings.values.index)
    expected = expect(site, weather, chain.readings.interval_s, model=model)
    # While it runs the pump is not throttled by the probe that will stop it; the stops are counted by themselves.
    running_site, as_described = as_running(not_held_by_its_probe(site)), model
    if model is not None and running_site is not site:
        model = SiteModel.build(running_site)
    intervals = build_intervals(site, chain.readings, expected, model, settings, as_of_utc=as_of_utc)
    looked = chain if model is None else look_at_water(site, chain, *_due_flows(model, intervals))
    if looked.readings is not chain.readings:
        intervals = build_intervals(site, looked.readings, expected, model, settings, as_of_utc=as_of_utc)
    chain, readings = looked, looked.readings
    judgeable = judge(site, intervals, settings)
    summaries = daily_summaries(site, readings, intervals, judgeable, as_of_utc=as_of_utc)
    signatures = compute_signatures(site, intervals, judgeable, lambda health: _build(running_site, health), model,
                                    frozenset(name for name in intervals.read if intervals.has(name)),
                                    causes=_causes_to_weigh(summaries))
    event_day = _event_days(site, service_events, intervals)
    noise = day_noise(summaries, settings)
    profiles = build_profiles(len(intervals.days), events=sorted(set(event_day.values())),
                              washes=_washes(intervals, service_events, event_day, settings),
                              flags=_flags(summaries))
    setting = setting_of(site, intervals)
    directions = tolerance_directions(signatures, len(intervals.days), epochs_of(service_events, event_day),
                                      level_logged=setting.level_logged, warmth_k=warmth_of_days(intervals),
                                      clearness=clearness_of_days(intervals),
                                      plane_logged=intervals.has("poa_irradiance_w_m2"),
                                      site=site, deeper=summaries.values["static_level"].to_numpy(dtype=np.float64),
                                      night_use=summaries.values["night_use"].to_numpy(dtype=np.float64))
    accepted, _ = select_causes(signatures, noise, profiles, directions, settings)
    field = build_field(noise, no_profiles(len(intervals.days)), directions, settings,
                        known_shifts=[a.known() for a in accepted])
    drift = feature_drift(field, noise, settings, directions)
    sound_ratio = np.ones(len(intervals.days))
    if model is not None:
        firsts = [epoch.first_day for epoch in epochs_of(service_events, event_day)]
        sound_ratio = healthy_ratio(drift, signatures, firsts, judgeable.day_judged)
    stopped = interval_states(site, intervals)["stopped_share"] if model is not None else np.zeros(
        len(intervals.index), dtype=bool)
    learned = SHEET
    if as_described is not None:
        quiet = ~np.any([a.course > 0.0 for a in accepted] or [np.zeros(len(sound_ratio), dtype=bool)], axis=0)
        free = judgeable.delivery & (judgeable.day_judged & quiet)[intervals.day] & ~intervals.tank_full & ~stopped
        own, learned = own_interval(site, as_described, weather, intervals, firsts, free, sound_ratio)
        intervals = replace(intervals, expected=own)
    dry_counts = model is not None and any(
        a.cause.kind == "stop" and a.shift[POSITION["dry_share"]] > 0.0 for a in accepted)
    lost_hours = stopped | interval_states(site, intervals)["dry_share"] if dry_counts else stopped
    books = day_books(intervals, judgeable, readings, cause_shares(accepted, signatures), sound_ratio, lost_hours)
    work = [WorkDay(event_day[e.when_utc.isoformat()], e.action, e.meant_for) for e in service_events
            if e.when_utc.isoformat() in event_day]
    findings = [build_finding(site.id, a, days=intervals.days, signatures=signatures, noise=noise, drift=drift,
                              profiles=profiles, setting=setting, loss=loss_of(a, books), work=work,
                              settings=settings) for a in accepted]
    findings = [f for f, a in zip(findings, accepted, strict=True) if _worth_telling(a, signatures, settings)]
    findings = [*chain.findings, *(f for f in findings if f.cause not in {one.cause for one in chain.findings}),
                *silence_findings(site.id, intervals, settings, as_of_utc)]
    days = day_table(intervals, judgeable, books, stopped, summaries)
    verdict, says = verdict_of(days, findings, books, chain, settings,
                               judged_sun_hours=float(judgeable.judged_sun_hours.sum()),
                               may_rest=may_rest(site), on_demand=site.drive.kind == "battery_bus")
    diagnosis = SiteDiagnosis(
        site_id=site.id, days=days, summaries=summaries.values, findings=findings,
        intervals=interval_table(intervals, judgeable, sound_ratio), states=states_of(site.id, days),
        accounts=accounts_by_month(site.id, intervals.days, books),
        proofs=prove_repairs(service_events, event_day, signatures, noise, drift, accepted), verdict=verdict,
        verdict_says=says, notes=notes)
    if model is None:
        return diagnosis, None
    return diagnosis, Weighing(chain, readings is not as_read, intervals, judgeable, summaries, noise, drift, accepted,
                               signatures, sound_ratio, learned, books, dry_counts)


def _causes_to_weigh(summaries: Summaries) -> dict[str, Cause]:
    """
    Leave the clock out where the light never stood off the sun for a week.

    Shifts of half an hour and more are told by rule before; without this a turned array, whose baseline expects the
    light elsewhere, makes a right clock look wrong.
    """
    late_h = summaries.values["clock"].rolling(7, min_periods=3).median().abs().max()
    return {code: cause for code, cause in _WEIGHED.items() if code != "clock_shift" or late_h >= LEAST_CLOCK_H}


def not_held_by_its_probe(site: Site) -> Site:
    """Return the site as it is between two stops by the low-water probe; the same where a probe stops nothing."""
    if site.well.low_water_probe_depth_m is None or not site.drive.has_low_water_stop:
        return site
    return site.model_copy(update={"drive": site.drive.model_copy(update={"has_low_water_stop": False})})


def may_rest(site: Site) -> bool:
    """Say whether something besides a fault can stop this pump while the sun calls."""
    return (site.tank is not None or site.drive.has_float_input or site.drive.has_low_water_stop
            or site.battery is not None or site.wind is not None or site.pipework.outlet_pressure_pa > 0.0)


def _due_flows(model: SiteModel, intervals: Intervals) -> tuple[Vector, Vector]:
    """
    Return the healthy flow at the power that was taken, or at the sun where power is not logged, twice.

    Once with the rest level that is logged, once with that of the sheet. [m3/s]
    """
    sun = intervals.expected["expected_flow_m3_s"].to_numpy(dtype=np.float64)
    if not np.isfinite(intervals.power_w).any():
        return sun, sun
    by_sheet = np.asarray(model.flow_at_power(intervals.power_w, static_level_m=intervals.sheet_level_m),
                          dtype=np.float64)
    return (np.where(intervals.turning, intervals.flow_at_power_m3_s, np.nan),
            np.where(intervals.turning, by_sheet, np.nan))


def _build(site: Site, health: Health) -> SiteModel:
    return SiteModel.build(site, health)


def _event_days(site: Site, events: Sequence[ServiceEvent], intervals: Intervals) -> dict[str, int]:
    found: dict[str, int] = {}
    first = pd.Timestamp(intervals.days[0])
    for event in events:
        stamp = pd.Timestamp(event.when_utc)
        stamp = stamp.tz_localize("UTC") if stamp.tzinfo is None else stamp
        day = (stamp.tz_convert(site.timezone).tz_localize(None).normalize() - first).days
        if 0 <= day < len(intervals.days):
            found[event.when_utc.isoformat()] = int(day)
    return found


def _washes(intervals: Intervals, events: Sequence[ServiceEvent], event_day: dict[str, int],
            settings: Settings) -> list[int]:
    days = {event_day[e.when_utc.isoformat()] for e in events
            if e.action == "washed_array" and e.when_utc.isoformat() in event_day}
    rain = intervals.channel("rain_mm_rain")
    if np.isfinite(rain).any():
        total = np.bincount(intervals.day, weights=np.nan_to_num(rain), minlength=len(intervals.days))
        days |= {int(d) for d in np.flatnonzero(total >= settings.washing_rain_mm)}
    return sorted(days)


def warmth_of_days(intervals: Intervals) -> Vector:
    """Return the daily mean cell temperature in the sun about its own mean; 0 where not known. [K]"""
    cell = intervals.expected["cell_temperature_c"].to_numpy(dtype=np.float64)
    known = np.isfinite(cell) & (intervals.poa_w_m2 > 400.0)
    count = np.bincount(intervals.day[known], minlength=len(intervals.days))
    total = np.bincount(intervals.day[known], weights=cell[known], minlength=len(intervals.days))
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(count > 0, total / count, np.nan)
    if not np.isfinite(mean).any():
        return np.zeros(len(intervals.days))
    return np.asarray(np.nan_to_num(mean - np.nanmean(mean)), dtype=np.float64)


def _flags(summaries: Summaries) -> Vector:
    """Mark the days on which something stood, cycled or jumped: the course of an intermittent cause."""
    values = summaries.values
    on = np.zeros(len(values), dtype=bool)
    for name in ("stopped_share", "dry_share", "probe_share", "total_reset", "overflow_share", "float_hold_share"):
        on |= values[name].to_numpy() > 0.2
    # Too dull a day to be asked to run is no day on which it ran: power without a drop is seen in weak sun as well.
    flows = values[list(FLOW_AT_POWER)].max(axis=1)
    dry = (flows < NO_WATER).to_numpy()
    # What never came back did not come and go.
    if dry.any() and (flows.iloc[int(np.argmax(on | dry)):] > 0.5 * NO_WATER).sum() >= 3:
        on |= dry
    # One stand, however long, is no coming and going: it has a beginning and perhaps an end, and is tried as that.
    told = on[on | np.isfinite(values["stopped_share"].to_numpy()) | np.isfinite(values["dry_share"].to_numpy())]
    begun = int(np.count_nonzero(told[1:] & ~told[:-1])) + int(told[:1].sum())
    return on.astype(np.float64) * float(on.sum() >= 3 and begun >= 2)


def interval_table(intervals: Intervals, judgeable: Judgeable, sound_ratio: Vector) -> pd.DataFrame:
    """Return expected and delivered per reading, as a diagnosis keeps them."""
    table = intervals.expected.copy()
    table["flow_m3_s"] = intervals.flow_m3_s
    table["array_power_w"] = intervals.power_w
    table["flow_at_power_m3_s"] = intervals.flow_at_power_m3_s
    table["own_expected_flow_m3_s"] = table["expected_flow_m3_s"] * sound_ratio[intervals.day]
    table["tank_full"] = intervals.tank_full
    table["judged"] = judgeable.delivery
    table["reason"] = pd.Categorical(judgeable.reason.astype(str))
    table["day"] = intervals.days.to_numpy()[intervals.day]
    return table


def day_table(intervals: Intervals, judgeable: Judgeable, books: DayBooks, stopped: NDArray[np.bool_],
               summaries: Summaries) -> pd.DataFrame:
    """Return one row a local day with the columns of `DAY_COLUMNS`."""
    count, day, hours = len(intervals.days), intervals.day, intervals.hours
    poa = np.nan_to_num(intervals.poa_w_m2)
    clear = np.nan_to_num(intervals.expected["clear_sky_poa_w_m2"].to_numpy(dtype=np.float64))
    known = np.isfinite(intervals.poa_w_m2)
    irradiation = np.bincount(day, weights=poa * hours / 1000.0, minlength=count)
    clear_known = np.bincount(day, weights=np.where(known, clear, 0.0) * hours / 1000.0, minlength=count)
    off = np.bincount(day, weights=np.where(stopped, hours, 0.0), minlength=count)
    full = books.states.get("tank_full", np.zeros(count))
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = books.delivered / (books.expected - full)
        clear_ratio = np.where(clear_known > 0.2, irradiation / clear_known, np.nan)
    judged = judgeable.day_judged
    blank = np.where(judged, 1.0, np.nan)
    table = pd.DataFrame({
        "judged": judged, "reason": judgeable.day_reason, "expected_m3": books.expected * blank,
        "expected_low_m3": books.expected_low * blank, "expected_high_m3": books.expected_high * blank,
        "delivered_m3": books.delivered * blank, "seen_m3": books.seen,
        "delivery_ratio": np.where(judged & (books.expected - full > 0.0), ratio, np.nan),
        "irradiation_kwh_m2": irradiation, "clear_sky_ratio": clear_ratio, "sun_hours": judgeable.sun_hours,
        "judged_sun_hours": judgeable.judged_sun_hours, "tank_full_m3": full * blank, "off_hours": off,
    }, index=intervals.days)
    table["main_state"] = _main_state(table, summaries)
    return table


def _main_state(table: pd.DataFrame, summaries: Summaries) -> list[str]:
    probe = summaries.values["probe_share"].fillna(0.0).to_numpy()
    stopped = summaries.values["stopped_share"].fillna(0.0).to_numpy()
    silent = summaries.values["silent_share"].fillna(0.0).to_numpy()
    with np.errstate(invalid="ignore"):
        full = (table["tank_full_m3"] > 0.3 * table["expected_m3"]).to_numpy()
        dull = (table["clear_sky_ratio"] < 0.3).to_numpy()
    chosen = np.select([silent > 0.9, ~table["judged"].to_numpy(), probe > 0.3, stopped > 0.5, full, dull],
                       ["silent", "not_judged", "low_water", "stopped", "tank_full", "dull"], default="working")
    return [str(state) for state in chosen]


def states_of(site_id: str, days: pd.DataFrame) -> list[StateSpan]:
    """Return the spans of days on which a full tank or dull weather explained less water."""
    spans = []
    says = {"tank_full": "Tank full: {v:.1f} m3 could have been pumped and were not called for.",
            "dull": "Dull: the sun gave {r:.0%} of a clear sky."}
    with np.errstate(invalid="ignore"):
        marks = {"tank_full": (days["tank_full_m3"] > 0.05 * days["expected_m3"]).to_numpy(),
                 "dull": (days["clear_sky_ratio"].rolling(7, min_periods=4, center=True).mean() < 0.5).to_numpy()}
    for state, on in marks.items():
        edges = np.flatnonzero(np.diff(np.concatenate(([0], on.astype(int), [0]))))
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            part = days.iloc[first:last]
            volume = float(part["tank_full_m3"].sum()) if state == "tank_full" else 0.0
            text = says[state].format(v=volume, r=float(part["clear_sky_ratio"].mean()))
            spans.append(StateSpan(site_id=site_id, state=state, first_day=pd.Timestamp(part.index[0]).date(),
                                   last_day=pd.Timestamp(part.index[-1]).date(), volume_m3=volume, says=text))
    return spans


def _worth_telling(accepted: Accepted, signatures: Signatures, settings: Settings) -> bool:
    """Keep back faults of the water path that cost less than instruments can prove, unless they are dangerous."""
    cause = accepted.cause
    if cause.kind != "health" or cause.code in TOLD_AT_ANY_LOSS:
        return True
    ratio = loss_ratio(accepted, signatures)
    worst = np.sort(ratio[accepted.course > 0.05])[-14:]
    return worst.size > 0 and float(np.mean(worst)) >= settings.least_loss_ratio


def _empty(site: Site, says: str) -> SiteDiagnosis:
    nothing: dict[str, Any] = {}
    no_days = pd.DataFrame({name: [] for name in DAY_COLUMNS}, index=pd.Index([], name="day"))
    return SiteDiagnosis(site_id=site.id, days=no_days, summaries=pd.DataFrame(nothing),
                         intervals=pd.DataFrame(nothing), findings=[], states=[], accounts=[],
                         verdict="not enough data", verdict_says=says)


__all__ = ["Accepted", "Signatures", "Weighing", "diagnose_site", "weigh_site"]
