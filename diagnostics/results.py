"""What a diagnosis says, as frozen records that pages, letters, the ledger and JSON share."""

from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Literal

import pandas as pd
from pydantic import BaseModel, ConfigDict, Field


class Record(BaseModel):
    """Frozen record; unknown keys are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class EvidenceRow(Record):
    """One thing that was measured, what a healthy site would show, and what it says about a cause."""

    check: str = Field(description="Stable name, quoted in dossiers: 'flow_at_equal_power_low'.")
    says: str = Field(description="One plain sentence with the numbers in it.")
    value: float | None
    healthy: float | None
    unit: str
    outcome: Literal["supports", "speaks against", "neutral", "not enough data"]
    n_samples: int
    source: str = ""


class Rival(Record):
    """Another explanation, how probable it is left, and what speaks against it or would split it off."""

    cause: str
    probability: float = Field(ge=0, le=1)
    against: str = ""
    split_by: str = ""


class Finding(Record):
    """A cause held against a site."""

    site_id: str
    cause: str
    confidence: float = Field(ge=0, le=1, description="How often findings like this one are right.")
    posterior: float | None = Field(default=None, ge=0, le=1, description="Before calibration; none for a rule.")
    confidence_from: dict[str, float] = Field(default_factory=dict, description="Traits the confidence rests on.")
    group: list[str] = Field(default_factory=list, description="Causes these sensors cannot separate, this included.")
    onset: date
    onset_low: date
    onset_high: date
    onset_shape: Literal["step", "ramp", "seasonal", "intermittent", "day_one"]
    last_seen: date
    size: float
    size_low: float
    size_high: float
    size_unit: str
    size_means: str = Field(description="'share of array current lost', 'metres deeper than the sheet'.")
    water_lost_m3_day: float
    water_lost_low_m3_day: float
    water_lost_high_m3_day: float
    evidence: list[EvidenceRow]
    rivals: list[Rival]
    next_test: str
    field_readings: list[str] = Field(default_factory=list, description="What each test should show if this is true.")
    parts: list[str] = Field(default_factory=list)
    parts_if_rival: list[str] = Field(default_factory=list,
                                      description="Parts that only a rival would need, each saying which.")
    dangers: list[str] = Field(default_factory=list, description="Danger codes; texts come from causes.cautions.")
    owner_of_cause: str = ""
    urgency: Literal["information", "next_route", "two_weeks", "two_days", "now"] = "next_route"
    status: Literal["new", "growing", "steady", "healed", "mended", "relapsed"] = "new"
    status_says: str = ""
    weighed_on: date | None = Field(default=None, description="Last day it was weighed with; days after it are "
                                                              "reckoned as if it stood.")


class StateSpan(Record):
    """A normal condition that explained less water over a span."""

    site_id: str
    state: str
    first_day: date
    last_day: date
    volume_m3: float
    says: str


class AccountLine(Record):
    """One line of the water account; volumes of all lines add up to the expected volume."""

    kind: Literal["delivered", "state", "cause", "unexplained"]
    code: str
    volume_m3: float
    low_m3: float
    high_m3: float


class WaterAccount(Record):
    """Where the water of one period went: expected = delivered + states + causes + unexplained."""

    site_id: str
    first_day: date
    last_day: date
    expected_m3: float
    expected_low_m3: float
    expected_high_m3: float
    lines: list[AccountLine]
    days: int
    judged_days: int
    seen_m3: float = Field(description="All water the meter saw, judged or not.")


class RepairProof(Record):
    """Did a service event do what it was meant to do, on matched conditions."""

    site_id: str
    when_utc: datetime
    what: str
    cause: str
    outcome: Literal["worked", "did not work", "not yet proven"]
    says: str
    before: float | None = None
    after: float | None = None
    unit: str = ""


class ServiceEvent(Record):
    """One row of the service log."""

    site_id: str
    when_utc: datetime
    by: str = ""
    action: str = Field(description="'washed_array', 'cleaned_intake', 'replaced_meter', ...; see service log guide.")
    says: str = ""
    meant_for: str = Field(default="", description="Cause the work was meant to mend.")


@dataclass(frozen=True)
class SiteDiagnosis:
    """
    Everything that was worked out for one site.

    `days` has one row a local day (index: date) with the columns of `DAY_COLUMNS`; `summaries` holds the daily
    evidence that inference weighed (index: date). `intervals` holds expected and delivered per reading.
    """

    site_id: str
    days: pd.DataFrame
    summaries: pd.DataFrame
    intervals: pd.DataFrame
    findings: list[Finding]
    states: list[StateSpan]
    accounts: list[WaterAccount]
    proofs: list[RepairProof] = field(default_factory=list)
    verdict: Literal["working", "less than it should", "not working", "not enough data"] = "not enough data"
    verdict_says: str = ""
    notes: list[str] = field(default_factory=list)
    weighed_on: date | None = None      # last day that the causes were weighed with; None: the last day there is

    @property
    def days_since_weighing(self) -> int:
        """Days at the end that were reckoned beside the causes as they stood."""
        if self.weighed_on is None or len(self.days) == 0:
            return 0
        last: date = self.days.index[-1]
        return max((last - self.weighed_on).days, 0)


# Column -> meaning of SiteDiagnosis.days. Volumes are over judged intervals unless said otherwise.
DAY_COLUMNS: dict[str, str] = {
    "judged": "bool: enough sound data for a verdict on this day",
    "reason": "why the day is not judged, empty where it is: 'no readings', 'no irradiance', 'no flow', ...",
    "expected_m3": "expected delivery over judged intervals, by the sheet and the site's own sound record",
    "expected_low_m3": "lower end of its 95 % interval",
    "expected_high_m3": "upper end of its 95 % interval",
    "delivered_m3": "metered water over judged intervals",
    "seen_m3": "all metered water of the day, judged or not",
    "delivery_ratio": "delivered over (expected minus states)",
    "irradiation_kwh_m2": "in the array plane, all known intervals",
    "clear_sky_ratio": "irradiation over clear-sky irradiation, same intervals",
    "sun_hours": "hours with the sun more than 5 degrees up",
    "judged_sun_hours": "of these, with sound data",
    "tank_full_m3": "expected water not called for because the tank was full",
    "off_hours": "sun hours in which the site should have run and stood",
    "main_state": "working | tank_full | stopped | low_water | dull | silent | not_judged",
}
