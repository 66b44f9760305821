"""
The verdict on a site today: over the last thirty days, with its interval, and only where water and light are known.

A finding turns the verdict only if a fault of the plant is more probable than not and its loss is more than what
expectation and meter leave open. A meter or a sun sensor that cannot be trusted gives no verdict on a pump.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.account import DayBooks
from diagnostics.causes import CAUSES
from diagnostics.consequence import MEASURING_CAUSES, OPEN_STATUSES, fault_probability
from diagnostics.data_chain import DataChain
from diagnostics.results import Finding
from diagnostics.settings import Settings

Vector = NDArray[np.float64]
Verdict = Literal["working", "less than it should", "not working", "not enough data"]

RECENT_DAYS = 30
LEAST_PROBABILITY = 0.5
METER_SPREAD = 0.05             # twice the standard uncertainty of a metered volume
TOO_MUCH = 1.25                 # more water than this over the upper end of the expected is no pump
LEAST_SUN_OFF = 0.15            # a sun sensor this far off leaves no expectation to hold the water against
LEAST_STANDING_DAYS = 3
LEAST_DOUBT_DAYS = 7            # a sensor's doubt of fewer days does not hide an older fault of the plant
LEAST_METER_OFF = 0.1           # a meter proved off by less, by tank or well, still tells what came
_REASON_WORDS = {"no readings": "there are no readings", "no irradiance": "no irradiance can be used",
                 "no flow": "no flow can be used", "no chain": "the expected delivery cannot be reckoned",
                 "night": "readings come by night only", "low sun": "readings come in low sun only",
                 "too few hours": "too few hours of the day have readings"}
_METER = ("meter_stopped", "meter_under_reading", "meter_over_reading")
# What tells the true water without the meter.
_SEES_WATER = ("tank_gain", "tank_free_rise", "drawdown", "pressure_low_flow", "pressure_high_flow")


@dataclass(frozen=True, slots=True)
class Recent:
    """Sums over the judged days among the last thirty. [m3]"""

    days: int
    hours: float
    delivered: float
    due: float
    due_low: float
    due_high: float
    lost: dict[str, float]
    off_hours: float = 0.0

    @property
    def ratio(self) -> float:
        """Delivered over due."""
        return self.delivered / max(self.due, 1e-9)

    @property
    def low(self) -> float:
        """Lower end of the ratio's 95 % interval."""
        return (1.0 - METER_SPREAD) * self.delivered / max(self.due_high, 1e-9)

    @property
    def high(self) -> float:
        """Upper end of the ratio's 95 % interval."""
        return (1.0 + METER_SPREAD) * self.delivered / max(self.due_low, 1e-9)

    @property
    def says(self) -> str:
        """The ratio in words."""
        top = f"{self.high:.0%}" if self.high < 10.0 else "far more"
        return f"{self.ratio:.0%} ({self.low:.0%} to {top}) of the water due in the last {RECENT_DAYS} days"


def recent_sums(days: pd.DataFrame, books: DayBooks) -> Recent:
    """
    Add up the last thirty days from the books, which know volumes that the day table leaves blank.

    Parameters
    ----------
    days : pandas.DataFrame
        Day table of the diagnosis.
    books : DayBooks
        Volumes by day, same days.

    Returns
    -------
    recent : Recent
        What the full tank did not call for is not due.
    """
    volumes = days.assign(expected_m3=books.expected, expected_low_m3=books.expected_low,
                          expected_high_m3=books.expected_high, delivered_m3=books.delivered,
                          tank_full_m3=books.states.get("tank_full", 0.0)).tail(RECENT_DAYS)
    judged = volumes["judged"].to_numpy(dtype=bool)
    return sums_of_days(volumes, {code: float(np.nansum(volume[-RECENT_DAYS:][judged]))
                                  for code, volume in books.causes.items()})


def sums_of_days(days: pd.DataFrame, lost_m3: Mapping[str, float]) -> Recent:
    """
    Add up the judged days of any span, from the day table alone.

    Parameters
    ----------
    days : pandas.DataFrame
        Day table, cut to the span.
    lost_m3 : mapping of str to float
        What each cause took in the span. [m3]

    Returns
    -------
    recent : Recent
        What the full tank did not call for is not due.
    """
    judged = days[days["judged"].to_numpy(dtype=bool)]

    def total(name: str) -> float:
        return float(np.nansum(judged[name].to_numpy(dtype=np.float64))) if name in judged.columns else 0.0

    expected = total("expected_m3")
    called_for = max(1.0 - total("tank_full_m3") / max(expected, 1e-9), 0.0)
    return Recent(len(judged), total("judged_sun_hours"), total("delivered_m3"), expected * called_for,
                  total("expected_low_m3") * called_for, total("expected_high_m3") * called_for, dict(lost_m3),
                  total("off_hours"))


def verdict_of(days: pd.DataFrame, findings: Sequence[Finding], books: DayBooks, chain: DataChain,
               settings: Settings, *, judged_sun_hours: float, may_rest: bool = True,
               on_demand: bool = False) -> tuple[Verdict, str]:
    """
    Judge a site.

    Parameters
    ----------
    days : pandas.DataFrame
        Day table.
    findings : sequence of Finding
        All of them.
    books : DayBooks
        Volumes by day.
    chain : DataChain
        What was wrong with the data.
    settings : Settings
        What counts as enough.
    judged_sun_hours : float
        Of the whole record. [h]
    may_rest : bool, default True
        A float, a pressure switch or the users may stop this pump though the sun calls. [1]
    on_demand : bool, default False
        It runs from a store when water is wanted: what it could have pumped is not due. [1]

    Returns
    -------
    verdict, says : str, str
        The reason as one or two plain sentences.
    """
    open_now = [finding for finding in findings if finding.status in OPEN_STATUSES]
    recent = recent_sums(days, books)
    too_few = _too_few(days, recent, chain, settings, judged_sun_hours,
                       silent=any(finding.cause == "logger_silent" for finding in open_now))
    if too_few:
        return "not enough data", too_few
    mended = f" Judged with {' and '.join(chain.mended)}." if chain.mended else ""
    standing_days = int((days.tail(RECENT_DAYS)["main_state"] == "stopped").sum())
    verdict, says = weighed(recent, open_now, settings, standing=stands(days), standing_days=standing_days,
                            may_rest=may_rest, on_demand=on_demand)
    return verdict, says + mended


def stands(days: pd.DataFrame) -> bool:
    """
    Tell whether a site stood on the last days that were judged.

    Parameters
    ----------
    days : pandas.DataFrame
        Day table.

    Returns
    -------
    standing : bool
        False where no day is judged.
    """
    last = days[days["judged"].to_numpy(dtype=bool)].tail(LEAST_STANDING_DAYS)
    return len(last) > 0 and bool((last["main_state"] == "stopped").all())


def weighed(recent: Recent, held: Sequence[Finding], settings: Settings, *, standing: bool, standing_days: int,
            may_rest: bool, on_demand: bool) -> tuple[Verdict, str]:
    """
    Judge a span with enough data by what was delivered in it and what is held against the site.

    The one set of rules for site page and owner's month: they cannot contradict each other on the same data.

    Parameters
    ----------
    recent : Recent
        Sums over the judged days of the span.
    held : sequence of Finding
        Findings that hold in the span.
    settings : Settings
        What counts as a loss.
    standing : bool
        It stood on the last judged days.
    standing_days : int
        Days of the span on which it stood for most of the time. [days]
    may_rest, on_demand : bool
        As for `verdict_of`.

    Returns
    -------
    verdict, says : str, str
    """
    doubt = _doubt(held, recent)
    faults = [finding for finding in held if finding.cause not in MEASURING_CAUSES]
    if standing and faults and not doubt:
        return "not working", "The pump stood on the last judged days though sun and tank called for it."
    if doubt:
        return "not enough data", doubt
    costing = [finding for finding in faults if _turns(finding, recent, settings)]
    if costing:
        worst = max(costing, key=lambda finding: recent.lost.get(finding.cause, 0.0))
        lost = recent.lost.get(worst.cause, 0.0) / max(recent.days, 1)
        label = CAUSES[worst.cause].label
        named = (f"to {worst.cause}" if worst.confidence >= LEAST_PROBABILITY else
                 f"to one of several causes that these sensors cannot tell apart, {worst.cause} among them")
        if worst.cause == "unexplained":
            named = f"somewhere nobody can name ({label[:1].lower()}{label[1:]})"
        return "less than it should", f"{recent.says}; {lost:.1f} m3 a day go {named}."
    if standing_days >= LEAST_STANDING_DAYS and not may_rest:
        return "less than it should", (f"{recent.says}; on {standing_days} of these days it stood for most of the time "
                                       "though the sun called, and nothing of this site stops it by itself.")
    rested = on_demand or (may_rest and recent.off_hours > 0.1 * recent.hours)
    if recent.due > 1e-6 and recent.high < 1.0 - 2.0 * settings.least_loss_ratio and not rested:
        return "less than it should", f"{recent.says}, and no cause found so far explains it."
    slight = [finding for finding in faults if fault_probability(finding) >= 0.2]
    hint = (" A fault is suspected, but what it costs is within what can be told." if slight else
            " See the findings on its measuring." if held else "")
    return "working", f"{recent.says}.{hint}"


def _too_few(days: pd.DataFrame, recent: Recent, chain: DataChain, settings: Settings, judged_sun_hours: float, *,
             silent: bool) -> str:
    if silent:
        return "No verdict: no readings arrive."
    enough = (judged_sun_hours >= settings.least_judged_sun_hours and recent.hours >= 5.0
              and int(days["judged"].sum()) >= settings.least_judged_days and recent.days > 0)
    if enough:
        return ""
    withheld = chain.why_not("flow_m3_s", "poa_irradiance_w_m2", "global_horizontal_irradiance_w_m2")
    if withheld:
        return f"No verdict: {withheld[:1].lower()}{withheld[1:]}"
    missing = f"only {recent.hours:.0f} judged sun hours on {recent.days} days of the last {RECENT_DAYS}"
    reasons = days.tail(RECENT_DAYS)["reason"]
    reasons = reasons[reasons != ""]
    if len(reasons) and recent.days < 0.5 * min(RECENT_DAYS, len(days)):
        common = str(reasons.value_counts().index[0])
        count = int((reasons == common).sum())
        missing += f"; on {count} of them {_REASON_WORDS.get(common, common)}"
    return f"No verdict: {missing}."


def _doubt(open_now: Sequence[Finding], recent: Recent) -> str:
    """Say why the water or the light is not known well enough for a verdict, or nothing."""
    for finding in open_now:
        if finding.confidence < LEAST_PROBABILITY or _overborne(finding, open_now):
            continue
        label = CAUSES[finding.cause].label
        if finding.cause == "irradiance_sensor_fault" and abs(finding.size) >= LEAST_SUN_OFF:
            return (f"No verdict: {label[:1].lower()}{label[1:]}, by about {abs(finding.size):.0%}; what was due "
                    "under the true sun is not known.")
        of_meter = finding.cause in _METER or any(row.check == "unit_mistake_flow_m3_s" for row in finding.evidence)
        seen_otherwise = finding.confidence >= 0.8 and abs(finding.size) <= LEAST_METER_OFF and any(
            row.check in _SEES_WATER and row.outcome == "supports" for row in finding.evidence)
        if of_meter and not seen_otherwise:
            return f"No verdict: {label[:1].lower()}{label[1:]}; how much water came is not known."
    if recent.low > TOO_MUCH and recent.due > 0.0:
        return (f"No verdict: {recent.ratio:.3g} times the water that the sun could lift was metered; the meter, the "
                "sun sensor or the site's sheet is wrong.")
    return ""


def _overborne(finding: Finding, open_now: Sequence[Finding]) -> bool:
    """Say whether a few days' doubt of a sensor stands beside a fault of the plant that is older and more probable."""
    days = (finding.last_seen - finding.onset).days + 1
    return days < LEAST_DOUBT_DAYS and any(
        other.cause not in MEASURING_CAUSES and other.onset < finding.onset
        and fault_probability(other) >= finding.confidence - 0.1 for other in open_now)


def _turns(finding: Finding, recent: Recent, settings: Settings) -> bool:
    """
    Say whether a fault of the plant turns the verdict.

    A fault that began within the record is held against the site's own days before it, known to a few per cent; one
    that was there from the first day against the sheet, whose own interval must then be left.
    """
    if fault_probability(finding) < LEAST_PROBABILITY:
        return False
    lost = recent.lost.get(finding.cause, 0.0)
    if lost <= 0.0 or finding.water_lost_m3_day <= 0.0:
        return False
    if finding.onset_shape == "day_one":
        return recent.high < 1.0 or CAUSES[finding.cause].kind == "stop"
    share_low = lost / max(recent.due, 1e-9) * max(finding.water_lost_low_m3_day, 0.0) / finding.water_lost_m3_day
    return share_low >= 0.5 * settings.least_loss_ratio
