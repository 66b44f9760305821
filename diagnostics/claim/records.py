"""What a judged claim says, as frozen records that a dossier, JSON and both parties share."""

from datetime import date
from typing import Literal

from pydantic import Field

from diagnostics.results import EvidenceRow, Record, Rival

Outcome = Literal["meets", "does not meet", "cannot be decided"]
Answer = Literal["yes", "no", "cannot say", "does not arise"]


class Translation(Record):
    """The promise turned into physics, printed so that both parties can object before anything is compared."""

    daily_volume_m3: float
    total_dynamic_head_m: float
    daily_irradiation_kwh_m2: float
    plane_irradiation_kwh_m2: float = Field(description="The same in the plane of this array.")
    reference_day: date = Field(description="Clear day whose course of sun was scaled to the promised irradiation.")
    sheet_volume_m3: float = Field(description="What the described system gives on that day at that head.")
    promise_ratio: float = Field(description="Promised over sheet volume; the promise, not the sheet, is compared.")
    light_elasticity: float = Field(description="Relative change of water for a relative change of light.")
    head_elasticity: float = Field(description="Relative change of water for a relative change of head.")
    assumptions: list[str]


class DayCondition(Record):
    """One day of the claim: whether it counts, and what it weighs."""

    day: date
    counted: bool
    as_written: bool = Field(description="Irradiation and head were those of the promise, without translation.")
    reasons: list[str] = Field(description="Why it does not count, or not as written.")
    irradiation_kwh_m2: float | None
    head_m: float | None
    due_m3: float | None
    delivered_m3: float | None


class BudgetLine(Record):
    """One part of the uncertainty of delivered over due, as a standard uncertainty."""

    what: str
    contribution: float
    degrees_of_freedom: float | None = Field(default=None, description="None: taken as given.")
    why: str
    shrunk_by: str = ""
    shrunk_to: float | None = None


class Shortfall(Record):
    """Delivered over due on the counted days, with its interval, and what it means in water."""

    ratio: float
    ratio_low: float
    ratio_high: float
    uncertainty: float
    coverage_factor: float
    confidence_level: float
    due_m3: float
    delivered_m3: float
    missing_m3: float
    missing_low_m3: float
    missing_high_m3: float
    missing_m3_day: float
    days: int


class Decision(Record):
    """The verdict under the agreed rule, with the risk each party bears."""

    outcome: Outcome
    rule: Literal["guarded", "shared"]
    limit_ratio: float = Field(description="Least ratio that meets the promise.")
    accept_from: float | None = Field(description="From this measured ratio on it meets.")
    refuse_below: float | None = Field(description="Below this measured ratio it does not meet.")
    probability_meets: float = Field(description="That the true ratio meets the promise, given what was measured.")
    seller_risk: float = Field(description="Greatest probability of 'does not meet' though it meets.")
    buyer_risk: float = Field(description="Greatest probability of 'meets' though it does not.")
    says: str


class Variant(Record):
    """The same claim under another reasonable choice."""

    choice: str
    ratio: float | None
    days: int
    outcome: Outcome


class Condition(Record):
    """One condition of the promise, and what stood on the counted days."""

    what: str
    promised: float | None
    middle: float | None = Field(description="Median of the counted days.")
    low: float | None
    high: float | None
    unit: str
    met: Answer
    says: str


class Start(Record):
    """When delivered over due changed, if it did."""

    kind: Literal["step", "ramp", "from the first day", "no change found", "not enough data"]
    first_day: date | None = None
    low: date | None = None
    high: date | None = None
    says: str = ""


class CauseShare(Record):
    """One cause or state with the water it took in the claimed period, and whose it is."""

    cause: str
    label: str
    owner: str
    kind: Literal["cause", "state", "unexplained"]
    volume_m3: float
    low_m3: float
    high_m3: float
    confidence: float | None = None
    onset: date | None = None
    onset_low: date | None = None
    onset_high: date | None = None
    evidence: list[EvidenceRow] = Field(default_factory=list)
    rivals: list[Rival] = Field(default_factory=list)


class Settling(Record):
    """A test that would narrow the answer, cheapest first, and what it would do to it."""

    test: str
    uncertainty_then: float | None = None
    smallest_provable_then: float | None = None
    would_decide: bool | None = Field(default=None, description="If the ratio stayed where it is.")


class Rung(Record):
    """One question of the ladder."""

    number: int
    question: str
    answer: Answer
    says: str


class ClaimJudgement(Record):
    """Everything a dossier needs of a low-output claim; neutral, and the same for both parties."""

    site_id: str
    reference: str
    first_day: date
    last_day: date
    translation: Translation | None
    days: list[DayCondition]
    counted_days: int
    as_written_days: int
    excluded: dict[str, int] = Field(description="Reason -> days left out for it.")
    budget: list[BudgetLine]
    shortfall: Shortfall | None
    decision: Decision
    variants: list[Variant]
    start: Start
    shares: list[CauseShare]
    owners: dict[str, float] = Field(description="Owner of cause -> water, m3.")
    conditions: list[Condition] = Field(default_factory=list)
    settling: list[Settling]
    smallest_provable_shortfall: float | None = Field(description="Share of due that these instruments could prove.")
    ladder: list[Rung]
    not_examined: list[str]
