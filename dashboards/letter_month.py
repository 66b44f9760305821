"""One month of one site as the owner's letter needs it: counted once, judged by the month's own verdict."""

from calendar import monthrange
from dataclasses import dataclass, field
from datetime import date
from typing import Literal

import pandas as pd

from dashboards.wording import Wording, letter_wording
from diagnostics.consequence import OPEN_STATUSES, Storage, with_day_columns
from diagnostics.diagnose import may_rest
from diagnostics.month_verdict import days_between, findings_between, month_verdict
from diagnostics.results import Finding, RepairProof, SiteDiagnosis
from diagnostics.site import Site

Verdict = Literal["working", "less", "not_working", "unknown"]
# Causes that make the metered water say nothing certain about the pump.
METER_CAUSES = frozenset({"meter_under_reading", "meter_over_reading", "meter_stopped", "totaliser_reset",
                          "unit_mistake"})
_VERDICTS: dict[str, Verdict] = {"working": "working", "less than it should": "less", "not working": "not_working",
                                 "not enough data": "unknown"}


@dataclass(frozen=True, slots=True)
class Sender:
    """The service company as the owner meets it."""

    name: str
    address: str
    contact: str = ""       # how to call, printed as it stands: "+254 000 000 000, 7 to 17 h"
    reply_to: str = ""      # where answers go, if not to the address


@dataclass(frozen=True, slots=True)
class MonthKnown:
    """What the caller knows besides the diagnosis; None is "not known" and is said so or left out."""

    sun_vs_usual: float | None = None           # irradiation of the month over the usual one, 1.0 is as usual
    storage: Storage = field(default_factory=Storage)
    visit_on: date | None = None


@dataclass(frozen=True)
class Month:
    """The month of one site, counted once."""

    site: Site
    diagnosis: SiteDiagnosis
    words: Wording
    first: date
    days_in_month: int
    days: pd.DataFrame
    judged: pd.DataFrame
    seen: pd.DataFrame
    verdict: Verdict
    findings: list[Finding]
    proofs: list[RepairProof]

    def volume(self, value_m3: float) -> str:
        """Print a volume in the owner's words and unit."""
        return self.words.volume(value_m3, self.site.owner.volume_unit)

    @property
    def mostly_full(self) -> bool:
        """Tell whether the tank was full on at least half of the days that were seen."""
        return len(self.seen) > 0 and float((self.seen["main_state"] == "tank_full").mean()) >= 0.5

    @property
    def on_demand(self) -> bool:
        """Tell whether a battery stands between sun and pump: it runs when water is drawn, not with the sun."""
        return self.site.drive.kind == "battery_bus" and "drive" not in self.site.parts_absent

    @property
    def meter_stopped(self) -> bool:
        """Tell whether the meter stood, so that no metered water means nothing."""
        return any(finding.cause == "meter_stopped" for finding in self.findings)


def count_month(site: Site, diagnosis: SiteDiagnosis, month: date) -> Month:
    """Count the calendar month that holds a day: its days, its findings, its verdict."""
    first = month.replace(day=1)
    length = monthrange(first.year, first.month)[1]
    last = first.replace(day=length)
    days = days_between(with_day_columns(diagnosis.days), first, last)
    judged = days[days["judged"].to_numpy(dtype=bool)]
    seen = days[(days["main_state"] != "silent").to_numpy()]
    proofs = [proof for proof in diagnosis.proofs if first <= proof.when_utc.date() <= last]
    held = [finding for finding in findings_between(diagnosis, first, last) if finding.status in OPEN_STATUSES]
    verdict = month_verdict(diagnosis, first, last, may_rest=may_rest(site), on_demand=site.drive.kind == "battery_bus")
    return Month(site, diagnosis, letter_wording(site.owner.language), first, length, days, judged, seen,
                 _VERDICTS[verdict], held, proofs)
