"""What a page says in words and rows: sentences and tables drawn from the records, nothing judged anew."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np
import pandas as pd

from dashboards.figures import NEVER_BELOW
from dashboards.letter_month import METER_CAUSES
from dashboards.shown import (
    DeskUnits,
    clean,
    day_words,
    hours,
    in_between,
    in_desk_words,
    loss,
    number,
    volume,
    volume_number,
    with_unit,
    within,
)
from dashboards.small_pictures import CalendarWeek, calendar
from dashboards.views import DAYS_SHOWN, SiteView
from dashboards.wording import desk, letter_actions, letter_wording
from diagnostics.consequence import Consequence, open_findings
from diagnostics.evidence.features import FEATURES
from diagnostics.quantities import CHANNELS
from diagnostics.results import Finding, SiteDiagnosis
from diagnostics.site import Site
from diagnostics.units import convert

# Danger codes whose fixed texts ask for a crew or forbid working alone.
_NOT_ALONE = frozenset({"E1", "E2", "L1", "C1", "H1"})


@dataclass(frozen=True, slots=True)
class Recent:
    """Totals of the last 30 days over judged days."""

    delivered: float
    expected: float
    full: float
    judged: int
    days: int
    share: float


def hours_say(placed: Consequence) -> str:
    """Say when the tank is empty, never hiding that nobody knows."""
    shown = hours(placed.hours_to_empty)
    return f"unknown, worst case {shown}" if placed.hours_are == "unknown, worst case" else shown


def depend(site: Site) -> str:
    """Say who depends on a site."""
    demand = site.demand
    parts = [f"{count} {word}" for count, word in (
        (demand.people, "people"), (demand.large_animals, "large animals"), (demand.small_animals, "small animals"))
        if count]
    if demand.irrigated_area_m2:
        parts.append(f"{number(demand.irrigated_area_m2 / 1e4, 2)} ha")
    if not parts and demand.daily_need_m3:
        parts.append(f"{volume(demand.daily_need_m3, digits=2)} a day")
    return ", ".join(parts) or "not written down"


def why_more(view: SiteView) -> list[str]:
    """Name what else gave a site its place: water lost, hours to empty and what they rest on."""
    placed, lines = view.consequence, []
    if placed.water_lost_m3_day > 0.0:
        unit = view.units.volume
        lines.append("Faults cost " + loss(placed.water_lost_m3_day, placed.water_lost_low_m3_day,
                                           placed.water_lost_high_m3_day, unit) + " a day.")
    if placed.hours_are == "unknown, worst case":
        known = math.isfinite(view.storage.usable_m3)
        lines.append("The tank's level is not known now: " + (
            "the last level, the usual need and no inflow are taken." if known and placed.silent_days else
            "half full, the usual need and no inflow are taken." if placed.silent_days else
            "half full and the upper need are taken."))
    elif placed.hours_are == "not known" and view.pumps:
        need_known = math.isfinite(placed.usual_need_m3_day)
        lines.append("No tank is described: what is stored cannot be told." if need_known else
                     "Nobody wrote down who depends on it: hours cannot be told.")
    return lines


def phone_first(view: SiteView) -> list[str]:
    """Return what to ask the owner before anybody drives."""
    asked = desk()["phone_first"]
    first = view.first_finding
    return list(asked.get(first.cause, asked["default"]) if first else asked["default"])


def carry(view: SiteView) -> list[str]:
    """Return the parts of all open findings, each once, then those that only a rival would need."""
    sure = [part for finding in view.open_findings for part in finding.parts]
    perhaps = [part for finding in view.open_findings for part in finding.parts_if_rival
               if part.split(" (only if")[0] not in sure]
    return list(dict.fromkeys(clean(part) for part in [*sure, *perhaps]))


def dangers(view: SiteView) -> list[str]:
    """Return the danger codes of all open findings, each once."""
    return sorted({code for finding in view.open_findings for code in finding.dangers})


def crew(finding: Finding) -> str:
    """Say where the cautions ask for more than one person."""
    return "Two or more people" if _NOT_ALONE & set(finding.dangers) else ""


def size_says(finding: Finding, units: DeskUnits | None = None, *, meant: bool = True) -> str:
    """Say the size of a finding with its interval, in the desk's units of length and volume."""
    ratio = finding.size_unit in ("ratio", "1")
    unit = (units or DeskUnits()).of(finding.size_unit)
    held = (finding.size_low, finding.size, finding.size_high)
    if ratio and finding.size_means.startswith("share"):
        held = (max(held[0], 0.0), min(held[1], 1.0), min(held[2], 1.0))      # no share is more than the whole
    low, middle, high = (100.0 * part if ratio else float(convert(part, finding.size_unit, unit))
                         if unit != finding.size_unit else part
                         for part in held)
    behind = "\u202f%" if ratio else with_unit(0.0, unit).removeprefix("0")
    ends = in_between(low, high)
    shown = f"{within(middle, low, high)}{behind}"
    shown += "" if ends[0] == ends[1] else f" ({ends[0]} to {ends[1]}{behind if ratio else ''})"
    means = clean(finding.size_means) if meant else ""
    if unit != finding.size_unit:
        means = means.removeprefix("metres ")
    if ratio and means.startswith("share of "):
        means = means.removeprefix("share ")
    return f"{shown} {means}".strip()


def finding_title(view: SiteView, finding: Finding) -> str:
    """Name the cause; where sensors leave several and none is more probable than not, name them all."""
    names = [clean(view.labels.get(code, code)) for code in dict.fromkeys([finding.cause, *finding.group])]
    if len(names) < 2 or finding.confidence >= 0.5:
        return names[0]
    rest = [name if name[1:2].isupper() else name[:1].lower() + name[1:] for name in names[1:]]
    return f"{', or '.join([names[0], *rest])}: cannot be told apart by these sensors"


def meter_in_doubt(view: SiteView) -> bool:
    """Tell whether the finding that leads the page is the water meter itself: then its figures judge no pump."""
    return _meter_in_doubt(view.first_finding, view.diagnosis)


def _meter_in_doubt(first: Finding | None, diagnosis: SiteDiagnosis) -> bool:
    if first is None or first.cause not in METER_CAUSES:
        return False
    return not (first.cause == "totaliser_reset" and diagnosis.verdict == "working")


def verdict_of(site: Site, diagnosis: SiteDiagnosis) -> str:
    """Return the key of the words for a site's verdict, as on its page."""
    if "pump" in site.parts_absent:
        return "station"
    first = next(iter(open_findings(diagnosis.findings)), None)
    return "meter" if _meter_in_doubt(first, diagnosis) else diagnosis.verdict


def verdict_key(view: SiteView) -> str:
    """Return the key of the verdict's words."""
    return verdict_of(view.site, view.diagnosis)


def draws_on_demand(site: Site) -> bool:
    """Tell whether a store stands between sun and pump, so that it runs when water is drawn and not with the sun."""
    return site.drive.kind == "battery_bus" and "drive" not in site.parts_absent


def verdict_says(view: SiteView) -> str:
    """Say the verdict's reason; a meter that cannot be trusted gives none about the pump."""
    if view.pumps and meter_in_doubt(view):
        return "The water meter cannot be trusted, so from it we do not know how much water the pump gives."
    if view.pumps and view.diagnosis.verdict == "working" and draws_on_demand(view.site):
        return "It runs from a battery when water is drawn: what the sun could have given is not all called for."
    return view.diagnosis.verdict_says


def last_30(view: SiteView) -> Recent | None:
    """Sum up the last 30 days."""
    days = days_since(view.diagnosis.days, view.as_of - timedelta(days=29))
    if days.empty:
        return None
    judged = days[days["judged"].to_numpy(dtype=bool)]
    sun = float(days["sun_hours"].sum())
    return Recent(float(judged["delivered_m3"].sum()), float(judged["expected_m3"].sum()),
                  float(judged["tank_full_m3"].fillna(0.0).sum()), len(judged), len(days),
                  float(days["judged_sun_hours"].sum()) / sun if sun > 0 else math.nan)


def owner_says(view: SiteView, language: str) -> list[str]:
    """Say the state of the site in the owner's plain words, for the phone."""
    words = letter_wording(language)
    first = view.first_finding
    key = {"working": "working", "less than it should": "less", "not working": "not_working", "meter": "meter"}.get(
        verdict_key(view), "unknown")
    lines = [words.say(f"phone_{key}")]
    if first:
        surety = "sure" if first.confidence >= 0.95 else "likely" if first.confidence >= 0.6 else "possible"
        lines.append(words.say(f"why_cause_{surety}", cause=words.cause(first.cause)))
        lines += [words.action(key) for key in letter_actions().get(first.cause, [])[:1]]
    return lines


def day_rows(view: SiteView) -> list[dict[str, str]]:
    """Set every day that a page has room for as a row of text, the newest first."""
    unit, words = view.units.volume, desk()["day_state"]
    rows = []
    days = view.diagnosis.days.tail(DAYS_SHOWN)[::-1]
    for day, row in zip(days.index, days.to_dict("records"), strict=True):
        judged = bool(row["judged"])
        state = words.get(row["main_state"], words["not_judged"])["word"]
        if not judged and row["reason"]:
            state = f"{state}: {in_desk_words(clean(row['reason']), unit)}" if row["reason"] != state else state
        low, high = (_shown(row[name], unit) for name in ("expected_low_m3", "expected_high_m3"))
        rows.append({
            "day": day_words(pd.Timestamp(day).date()), "state": state,
            "delivered": _shown(row["delivered_m3"] if judged else row["seen_m3"], unit) + ("" if judged else "*"),
            "expected": _shown(row["expected_m3"], unit), "band": "–" if low == "–" else f"{low} to {high}",
            "full": _shown(row["tank_full_m3"], unit), "ratio": number(row["delivery_ratio"], 2, finest=2),
            "sun": number(row["irradiation_kwh_m2"], 2, finest=1),
            "hours": f"{number(row['judged_sun_hours'], 2, finest=1)} of {number(row['sun_hours'], 2, finest=1)}"})
    return rows


def all_accounts(view: SiteView) -> tuple[list[tuple[str, str]], list[dict[str, Any]]]:
    """Set every account as a row; the columns are the lines that occur in any of them."""
    unit = view.units.volume
    accounts = sorted(view.diagnosis.accounts, key=lambda account: account.first_day)
    kinds = ("delivered", "state", "cause", "unexplained")
    codes = sorted({(line.kind, line.code) for account in accounts for line in account.lines},
                   key=lambda pair: (kinds.index(pair[0]), pair[1]))
    rows = []
    for account in accounts[::-1]:
        held = {(line.kind, line.code): line.volume_m3 for line in account.lines}
        rows.append({"month": f"{account.first_day:%b %Y}", "expected": _shown(account.expected_m3, unit, 4),
                     "lines": [_shown(held[pair], unit, 4) if pair in held else "" for pair in codes],
                     "days": f"{account.judged_days} of {account.days}"})
    return [(str(kind), code) for kind, code in codes], rows


def quarters(view: SiteView) -> list[tuple[CalendarWeek, ...]]:
    """Break the calendar into blocks of 14 weeks so that a year fits a page."""
    weeks = calendar(view.diagnosis.days.tail(DAYS_SHOWN), view.units.volume)
    return [weeks[start:start + 14] for start in range(0, len(weeks), 14)]


def reasons_not_judged(days: pd.DataFrame) -> str:
    """Count the days not judged by their reason."""
    if days.empty:
        return ""
    rest = days[~days["judged"].to_numpy(dtype=bool)]
    counted = Counter(clean(reason) or "no reason given" for reason in rest["reason"])
    return "; ".join(f"{reason} {count} {'day' if count == 1 else 'days'}" for reason, count in counted.most_common())


def gathered(problems: Sequence[str], at_most: int = 20) -> list[str]:
    """Say once what many files have in common, and no more lines than a person reads."""
    files: dict[str, list[str]] = {}
    for problem in problems:
        file, mark, says = problem.partition(": ")
        files.setdefault(says if mark else problem, []).append(file)
    lines = [f"{names[0]}: {says}" if len(names) == 1 and names[0] != says else
             f"{len(names)} files ({names[0]} and others): {says}" if len(names) > 1 else says
             for says, names in files.items()]
    rest = len(lines) - at_most
    return lines if rest <= 0 else [*lines[:at_most], f"and {rest} more; `liftledger ingest` lists them all."]


def evidence_columns(view: SiteView, at_most: int = 6) -> list[tuple[str, str, str, float | None]]:
    """
    Choose the summaries worth a picture: those named by open findings, then those farthest from healthy.

    Returns (column, title, meaning, half width of the band in which a sound site wanders).
    """
    table = view.diagnosis.summaries
    usable = [column for column in table.columns if table[column].notna().sum() >= 5 and table[column].std() > 0.0]
    named = [row.check for finding in view.open_findings for row in finding.evidence]
    recent = table.tail(30)

    def strangeness(column: str) -> float:
        feature = FEATURES.get(column)
        spread = math.hypot(feature.day_noise, feature.drift) if feature else float(table[column].std()) or 1.0
        middle = float(np.nanmedian(recent[column])) if recent[column].notna().any() else 0.0
        away = max(middle, 0.0) if column in NEVER_BELOW else abs(middle)
        return away / spread if spread > 0 else 0.0

    ordered = sorted(usable, key=lambda column: (column not in named, -strangeness(column)))
    chosen = [column for column in ordered if column in named or strangeness(column) > 1.0] or ordered[:3]
    return [(column, title_of(column), _meaning(column),
             2.0 * math.hypot(FEATURES[column].day_noise, FEATURES[column].drift) if column in FEATURES else None)
            for column in chosen[:at_most]]


def _meaning(column: str) -> str:
    meaning = FEATURES[column].meaning if column in FEATURES else column.replace("_", " ")
    if meaning.startswith("the same "):         # said beside its neighbour in the list of summaries, alone on a page
        before = list(FEATURES)[max(list(FEATURES).index(column) - 1, 0)]
        meaning = f"{FEATURES[before].meaning}, {meaning.removeprefix('the same ')}"
    return f"{meaning}; water that came sooner than reckoned is drawn at nought" if column in NEVER_BELOW else meaning


def site_facts(view: SiteView) -> list[list[tuple[str, str]]]:
    """List what the site file says, in two columns; the position is coarse on purpose."""
    site, length = view.site, view.units.length
    absent = site.parts_absent

    def metres(value: float | None) -> str:
        return "not written down" if value is None else with_unit(float(convert(value, "m", length)), length)

    left = [("Place", f"{number(site.latitude_deg, 3)}°, {number(site.longitude_deg, 3)}° (coarse), "
                      f"{metres(site.altitude_m)} above the sea, {site.timezone}")]
    if site.array is not None:
        module = site.array.module
        left += [("Array", f"{site.array.modules_in_series} × {site.array.strings_in_parallel} of "
                           f"{with_unit(module.power_w, 'w')}, {number(site.array.nominal_power_w, 4)} W in all, "
                           f"tilt {number(site.array.tilt_deg)}°, azimuth {number(site.array.azimuth_deg)}°")]
    if "drive" not in absent:
        left += [("Drive", f"{clean(site.drive.key)}: {desk()['drive'][site.drive.kind]}")]
    if "pump" not in absent:
        left += [("Pump", f"{clean(site.pump.key)}: {desk()['family'][site.pump.family]}, "
                          f"{number(site.pump.motor.rated_power_w, 3)} W")]
    right: list[tuple[str, str]] = []
    if "well" not in absent:
        right += [("Water at rest", f"{metres(site.well.static_water_level_m)} below ground (sheet)"),
                  ("Pump intake", metres(site.well.pump_setting_depth_m))]
    if "pipework" not in absent:
        right += [("Pipes", f"{metres(sum(run.length_m for run in site.pipework.runs))} in all, outlet "
                            f"{metres(site.pipework.outlet_height_m)} above ground")]
    if site.tank is not None:
        right += [("Tank", f"{site.tank.shape.replace('_', ' ')}, full at {metres(site.tank.full_level_m)}" + (
            f", {volume(view.storage.capacity_m3, view.units.volume, 2)} usable"
            if math.isfinite(view.storage.capacity_m3) else ""))]
    right += [("Water meter", f"{site.flow_meter.kind}, standard uncertainty "
                              f"{number(site.flow_meter.uncertainty_pct)} % of reading")]
    sensors = [f"{CHANNELS[name].label.lower()} {number(sensor.uncertainty_pct)} %"
               for name, sensor in site.sensors.items() if sensor.uncertainty_pct is not None]
    if sensors:
        right += [("Sensors", f"standard uncertainty of reading: {', '.join(sensors)}")]
    if site.guarantee is not None:
        promised = site.guarantee
        right += [("Promised", " at ".join(part for part in (
            f"{volume(promised.daily_volume_m3, view.units.volume)} a day" if promised.daily_volume_m3 else "",
            f"{metres(promised.total_dynamic_head_m)} total head" if promised.total_dynamic_head_m else "",
            f"{number(promised.daily_irradiation_kwh_m2)} kWh/m² a day ({promised.irradiation_plane} plane)"
            if promised.daily_irradiation_kwh_m2 else "") if part) or clean(promised.reference))]
    return [left, right]


def days_since(days: pd.DataFrame, first: Any) -> pd.DataFrame:
    return days[np.asarray([pd.Timestamp(day).date() >= first for day in days.index], dtype=bool)]


def _shown(value_m3: float, unit: str, digits: int = 3) -> str:
    return volume_number(value_m3, unit, digits)


def title_of(column: str) -> str:
    """Return what a daily summary is called."""
    title = FEATURES[column].says if column in FEATURES else column.replace("_", " ")
    return str(title[:1].upper() + title[1:])
