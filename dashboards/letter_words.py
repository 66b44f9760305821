"""The words of the owner's letter: counted from one month of a diagnosis, in the owner's language and unit."""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from dashboards.letter_month import METER_CAUSES, Month, MonthKnown, Sender, Verdict
from dashboards.shown import clean, significant
from dashboards.wording import Wording, letter_actions
from diagnostics.consequence import (
    MEASURING_CAUSES,
    RankingRules,
    Storage,
    consequence,
    daily_need,
    open_findings,
)
from diagnostics.month_verdict import account_of
from diagnostics.results import Finding
from diagnostics.units import convert

_POWER_SIDE = frozenset({"soiled_array", "shaded_array", "string_open", "module_bypassed", "array_degraded",
                         "wiring_resistance", "off_mpp", "drive_derated", "drive_limited", "drive_stopped",
                         "battery_weak", "charging_fault", "wind_source_fault", "motor_fault"})
_DOWN_HOLE = frozenset({"clogged_intake", "worn_pump", "motor_fault", "riser_leak", "check_valve_leak", "screen_fouled",
                        "level_sensor_fault"})
# Days with a known sky that a comparison of months takes: two earlier months, and most of this one.
_EARLIER_DAYS, _MONTH_DAYS = 60, 20
# Fractions that people have words for; the sun of a month is put into the nearest.
_FRACTIONS: dict[str, float] = {"tenth": 0.1, "fifth": 0.2, "quarter": 0.25, "third": 1 / 3, "two_fifths": 0.4,
                                "half": 0.5, "two_thirds": 2 / 3, "three_quarters": 0.75, "nine_tenths": 0.9}
_MUCH_LESS_SUN = 0.65       # from here down what is left is easier to grasp than what is missing
# What no visit brings back: next month is told as this one went.
_NOT_MENDED_BY_A_VISIT = frozenset({"falling_water_table", "array_degraded", "wrong_head"})
_NO_OTHER_SUN = 0.05        # a difference of the sun that nobody notices
_LOSS_WORTH_SAYING = 0.005   # share of expected below which a loss rounds away
_FULL_WORTH_SAYING = 0.05   # share of expected below which a full tank is not worth a sentence
_LEAST_DAYS = 10            # judged days below which next month's range would be a guess
_NOTHING_M3 = 0.005         # a day's water that is none in any unit
_NEARLY_NONE_M3 = 0.05      # a few buckets left above the outlet


@dataclass(frozen=True, slots=True)
class Section:
    """One heading with its sentences and, for what the owner does, a numbered list."""

    key: str
    heading: str
    sentences: tuple[str, ...] = ()
    items: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LetterText:
    """The whole letter in words."""

    verdict: Verdict
    verdict_line: str
    subject: str
    greeting: str
    opening: str
    sections: tuple[Section, ...]
    picture_says: tuple[str, ...]


def letter_in_words(month: Month, sender: Sender, known: MonthKnown, rules: RankingRules) -> LetterText:
    """Write every section of the letter, the answer first."""
    words, site = month.words, month.site
    name, when = clean(site.name), words.month(month.first)
    verdict_line = str(words.words["verdict"][month.verdict])
    greeting_name = clean(site.owner.greeting_name or site.owner.name)
    sections = (
        Section("water", words.words["heading"]["water"], tuple(_water(month, known, rules))),
        *_sun_section(month, known),
        Section("why", words.words["heading"]["why"], tuple(_why(month))),
        _owner_does(month, sender),
        Section("we", words.words["heading"]["we"], tuple(_we_do(month, known, rules))),
        Section("sure", words.words["heading"]["sure"], tuple(_how_sure(month))),
        Section("next", words.words["heading"]["next"], (_next_month(month),)),
        Section("small_print", words.words["heading"]["small_print"],
                tuple(words.say(key, company=clean(sender.name)) for key in ("print_why", "print_who", "print_stop"))),
    )
    return LetterText(
        verdict=month.verdict, verdict_line=verdict_line,
        subject=words.say("subject", site=name, verdict=verdict_line, month=when, year=month.first.year),
        greeting=(words.say("greeting", name=greeting_name) if greeting_name else words.say("greeting_unnamed")),
        opening=" ".join([words.say(_opening(month), site=name, month=when), *_since_then(month)]),
        sections=sections,
        picture_says=(words.say("picture_is_plain" if month.on_demand else "picture_is" if site.array is not None
                                else "picture_is_weather", month=when), *_marks(month)))


def _marks(month: Month) -> list[str]:
    """Explain the picture's marks where it has any."""
    marked = (month.days["main_state"] == "tank_full").any() or len(month.seen) < month.days_in_month
    unmetered = month.days["seen_m3"].isna().any()
    return [month.words.say("picture_marks")] if marked or unmetered else []


def _opening(month: Month) -> str:
    return "opening_unknown_meter" if month.verdict == "unknown" and month.meter_stopped else f"opening_{month.verdict}"


def _since_then(month: Month) -> list[str]:
    """Say what changed after the month was over: a letter must not read well while the pump stands."""
    last = month.first.replace(day=month.days_in_month)
    lines = []
    for finding in open_findings(month.diagnosis.findings):
        if finding.onset <= last:
            if (month.diagnosis.verdict == "not working" and month.verdict != "not_working"
                    and finding.cause not in MEASURING_CAUSES):
                lines.append(month.words.say("now_still_stopped", day=month.words.day(finding.onset)))
            continue
        if finding.cause == "logger_silent":
            lines.append(month.words.say("now_silent", day=month.words.day(finding.onset)))
        elif month.diagnosis.verdict == "not working":
            lines.append(month.words.say("now_stopped", day=month.words.day(finding.onset)))
        elif finding.cause not in MEASURING_CAUSES and finding.water_lost_m3_day > 0.0:
            lines.append(month.words.say("now_less", day=month.words.day(finding.onset)))
    return list(dict.fromkeys(lines))[:2]


def _water(month: Month, known: MonthKnown, rules: RankingRules) -> list[str]:
    words = month.words
    lines: list[str] = []
    metered = month.seen["seen_m3"].dropna()
    if month.meter_stopped:
        lines.append(words.say("water_meter_stopped", month=words.month(month.first)))
    elif metered.empty:
        lines.append(words.say("water_not_known", month=words.month(month.first)))
    elif float(metered.sum()) <= 0.0:
        lines.append(words.say("water_none_seen", month=words.month(month.first)))
    else:
        whole = len(metered) == month.days_in_month
        per_day = float(metered.mean())
        lines.append(words.say("water_total" if whole else "water_total_seen", month=words.month(month.first),
                               total=month.volume(float(metered.sum()))))
        lines.append(words.say("water_per_day", per_day=month.volume(per_day)))
        poorest = float(metered.min())
        lines.append(words.say("water_best_none" if poorest < _NOTHING_M3 else "water_best_worst",
                               best=month.volume(float(metered.max())), best_day=words.day(metered.idxmax()),
                               worst=month.volume(poorest), worst_day=words.day(metered.idxmin())))
        lines += _per_head(month, per_day)
        lines += _enough(month, per_day, rules)
        if any(finding.cause in METER_CAUSES for finding in month.findings):
            lines.append(words.say("water_doubtful"))
    return lines + _stored(month, known.storage, rules)


def _per_head(month: Month, per_day_m3: float) -> list[str]:
    words, demand = month.words, month.site.demand
    unit = "l" if month.site.owner.volume_unit in ("m3", "l") else month.site.owner.volume_unit
    if demand.people and not demand.large_animals and not demand.irrigated_area_m2:
        return [words.say("water_per_person", amount=words.volume(per_day_m3 / demand.people, unit))]
    if demand.large_animals and not demand.people and not demand.irrigated_area_m2:
        return [words.say("water_per_animal", amount=words.volume(per_day_m3 / demand.large_animals, unit))]
    return []


def _enough(month: Month, per_day_m3: float, rules: RankingRules) -> list[str]:
    """Compare with the need only where the owner wrote one down; what a full tank did not call for counts as had."""
    need = month.site.demand.daily_need_m3
    if need is None or need <= 0.0:
        return []
    shown = month.volume(need)
    if per_day_m3 >= need:
        return [month.words.say("enough", need=shown)]
    if month.on_demand and len(month.judged) and float(month.judged["expected_m3"].mean()) >= need:
        return [month.words.say("enough_on_demand", need=shown)]
    refused = float(month.days["tank_full_m3"].fillna(0.0).sum()) / max(len(month.seen), 1)
    key = "enough_capable" if per_day_m3 + refused >= need else "not_enough"
    return [month.words.say(key, need=shown)]


def _stored(month: Month, storage: Storage, rules: RankingRules) -> list[str]:
    if not math.isfinite(storage.usable_m3) or storage.seen_hours_ago > 24.0:
        return []       # an old level is no answer to "how much have I now?"
    if significant(storage.usable_m3, 1) < _NEARLY_NONE_M3:
        return [month.words.say("stored_none")]
    lines = [month.words.say("stored", stored=month.volume(storage.usable_m3))]
    usual, _ = daily_need(month.site.demand, rules)
    if math.isfinite(usual) and usual > 0.0:
        lasts = storage.usable_m3 / usual
        if lasts >= 1.0:
            lines.append(month.words.say("stored_lasts", count=float(math.floor(lasts))))
        else:
            lines.append(month.words.say("stored_lasts_hours", count=float(max(math.floor(24.0 * lasts), 1))))
    return lines


def _sun_section(month: Month, known: MonthKnown) -> list[Section]:
    """A pump without an array does not care for the sun."""
    if month.site.array is None:
        return []
    return [Section("sun", month.words.words["heading"]["sun"], (_sun(month, known.sun_vs_usual),))]


def _sun(month: Month, sun_vs_usual: float | None) -> str:
    """Say the sun against the usual one; where nobody knows it, the clearness of the sky against earlier months."""
    words = month.words
    if sun_vs_usual is not None and math.isfinite(sun_vs_usual):
        return _in_fractions(words, sun_vs_usual, "sun_usual", "sun_less", "sun_more", "sun_only")
    before = month.diagnosis.days[np.asarray(
        [pd.Timestamp(day).date() < month.first for day in month.diagnosis.days.index], dtype=bool)]
    earlier, now = before["clear_sky_ratio"].dropna(), month.days["clear_sky_ratio"].dropna()
    if len(earlier) < _EARLIER_DAYS or len(now) < _MONTH_DAYS:
        return words.say("sun_not_known")
    return _in_fractions(words, float(now.mean() / earlier.mean()), "sun_as_before", "sun_less_than_before",
                         "sun_more_than_before", "sun_only_of_before")


def _in_fractions(words: Wording, ratio: float, same: str, less: str, more: str, only: str) -> str:
    away = abs(ratio - 1.0)
    if away < _NO_OTHER_SUN:
        return words.say(same)
    if ratio < _MUCH_LESS_SUN:
        return words.say(only, fraction=_fraction(words, ratio))
    return words.say(less if ratio < 1.0 else more, fraction=_fraction(words, away))


def _fraction(words: Wording, part: float) -> str:
    nearest = min(_FRACTIONS, key=lambda key: abs(_FRACTIONS[key] - part))
    return str(words.words["fraction"][nearest])


def _why(month: Month) -> list[str]:
    words = month.words
    lines: list[str] = []
    expected, delivered = (float(month.judged[name].sum()) for name in ("expected_m3", "delivered_m3"))
    sunny = month.site.array is not None
    if month.judged.empty or expected <= 0.0 or month.meter_stopped:
        lines.append(words.say("why_unjudged" if sunny else "why_unjudged_weather"))
    elif month.on_demand and month.verdict == "working":
        lines.append(words.say("why_on_demand", expected=month.volume(expected), delivered=month.volume(delivered)))
    else:
        lines.append(words.say("why_expected" if sunny else "why_expected_weather",
                               expected=month.volume(expected), delivered=month.volume(delivered)))
    full = float(month.judged["tank_full_m3"].fillna(0.0).sum())
    worth_saying = expected > 0.0 and full >= _FULL_WORTH_SAYING * expected and not month.on_demand
    if worth_saying and not month.meter_stopped:
        lines.append(words.say("why_full", volume=month.volume(full)))
    faults = [finding for finding in month.findings if finding.cause not in MEASURING_CAUSES and len(month.seen)
              and (month.verdict != "working" or _lost_m3_day(month, finding) > 0.0)]
    measuring = [finding for finding in month.findings if finding.cause in MEASURING_CAUSES]
    if faults:
        lines += [words.say(_side(faults[0]))] if len(month.judged) else []     # unjudged, the sun was not ruled out
        lines += _cause(month, faults[0])
        lines += [words.say("why_also", cause=words.cause(other.cause)) for other in faults[1:2]
                  if other.cause not in {faults[0].cause, *faults[0].group} and _lost_m3_day(month, other) > 0.0]
    elif month.verdict == "working" and not month.on_demand and not any(
            finding.cause in METER_CAUSES for finding in month.findings):
        allowed = "why_weather_full" if full > 0.0 else "why_weather"
        lines.append(words.say(allowed if sunny else "why_weather_other"))
    if not faults and measuring:
        lines.append(words.say("why_measuring"))
        lines += _cause(month, measuring[0])
    return lines + _ended(month)


def _side(finding: Finding) -> str:
    causes = {finding.cause, *finding.group, *(rival.cause for rival in finding.rivals if rival.probability >= 0.1)}
    causes -= MEASURING_CAUSES | {"unexplained"}
    if causes and causes <= _POWER_SIDE:
        return "why_power"
    return "why_system" if causes & _POWER_SIDE or not causes else "why_pump"


def _cause(month: Month, finding: Finding) -> list[str]:
    words = month.words
    surety = "sure" if finding.confidence >= 0.95 else "likely" if finding.confidence >= 0.6 else "possible"
    lines = [words.say(f"why_cause_{surety}", cause=words.cause(finding.cause))]
    rivals = [rival for rival in finding.rivals if rival.cause not in (finding.cause, "unexplained")
              and rival.probability >= 0.1]
    if rivals:
        second = max(rivals, key=lambda rival: rival.probability)
        lines.append(words.say("why_rival", cause=words.cause(second.cause)))
    if finding.onset_shape != "day_one":
        lines.append(words.say("why_since", day=words.day(finding.onset)))
    lost = _lost_m3_day(month, finding)
    if lost > 0.0 and finding.cause not in MEASURING_CAUSES:
        lines.append(words.say("why_costs", volume=month.volume(lost)))
    return lines


def _lost_m3_day(month: Month, finding: Finding) -> float:
    """Take the loss of a day from the account of this very month; the finding's own speaks of its newest days."""
    account = account_of(month.diagnosis, month.first)
    if account is None or not account.judged_days:
        return finding.water_lost_m3_day
    booked = sum(line.volume_m3 for line in account.lines if line.kind == "cause"
                 and line.code in {finding.cause, *finding.group})
    lost = booked / account.judged_days
    daily = account.expected_m3 / account.judged_days
    return lost if lost > _LOSS_WORTH_SAYING * daily else 0.0


def _ended(month: Month) -> list[str]:
    words = month.words
    key_of = {"worked": "ended_mended", "did not work": "ended_not_mended", "not yet proven": "ended_not_proven"}
    lines = [words.say(key_of[proof.outcome], day=words.day(proof.when_utc.date()), cause=words.cause(proof.cause))
             for proof in month.proofs]
    if any(proof.cause in _DOWN_HOLE for proof in month.proofs):
        lines.append(words.say("after_well_work"))
    last = month.first.replace(day=month.days_in_month)
    lines += [words.say("ended_healed", cause=words.cause(finding.cause)) for finding in month.diagnosis.findings
              if finding.status == "healed" and month.first <= finding.last_seen <= last]
    return lines


def _owner_does(month: Month, sender: Sender) -> Section:
    words = month.words
    keys: list[str] = []
    asked = letter_actions()
    for finding in month.findings[:2]:
        keys += [key for key in asked.get(finding.cause, []) if key not in keys]
    silent_now = any(finding.cause == "logger_silent" for finding in open_findings(month.diagnosis.findings))
    if not keys and (silent_now or month.verdict in ("unknown", "not_working")):
        keys = ["look_flow", "look_tank_level"]
    keys = [key for key in keys if not (key == "save_water" and month.mostly_full)]
    sunny = month.site.array is not None
    if not sunny:
        keys = ["look_flow_weather" if key == "look_flow" else key for key in keys]
    items = tuple(words.action(key) for key in keys[:3])
    sentences = [] if items else [words.say("nothing_to_do")]
    if items:
        sentences.append(words.say("stay_safe"))
    call = ("call_us" if sender.contact else "call_us_plain") + ("" if sunny else "_weather")
    sentences.append(words.say(call, contact=clean(sender.contact)))
    return Section("you", words.words["heading"]["you"], tuple(sentences), items)


def _we_do(month: Month, known: MonthKnown, rules: RankingRules) -> list[str]:
    words = month.words
    days = month.diagnosis.days
    as_of = pd.Timestamp(days.index[-1]).date() if len(days) else month.first.replace(day=month.days_in_month)
    placed = consequence(month.diagnosis, month.site.demand, known.storage, as_of=as_of, rules=rules).class_code
    lines: list[str] = []
    needs_care = month.verdict in ("less", "not_working") or month.diagnosis.verdict == "not working"
    needs_care = needs_care or (month.verdict == "unknown" and placed == "go_now")
    if placed in ("go_now", "today", "this_week") and needs_care and not month.mostly_full:
        lines.append(words.say("save_water_now"))
    if known.visit_on is not None:
        lines.append(words.say("we_come_on", day=words.day(known.visit_on)))
    elif placed in ("go_now", "today", "this_week"):
        lines.append(words.say("we_come_soon"))
    elif placed == "next_route":
        lines.append(words.say("we_come_route"))
    if known.visit_on is not None or placed not in ("watch", "all_well"):
        lines.append(words.say("we_need_access"))
    else:
        lines.append(words.say("we_watch"))
    if any(finding.cause == "logger_silent" for finding in open_findings(month.diagnosis.findings)) or (
            month.verdict == "unknown" and not month.meter_stopped):
        lines.append(words.say("we_find_readings"))
    return lines


def _how_sure(month: Month) -> list[str]:
    words = month.words
    lines = [words.say("sure_days", count=float(len(month.seen)), days=month.days_in_month)]
    if len(month.seen) and not month.meter_stopped:
        lines.append(words.say("sure_judged", count=float(len(month.judged))))
    missing = month.days_in_month - int(month.seen["seen_m3"].notna().sum())
    if 0 < missing < month.days_in_month:
        lines.append(words.say("sure_unjudged", count=float(missing)))
    if len(month.seen) and len(month.seen) < month.days_in_month:
        lines.append(words.say("sure_last", day=words.day(month.seen.index[-1])))
    return lines


def _next_month(month: Month) -> str:
    """Give the middle half of this month's daily figures; what the healthy site would give where a fault is open."""
    faults = [finding for finding in month.findings
              if finding.cause not in MEASURING_CAUSES | _NOT_MENDED_BY_A_VISIT]
    could = bool(faults) or month.meter_stopped or month.on_demand
    daily = month.judged["expected_m3"] if could else (
        month.judged["delivered_m3"] + month.judged["tank_full_m3"].fillna(0.0).clip(lower=0.0))
    daily = daily.dropna()
    if len(daily) < _LEAST_DAYS:
        return month.words.say("next_not_known")
    low, high = (float(value) for value in np.quantile(daily, (0.25, 0.75)))
    low_number = month.words.number(float(convert(low, "m3", month.site.owner.volume_unit)))
    shape = "about" if month.volume(low) == month.volume(high) else "range"
    kind = "_after_repair" if faults else "_on_demand" if month.on_demand else "_if_sound" if month.meter_stopped else (
        "" if month.site.array is not None else "_weather")
    return month.words.say(f"next_{shape}{kind}", low=low_number, low_volume=month.volume(low),
                           high=month.volume(high))
