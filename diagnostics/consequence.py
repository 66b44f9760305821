"""
What follows from a diagnosis if nobody goes: how long the water lasts, who depends on it, and how soon to go.

The ranking is meant to be argued with: every site carries the sentences that gave it its place.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np
import pandas as pd

from diagnostics.causes import CAUSES
from diagnostics.results import DAY_COLUMNS, Finding, SiteDiagnosis
from diagnostics.site import Demand

ClassCode = Literal["go_now", "today", "this_week", "next_route", "watch", "all_well"]
CLASS_CODES: tuple[ClassCode, ...] = ("go_now", "today", "this_week", "next_route", "watch", "all_well")

# Causes that sit in the measuring, not in the water. They cost no water by themselves.
MEASURING_CAUSES: frozenset[str] = frozenset({
    "meter_under_reading", "meter_over_reading", "meter_stopped", "totaliser_reset", "irradiance_sensor_fault",
    "temperature_sensor_fault", "level_sensor_fault", "electrical_sensor_fault", "clock_shift", "swapped_channels",
    "unit_mistake", "logger_silent"})
# With these open, the metered volume is no inflow to count on: it may stand still or show water that never came.
_METER_SAYS_NOTHING = frozenset({"meter_stopped", "meter_over_reading", "totaliser_reset", "unit_mistake"})
OPEN_STATUSES: frozenset[str] = frozenset({"new", "growing", "steady", "relapsed"})
_CLASS_OF_URGENCY: dict[str, ClassCode] = {"now": "go_now", "two_days": "today", "two_weeks": "this_week",
                                           "next_route": "next_route", "information": "watch"}

LEAST_PROBABILITY = 0.5             # a drive is worth while where somebody is more probably needed than not
LEAST_DANGER_PROBABILITY = 0.3      # a danger is looked at sooner
_SAYS_OF_URGENCY = {"now": "make safe now, a danger does not wait for the route",
                    "two_days": "go today, tomorrow at the latest"}


@dataclass(frozen=True, slots=True)
class RankingRules:
    """
    The numbers behind the ranking, each with its reason; a company may set its own.

    Heads are counted at usual need and at the upper need that the worst case takes. Cattle drink 41 to 82 l a day
    between 21 and 32 degC (Ohio State University Extension, beef newsletter, May 2007: 10.8 to 21.6 US gal), hence 60
    and 85. People: 15 l is an emergency minimum and 20 l the aim (Oxfam on solar-pumped water in Ugandan camps), hence
    20 and, where animals and gardens share the tap, 40. Small animals 6 and 10 l, irrigation 4 and 7 mm a day are
    common practice.
    """

    go_now_hours: float = 12.0          # a crew needs half a day to be on its way
    today_hours: float = 48.0           # two nights: the next clear day may fail too
    this_week_hours: float = 168.0
    person_usual_m3_day: float = 0.020
    person_upper_m3_day: float = 0.040
    large_animal_usual_m3_day: float = 0.060
    large_animal_upper_m3_day: float = 0.085
    small_animal_usual_m3_day: float = 0.006
    small_animal_upper_m3_day: float = 0.010
    irrigation_usual_m_day: float = 0.004
    irrigation_upper_m_day: float = 0.007
    known_need_upper_ratio: float = 1.25        # a written need is a usual need
    unknown_fill_ratio: float = 0.5             # tank level not measured: half full is taken, and said
    inflow_days: int = 14                       # looked back over, and of these
    inflow_spell_days: int = 3                  # the poorest spell of so many judged days in a row is taken
    silent_after_days: int = 2                  # one missed nightly upload is ordinary


@dataclass(frozen=True, slots=True)
class Storage:
    """Water that can still be drawn. `usable_m3` NaN: level not known; `capacity_m3` NaN: no tank described."""

    capacity_m3: float = np.nan
    usable_m3: float = np.nan
    seen_hours_ago: float = 0.0


@dataclass(frozen=True, slots=True)
class Consequence:
    """Place in the ranking and the reasons for it."""

    class_code: ClassCode
    hours_to_empty: float           # worst case; inf where the tank is not falling, NaN where nobody can tell
    hours_are: Literal["worst case", "unknown, worst case", "not falling", "not known"]
    usual_need_m3_day: float        # NaN where nobody wrote down who drinks
    worst_inflow_m3_day: float
    water_lost_m3_day: float
    water_lost_low_m3_day: float
    water_lost_high_m3_day: float
    confidence: float
    heads: int
    silent_days: int
    reasons: tuple[str, ...]


def fault_probability(finding: Finding) -> float:
    """
    Return how probable it is that the plant and not its measuring is at fault, by a finding and its rivals.

    Causes that sensors cannot tell apart may each be improbable and a fault still certain.

    Parameters
    ----------
    finding : Finding
        With its rivals.

    Returns
    -------
    probability : float
        0 to 1. [1]
    """
    own = 0.0 if finding.cause in MEASURING_CAUSES else finding.confidence
    others = sum(rival.probability for rival in finding.rivals if rival.cause not in MEASURING_CAUSES)
    return float(min(own + others, 1.0))


def open_findings(findings: Sequence[Finding]) -> list[Finding]:
    """
    Return findings that are not healed or mended, the costliest first.

    Parameters
    ----------
    findings : sequence of Finding
        All findings of a site.

    Returns
    -------
    still_open : list of Finding
        Faults of the system before faults of the measuring, then by water lost, then by confidence.
    """
    still_open = [finding for finding in findings if finding.status in OPEN_STATUSES]
    return sorted(still_open, key=lambda finding: (finding.cause in MEASURING_CAUSES, -finding.water_lost_m3_day,
                                                   -finding.confidence, finding.cause))


def daily_need(demand: Demand, rules: RankingRules | None = None) -> tuple[float, float]:
    """
    Work out what the users of a site need in a day, usual and upper.

    Parameters
    ----------
    demand : Demand
        Heads, area, or a need that is known.
    rules : RankingRules, optional
        Needs per head. [m3/day]

    Returns
    -------
    usual_m3_day, upper_m3_day : tuple of float
        NaN both where nothing was written down. [m3/day]
    """
    rules = rules or RankingRules()
    if demand.daily_need_m3 is not None:
        return demand.daily_need_m3, demand.daily_need_m3 * rules.known_need_upper_ratio
    usual = (demand.people * rules.person_usual_m3_day + demand.large_animals * rules.large_animal_usual_m3_day
             + demand.small_animals * rules.small_animal_usual_m3_day
             + demand.irrigated_area_m2 * rules.irrigation_usual_m_day)
    upper = (demand.people * rules.person_upper_m3_day + demand.large_animals * rules.large_animal_upper_m3_day
             + demand.small_animals * rules.small_animal_upper_m3_day
             + demand.irrigated_area_m2 * rules.irrigation_upper_m_day)
    return (usual, upper) if upper > 0.0 else (np.nan, np.nan)


def with_day_columns(days: pd.DataFrame) -> pd.DataFrame:
    """
    Give an empty table of days the columns that every table of days has.

    Parameters
    ----------
    days : pandas.DataFrame
        Days of a diagnosis; that of a site without readings may lack every column.

    Returns
    -------
    days : pandas.DataFrame
        With all of `DAY_COLUMNS`; what is not known is NaN, a day is not judged, a state is "not_judged".
    """
    missing = [name for name in DAY_COLUMNS if name not in days.columns]
    if not missing:
        return days
    words = {"reason": "", "main_state": "not_judged"}
    filled = days.reindex(columns=[*days.columns, *missing])
    for name in missing:
        if name == "judged":
            filled[name] = np.zeros(len(days), dtype=bool)
        elif name in words:
            filled[name] = pd.Series(words[name], index=days.index, dtype=object)
        else:
            filled[name] = np.full(len(days), np.nan)
    return filled


def silent_days(days: pd.DataFrame, as_of: date) -> int:
    """
    Count the days without any reading up to `as_of`.

    Parameters
    ----------
    days : pandas.DataFrame
        Days of a diagnosis (index: date, column main_state).
    as_of : date
        Day of the judgement; days after the last one of the table count as silent.

    Returns
    -------
    count : int
        0 where the last day has readings, or where there is no day at all. [days]
    """
    if days.empty:
        return 0
    days = with_day_columns(days)
    heard = days.index[(days["main_state"] != "silent").to_numpy()]
    last_heard = heard[-1] if len(heard) else days.index[0]
    return max((_as_date(as_of) - _as_date(last_heard)).days, 0)


def consequence(diagnosis: SiteDiagnosis, demand: Demand, storage: Storage, *, as_of: date,
                rules: RankingRules | None = None, pumps: bool = True) -> Consequence:
    """
    Say how soon somebody should go to a site, and why.

    Parameters
    ----------
    diagnosis : SiteDiagnosis
        What was worked out for the site.
    demand : Demand
        Who depends on the water.
    storage : Storage
        What is left in the tank. [m3]
    as_of : date
        Local day of the judgement, a day with complete data if any has.
    rules : RankingRules, optional
        Limits and needs.
    pumps : bool, default True
        False for a station that measures but does not pump: it has no verdict to miss and no tank to empty.

    Returns
    -------
    placed : Consequence
        A silent site takes the last level known, the usual need and no inflow at all.
    """
    rules = rules or RankingRules()
    still_open = open_findings(diagnosis.findings)
    quiet = silent_days(diagnosis.days, as_of)
    told = [(as_of - finding.onset).days for finding in still_open if finding.cause == "logger_silent"]
    quiet = max([quiet, 1, *told]) if told else quiet if quiet >= rules.silent_after_days else 0
    faults = [finding for finding in still_open if finding.cause not in MEASURING_CAUSES]
    usual, upper = daily_need(demand, rules) if pumps else (np.nan, np.nan)
    stands = diagnosis.verdict == "not working"
    doubtful = any(finding.cause in _METER_SAYS_NOTHING for finding in still_open)
    inflow = 0.0 if quiet or stands else _worst_inflow(diagnosis.days, rules, meter_in_doubt=doubtful)
    hours, hours_are = _hours_to_empty(storage, usual if quiet else upper, inflow, quiet, rules, stands=stands)
    code, reasons = _placed(diagnosis, still_open, hours, quiet, rules, pumps=pumps)
    heads = demand.people + demand.large_animals + demand.small_animals
    return Consequence(
        class_code=code, hours_to_empty=hours, hours_are=hours_are, usual_need_m3_day=usual,
        worst_inflow_m3_day=inflow,
        water_lost_m3_day=sum(finding.water_lost_m3_day for finding in faults),
        water_lost_low_m3_day=sum(finding.water_lost_low_m3_day for finding in faults),
        water_lost_high_m3_day=sum(finding.water_lost_high_m3_day for finding in faults),
        confidence=max((finding.confidence for finding in still_open), default=0.0),
        heads=heads, silent_days=quiet, reasons=tuple(reasons))


def rank_key(placed: Consequence) -> tuple[int, float, int, float, int, float]:
    """
    Return the sorting key of a site: class, hours, silence before bad data, water lost, heads, confidence.

    Parameters
    ----------
    placed : Consequence
        From `consequence`.

    Returns
    -------
    key : tuple
        Smaller goes first.
    """
    hours = placed.hours_to_empty if np.isfinite(placed.hours_to_empty) else 1e6
    return (CLASS_CODES.index(placed.class_code), -float(placed.silent_days > 0), int(hours // 12),
            -placed.water_lost_m3_day, -placed.heads, -placed.confidence)


def _as_date(day: date) -> date:
    return day.date() if isinstance(day, pd.Timestamp) else day


def _worst_inflow(days: pd.DataFrame, rules: RankingRules, *, meter_in_doubt: bool) -> float:
    """Take the poorest recent spell; where the meter tells nothing, the lower end of what should have come."""
    days = with_day_columns(days)
    judged = days[days["judged"].to_numpy(dtype=bool)].tail(rules.inflow_days)
    if judged.empty:
        return 0.0
    could_have = judged["delivered_m3"].fillna(0.0) + judged["tank_full_m3"].fillna(0.0)
    if meter_in_doubt:
        could_have = judged["expected_low_m3"].fillna(0.0)
    return float(could_have.rolling(min(rules.inflow_spell_days, len(could_have))).mean().min())


def _hours_to_empty(storage: Storage, need: float, inflow: float, quiet: int, rules: RankingRules, *, stands: bool
                    ) -> tuple[float, Literal["worst case", "unknown, worst case", "not falling", "not known"]]:
    if not np.isfinite(need):
        return np.nan, "not known"
    net_draw = need - inflow
    if net_draw <= 0.0:
        return np.inf, "not falling"
    usable = storage.usable_m3
    guessed = not np.isfinite(usable)
    if guessed:
        has_tank = np.isfinite(storage.capacity_m3)
        if not has_tank and not stands:
            return np.nan, "not known"      # nothing is stored, but water may come by day
        usable = storage.capacity_m3 * rules.unknown_fill_ratio if has_tank else 0.0
    gone = max(storage.seen_hours_ago, 24.0 * quiet if quiet else 0.0)
    hours = max(24.0 * usable / net_draw - gone, 0.0)
    return hours, "unknown, worst case" if quiet or guessed else "worst case"


def _span(hours: float) -> str:
    if hours < 1.0:
        return "by now"
    return f"in {hours:.0f} h" if hours < 96.0 else f"in {hours / 24.0:.0f} days"


def _probability(finding: Finding) -> float:
    """How probable it is that somebody is needed: a fault of the plant, or for the measuring the finding itself."""
    return finding.confidence if finding.cause in MEASURING_CAUSES else fault_probability(finding)


def _place_of(finding: Finding) -> tuple[ClassCode, str]:
    """Place one finding: what is less probable than not sends nobody by itself, but a danger is not waited out."""
    place = _CLASS_OF_URGENCY[finding.urgency]
    probable = _probability(finding)
    label = CAUSES[finding.cause].label if finding.cause in CAUSES else finding.cause.replace("_", " ")
    danger = finding.urgency == "now" and probable >= LEAST_DANGER_PROBABILITY
    most: ClassCode = "next_route" if probable >= LEAST_DANGER_PROBABILITY else "watch"
    if probable >= LEAST_PROBABILITY or danger or CLASS_CODES.index(place) >= CLASS_CODES.index(most):
        says = _SAYS_OF_URGENCY.get(finding.urgency)
        return place, f"{label}: {says}." if says else ""
    return most, f"{label}: suspected only ({probable:.0%}), no drive for it alone."


def _placed(diagnosis: SiteDiagnosis, still_open: list[Finding], hours: float, quiet: int,
            rules: RankingRules, *, pumps: bool) -> tuple[ClassCode, list[str]]:
    """Take the most pressing of what the findings ask for, what the tank leaves, and what silence hides."""
    places: list[ClassCode] = ["all_well"]
    reasons: list[str] = []
    for finding in still_open:
        place, reason = _place_of(finding)
        places.append(place)
        reasons += [reason] if reason else []
    short = bool(quiet) or diagnosis.verdict in ("less than it should", "not working")
    short = short or any(finding.cause not in MEASURING_CAUSES and _probability(finding) >= LEAST_PROBABILITY
                         for finding in still_open)
    if not quiet and any(finding.cause in _METER_SAYS_NOTHING for finding in still_open):
        reasons.append("The meter does not tell what comes in; the lower end of expected is taken.")
    if quiet:
        places.append("this_week")
        reasons.append(f"Nothing heard for {quiet} {'day' if quiet == 1 else 'days'}."
                       + (" No news is not good news: no inflow is assumed." if pumps else ""))
    elif diagnosis.days.empty:
        places.append("this_week")
        reasons.append("No reading has ever come in.")
    elif diagnosis.verdict == "not working":
        places.append("today")
        reasons.append("The pump stands.")
    elif diagnosis.verdict == "not enough data" and pumps:
        places.append("next_route")
        reasons.append("Readings arrive but they do not allow a verdict.")
    elif diagnosis.verdict == "less than it should":
        places.append("next_route")
    limits: tuple[tuple[float, ClassCode], ...] = (
        (rules.go_now_hours, "go_now"), (rules.today_hours, "today"), (rules.this_week_hours, "this_week"))
    pressing = next((place for limit, place in limits if hours <= limit), None)
    empties = f"The tank may be empty {_span(hours)}."
    if pressing is not None and short:
        places.append(pressing)
        reasons.append(empties)
    elif pressing is not None and diagnosis.verdict == "not enough data":
        places.append("this_week")
        reasons.append(f"{empties} What comes in is not known: ring the owner now, before driving.")
    elif hours <= rules.today_hours:
        places.append("watch")
        reasons.append(f"{empties} The pump is well: ring the owner, do not drive.")
    return min(places, key=CLASS_CODES.index), reasons
