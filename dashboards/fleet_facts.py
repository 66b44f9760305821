"""What the service desk's page says of the whole fleet, in words and rows; nothing judged anew."""

import math
from collections import Counter
from dataclasses import dataclass
from datetime import timedelta

import pandas as pd

from dashboards.facts import days_since, reasons_not_judged
from dashboards.shown import number, volume
from dashboards.views import FleetView, SiteView, is_measuring
from dashboards.wording import desk
from diagnostics.consequence import CLASS_CODES


@dataclass(frozen=True, slots=True)
class UnjudgedRow:
    """A site with days not judged."""

    view: SiteView
    judged: int
    days: int
    share: float
    reasons: str


@dataclass(frozen=True, slots=True)
class DriftRow:
    """A site's share delivered now against its first judged days."""

    view: SiteView
    now: float
    then: float
    change: str
    family: str
    normal: str


@dataclass(frozen=True, slots=True)
class StandingList:
    """One list that a dispatcher keeps beside the ranking."""

    title: str
    means: str
    rows: tuple[tuple[SiteView, str], ...]


def headline(fleet: FleetView) -> str:
    """Say in one line what the day asks of the desk."""
    words = desk()["class"]
    visits = [(words[code]["word"].lower(), sum(view.consequence.class_code == code for view in fleet.sites))
              for code in CLASS_CODES[:4]]
    asked = ", ".join(f"{count} {word}" for word, count in visits if count)
    silent = sum(view.consequence.silent_days > 0 for view in fleet.sites)
    lost = sum(view.consequence.water_lost_m3_day for view in fleet.sites)
    line = f"{len(fleet.sites)} sites. " + (f"Visits: {asked}. " if asked else "No visit is called for. ")
    if lost > 0.0:
        line += f"Faults cost {volume(lost, fleet.units.volume, 2)} a day. "
    return line + (f"{silent} {'site is' if silent == 1 else 'sites are'} silent." if silent else "No site is silent.")


def unjudged_rows(fleet: FleetView) -> list[UnjudgedRow]:
    """List sites with days not judged in the last 30, the worst first."""
    rows = []
    for view in fleet.sites:
        days = days_since(view.diagnosis.days, fleet.as_of - timedelta(days=29))
        if days.empty:
            rows.append(UnjudgedRow(view, 0, 30, 0.0, "no readings"))
            continue
        judged = int(days["judged"].sum())
        sun = float(days["sun_hours"].sum())
        if judged < len(days):
            rows.append(UnjudgedRow(view, judged, len(days), float(days["judged_sun_hours"].sum()) / sun if sun else
                                    math.nan, reasons_not_judged(days)))
    return sorted(rows, key=lambda row: (row.judged / max(row.days, 1), row.view.site.id))


def drift(fleet: FleetView) -> list[DriftRow]:
    """Compare each site's last 30 days with its first 60 judged days, the largest loss first."""
    words, rows = desk(), []
    for view in fleet.sites:
        judged = view.diagnosis.days[view.diagnosis.days["judged"].to_numpy(dtype=bool)]
        then = _share(judged.head(60)) if len(judged) >= 60 else math.nan
        now = _share(days_since(judged, fleet.as_of - timedelta(days=29)))
        change = f"{'+' if now >= then else '−'}{number(abs(now - then) * 100, 2)} points" if math.isfinite(
            now - then) else "–"
        absent = not view.pumps
        rows.append(DriftRow(view, now, then, change,
                             "no pump" if absent else words["family"][view.site.pump.family],
                             _normal_days(days_since(view.diagnosis.days, fleet.as_of - timedelta(days=29)))))
    return sorted(rows, key=lambda row: (row.now - row.then if math.isfinite(row.now - row.then) else 0.0,
                                         row.view.site.id))


def standing_lists(fleet: FleetView) -> list[StandingList]:
    """Gather what a round can do besides its visits: instruments, washing, wear, need not met."""
    unit = fleet.units.volume
    instruments, washing, wear, need = [], [], [], []
    for view in fleet.sites:
        for finding in view.open_findings:
            since = f"since {finding.onset.day} {finding.onset:%b %Y}"
            gain = volume(finding.water_lost_m3_day, unit, 2)
            if is_measuring(finding.cause):
                instruments.append((view, f"{desk()['cause'][finding.cause]}, {since}"))
            elif finding.cause == "soiled_array":
                washing.append((view, f"a wash would give about {gain} a day"))
            elif finding.cause in ("worn_pump", "array_degraded", "screen_fouled", "motor_fault"):
                wear.append((view, f"{desk()['cause'][finding.cause]}, {since}, costs {gain} a day"))
        month = days_since(view.diagnosis.days, fleet.as_of - timedelta(days=29)).dropna(subset="seen_m3")
        could = float((month["seen_m3"] + month["tank_full_m3"].fillna(0.0)).mean()) if len(month) else math.nan
        usual = view.consequence.usual_need_m3_day
        metered = not any(finding.cause == "meter_stopped" for finding in view.open_findings)
        if metered and could < usual:
            need.append((view, f"{volume(could, unit, 2)} a day, {volume(usual, unit, 2)} needed"))
    lists = [StandingList("Instruments to mend", "A sensor in doubt hides the next fault.", tuple(instruments)),
             StandingList("Worth a wash", "When the truck passes, with an hour of steady sun.", tuple(washing)),
             StandingList("Wearing", "Order the part before the pump falls below what is needed.", tuple(wear)),
             StandingList("Less than the usual need",
                          "Over the last 30 days; what a full tank did not call for counts as had.", tuple(need))]
    return [kept for kept in lists if kept.rows]


def _normal_days(days: pd.DataFrame) -> str:
    words = desk()["day_state"]
    counted = Counter(state for state in days["main_state"] if state in ("tank_full", "dull", "low_water"))
    return ", ".join(f"{words[state]['word']} on {count}" for state, count in counted.most_common()) or "–"


def _share(days: pd.DataFrame) -> float:
    called_for = float((days["expected_m3"] - days["tank_full_m3"].fillna(0.0)).sum())
    return float(days["delivered_m3"].sum()) / called_for if called_for > 0 else math.nan
