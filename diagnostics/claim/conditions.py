"""Which days of a claim count, which were as the promise was written, and what was due on each."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.causes import CAUSES
from diagnostics.chain.operating_point import delivery_head_m
from diagnostics.claim.records import Answer, Condition, DayCondition, Translation
from diagnostics.consequence import OPEN_STATUSES
from diagnostics.expected import ChainNotAvailable, SiteModel
from diagnostics.results import Finding, ServiceEvent, SiteDiagnosis
from diagnostics.site import Site

Floats = NDArray[np.float64]

# Faults of measuring that bear on delivered over due. A faulty voltage, temperature or level reading does not.
BEARING_CAUSES = frozenset({"meter_under_reading", "meter_over_reading", "meter_stopped", "totaliser_reset",
                            "irradiance_sensor_fault", "clock_shift", "swapped_channels", "unit_mistake"})

# Work that leaves the water of the day as it was.
_QUIET_ACTIONS = frozenset({"inspected", "cleaned_sensor", "set_clock"})


@dataclass(frozen=True, slots=True)
class Envelope:
    """
    How near the promised conditions a day must be. Practical bounds, printed with the result.

    Below half the promised sun the start of the pump decides and no translation holds; "as written" asks for the
    promised sun and head within what instruments of the trade resolve (5 %) and for nine tenths of the sun hours.
    """

    least_irradiation_ratio: float = 0.5
    as_written_irradiation_ratio: float = 0.95
    as_written_head_ratio: float = 1.05
    as_written_hours_ratio: float = 0.9
    most_tank_full_ratio: float = 0.5
    doubted_sensor_confidence: float = 0.5


@dataclass(frozen=True)
class CountedDays:
    """The claim's days as records, and the numbers of those that count, in order of time."""

    records: list[DayCondition]
    days: list[date]
    due_m3: Floats
    delivered_m3: Floats
    irradiation_kwh_m2: Floats
    as_written: NDArray[np.bool_]
    whole_day: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.days)


def count_days(site: Site, diagnosis: SiteDiagnosis, translation: Translation, *, first_day: date, last_day: date,
               service_events: Sequence[ServiceEvent] = (), water_level_m: "pd.Series[float] | None" = None,
               envelope: Envelope | None = None) -> CountedDays:
    """
    Go through the days of a claim.

    Parameters
    ----------
    site : Site
        With its guarantee.
    diagnosis : SiteDiagnosis
        Its `days` are judged beforehand; what they leave out stays out.
    translation : Translation
        The promise in physics.
    first_day, last_day : date
        Claimed period, both included.
    service_events : sequence of ServiceEvent
        Work on a day leaves it out; so does the time between switched_off and switched_on.
    water_level_m : Series, optional
        Logged pumping level, sound values, UTC; what was due is then due at the head that really stood. [m]
    envelope : Envelope, optional
        How near the promised conditions a day must be.

    Returns
    -------
    counted : CountedDays
    """
    envelope = envelope or Envelope()
    table = diagnosis.days
    index = [pd.Timestamp(day).date() for day in table.index]
    chosen = np.array([first_day <= day <= last_day for day in index], dtype=bool)
    table, index = table[chosen], [day for day, take in zip(index, chosen, strict=True) if take]
    heads = daily_head_m(site, diagnosis.intervals, water_level_m)
    head, sheet_head = _aligned(heads["head_m"], index), _aligned(heads["sheet_head_m"], index)
    by_sheet = _aligned(_sheet_over_own(diagnosis.intervals), index, otherwise=1.0)
    with np.errstate(invalid="ignore"):
        known = np.isfinite(head) & (head > 0) & (sheet_head > 0)
        at_head = np.where(known, (head / sheet_head) ** translation.head_elasticity, 1.0)
    due = at_head * due_volume_m3(site, translation, index, by_sheet * _numbers(table, "expected_m3"),
                                  by_sheet * _numbers(table, "tank_full_m3"))
    delivered, irradiation = _numbers(table, "delivered_m3"), _numbers(table, "irradiation_kwh_m2")
    barred = _barred(site, diagnosis, index, service_events, envelope)
    sun = irradiation / translation.plane_irradiation_kwh_m2
    with np.errstate(invalid="ignore", divide="ignore"):
        hours = _numbers(table, "judged_sun_hours") / _numbers(table, "sun_hours")
        full = np.nan_to_num(_numbers(table, "tank_full_m3")) / _numbers(table, "expected_m3")
    judged = table["judged"].to_numpy(dtype=bool)
    records, counted, written = [], np.zeros(len(index), dtype=bool), np.zeros(len(index), dtype=bool)
    for n, day in enumerate(index):
        reasons = list(barred.get(day, ()))
        if not judged[n]:
            reasons.append(f"not judged: {table['reason'].iloc[n] or 'no reason given'}")
        elif table["main_state"].iloc[n] == "low_water":
            reasons.append("low-water protection stopped the pump")
        elif full[n] > envelope.most_tank_full_ratio:
            reasons.append("tank full for most of the day")
        elif not sun[n] >= envelope.least_irradiation_ratio:
            reasons.append("sun far below the promised")
        elif not due[n] > 0:
            reasons.append("nothing was due")
        counted[n] = not reasons
        unlike = [] if reasons else _unlike(sun[n], head[n], hours[n], full[n], translation, envelope)
        written[n] = counted[n] and not unlike
        records.append(DayCondition(
            day=day, counted=bool(counted[n]), as_written=bool(written[n]), reasons=reasons or unlike,
            irradiation_kwh_m2=_or_none(irradiation[n]), head_m=_or_none(head[n]), due_m3=_or_none(due[n]),
            delivered_m3=_or_none(delivered[n])))
    whole = np.nan_to_num(hours) >= envelope.as_written_hours_ratio
    return CountedDays(records, [day for day, take in zip(index, counted, strict=True) if take], due[counted],
                       delivered[counted], irradiation[counted], written[counted], whole[counted])


def conditions_present(counted: CountedDays, translation: Translation,
                       envelope: Envelope | None = None) -> list[Condition]:
    """
    Set what the promise asked for beside what stood on the counted days.

    Parameters
    ----------
    counted : CountedDays
    translation : Translation
    envelope : Envelope, optional
        How near the promised conditions a day must be to be as written.

    Returns
    -------
    conditions : list of Condition
        Sun, head, and whether the days are whole; empty where no day counts.
    """
    envelope = envelope or Envelope()
    records = [record for record in counted.records if record.counted]
    if not records:
        return []
    promised_sun, promised_head = translation.plane_irradiation_kwh_m2, translation.total_dynamic_head_m
    sun = np.array([np.nan if one.irradiation_kwh_m2 is None else one.irradiation_kwh_m2 for one in records])
    head = np.array([np.nan if one.head_m is None else one.head_m for one in records])
    reached = int(np.sum(sun >= envelope.as_written_irradiation_ratio * promised_sun))
    made = [_condition("sun a day in the plane of the array", sun, promised_sun, "kwh_m2", f"{reached} of "
                       f"{len(records)} counted days reach {envelope.as_written_irradiation_ratio:.0%} of it; the "
                       "others are compared through the model of the system.", reached == len(records))]
    known = int(np.sum(np.isfinite(head)))
    if known:
        within = int(np.sum(head[np.isfinite(head)] <= envelope.as_written_head_ratio * promised_head))
        made.append(_condition("total dynamic head", head, promised_head, "m", f"Known from the logged level on {known}"
                               f" of {len(records)} counted days; on {within} not more than "
                               f"{envelope.as_written_head_ratio:.0%} of it. What was due is due at the head that "
                               "stood.", within == len(records)))
    else:
        made.append(Condition(what="total dynamic head", promised=promised_head, middle=None, low=None, high=None,
                              unit="m", met="cannot say", says="The pumping level is not logged; the level of the "
                                                               "site file is taken."))
    whole = int(np.sum(counted.whole_day))
    made.append(Condition(what="whole days", promised=None, middle=None, low=None, high=None, unit="",
                          met="yes" if whole == len(records) else "no",
                          says=f"On {whole} of {len(records)} counted days nine tenths of the sun hours could be "
                               "judged; on the others the judged hours alone are compared. Water that a full tank did "
                               "not call for is not due."))
    return made


def _condition(what: str, values: Floats, promised: float, unit: str, says: str, always: bool) -> Condition:
    low, middle, high = (float(value) for value in np.nanquantile(values, [0.05, 0.5, 0.95]))
    met: Answer = "yes" if always else "no"
    return Condition(what=what, promised=promised, middle=middle, low=low, high=high, unit=unit, met=met, says=says)


def due_volume_m3(site: Site, translation: Translation, days: Sequence[date], expected_m3: Floats,
                  tank_full_m3: Floats) -> Floats:
    """
    Water due on each day: what the model expects, less what a full tank did not call for, times the promise's ratio.

    Age and dirt that the promise allows are taken off through the light; the model's own ageing is in the expectation.

    Parameters
    ----------
    site : Site
    translation : Translation
    days : sequence of date, length n
    expected_m3, tank_full_m3 : ndarray, shape (n,)
        By the sheet, over the judged intervals of each day. [m3]

    Returns
    -------
    due_m3 : ndarray, shape (n,)
        [m3]
    """
    promise = site.guarantee
    called = expected_m3 - np.nan_to_num(tank_full_m3)
    allowed = np.zeros(len(days))
    if promise is not None and site.array is not None:
        start = promise.starts_on or site.installed_on
        years = np.array([max((day - start).days, 0) / 365.25 for day in days])
        own = site.array.ageing_pct_per_year
        rate = own if promise.ageing_allowance_pct_per_year is None else promise.ageing_allowance_pct_per_year
        allowed = promise.soiling_allowance_pct / 100.0 + (rate - own) / 100.0 * years
    return np.asarray(translation.promise_ratio * called * (1.0 - translation.light_elasticity * allowed))


def daily_head_m(site: Site, intervals: pd.DataFrame,
                 water_level_m: "pd.Series[float] | None" = None) -> pd.DataFrame:
    """
    Total dynamic head of each local day, weighted by the water that was metered.

    Parameters
    ----------
    site : Site
    intervals : DataFrame
        Of a SiteDiagnosis: UTC index and ``flow_m3_s``. [UTC]
    water_level_m : Series, optional
        Logged pumping level below ground, NaN where not known, UTC. [m]

    Returns
    -------
    heads : DataFrame
        By local date: ``head_m`` from the logged level, NaN where it is known for less than half the day's water;
        ``sheet_head_m`` with the level of the site file. Empty where flow or model is missing. [m]
    """
    nothing = pd.DataFrame({"head_m": [], "sheet_head_m": []}, dtype="float64")
    if "flow_m3_s" not in intervals.columns or site.lacks("pump", "drive", "well", "pipework"):
        return nothing
    try:
        model = SiteModel.build(site)
    except ChainNotAvailable:
        return nothing
    when = pd.DatetimeIndex(intervals.index)
    flow = np.clip(np.nan_to_num(intervals["flow_m3_s"].to_numpy(dtype=np.float64)), 0.0, None)
    above = (model.side.losses.riser.at(flow) + model.side.losses.suction.at(flow)
             + delivery_head_m(site, model.side, flow, model.health))
    sheet = model.pumping_level_at_flow(flow, model.static_level(when)) + above
    logged = np.full(len(when), np.nan) if water_level_m is None else (
        water_level_m.reindex(when).to_numpy(dtype=np.float64) + above)
    local = pd.Index((when.tz_convert(site.timezone) - pd.Timedelta(seconds=1)).date)
    known = np.where(np.isfinite(logged), flow, 0.0)
    sums = pd.DataFrame({"flow": flow, "sheet": flow * sheet, "known": known,
                         "logged": known * np.nan_to_num(logged)}, index=local).groupby(level=0).sum()
    sums = sums[sums["flow"] > 0]
    enough = sums["known"] > 0.5 * sums["flow"]
    return pd.DataFrame({"head_m": (sums["logged"] / sums["known"].where(enough)),
                         "sheet_head_m": sums["sheet"] / sums["flow"]})


def _unlike(sun: float, head: float, hours: float, full: float, translation: Translation,
            envelope: Envelope) -> list[str]:
    """Say in what a counted day differs from the promise as written."""
    unlike = []
    if not sun >= envelope.as_written_irradiation_ratio:
        unlike.append("less sun than promised, translated")
    if np.isnan(head):
        unlike.append("pumping level not logged, head taken from the site file")
    elif head > envelope.as_written_head_ratio * translation.total_dynamic_head_m:
        unlike.append("more head than promised, translated")
    if not hours >= envelope.as_written_hours_ratio:
        unlike.append("part of the day not judged, compared over the rest")
    if full > 0.02:
        unlike.append("tank full for part of the day, not due")
    return unlike


def _barred(site: Site, diagnosis: SiteDiagnosis, days: Sequence[date], events: Sequence[ServiceEvent],
            envelope: Envelope) -> dict[date, list[str]]:
    """Name the days that the guarantee's period, work on the site or a doubted sensor keep out."""
    barred: dict[date, list[str]] = {}

    def bar(which: Iterable[date], reason: str) -> None:
        for day in which:
            if reason not in barred.setdefault(day, []):
                barred[day].append(reason)

    promise = site.guarantee
    if promise is not None:
        bar((day for day in days if promise.starts_on and day < promise.starts_on), "before the guarantee began")
        bar((day for day in days if promise.ends_on and day >= promise.ends_on), "after the guarantee ended")
    own = sorted((event for event in events if event.site_id == site.id), key=lambda event: event.when_utc)
    off_since: date | None = None
    for event in own:
        day = pd.Timestamp(event.when_utc).tz_convert(site.timezone).date()
        if event.action not in _QUIET_ACTIONS:
            bar([day], "work on the site")
        if event.action == "switched_off":
            off_since = off_since or day
        elif event.action == "switched_on" and off_since is not None:
            bar((other for other in days if off_since <= other <= day), "switched off")
            off_since = None
    if off_since is not None:
        since = off_since
        bar((other for other in days if other >= since), "switched off")
    for finding in doubted_sensors(diagnosis.findings, envelope):
        bar((day for day in days if finding.onset <= day <= finding.last_seen),
            f"sensor in doubt: {label_of(finding.cause)}")
    return barred


def doubted_sensors(findings: Sequence[Finding], envelope: Envelope,
                    causes: frozenset[str] = BEARING_CAUSES) -> list[Finding]:
    """Return the findings that put in doubt what delivered over due is made of: water, sun, and their times."""
    return [finding for finding in findings if finding.cause in causes
            and finding.confidence >= envelope.doubted_sensor_confidence
            and (finding.status in OPEN_STATUSES or finding.status in ("mended", "healed"))]


def label_of(code: str) -> str:
    """Return the words for a cause, as they stand inside a sentence."""
    known = CAUSES.get(code)
    label = known.label if known else code.replace("_", " ")
    return label[:1].lower() + label[1:]


def _numbers(table: pd.DataFrame, column: str) -> Floats:
    return table[column].to_numpy(dtype=np.float64)


def _aligned(series: "pd.Series[float]", days: Sequence[date], otherwise: float = np.nan) -> Floats:
    return np.array([float(series.get(day, otherwise)) for day in days])


def _sheet_over_own(intervals: pd.DataFrame) -> "pd.Series[float]":
    """
    Return by local date what the sheet expects over what the site's own sound days taught to expect.

    A day's `expected_m3` follows the site's own sound state; a promise is not lowered by a site that was poor from
    its first day.
    """
    if not {"expected_flow_m3_s", "own_expected_flow_m3_s", "day"} <= set(intervals.columns):
        return pd.Series(dtype="float64")
    day = pd.Index(pd.DatetimeIndex(intervals["day"]).date)
    sheet = intervals["expected_flow_m3_s"].set_axis(day).groupby(level=0).sum()
    own = intervals["own_expected_flow_m3_s"].set_axis(day).groupby(level=0).sum()
    return sheet[own > 0] / own[own > 0]


def _or_none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
