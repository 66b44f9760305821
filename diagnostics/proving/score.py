"""One diagnosed plant beside its truth: what was named, when, how large, how surely, and what the expectation was."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from diagnostics.proving.bands import MEASURING, STATES, Band, band_of, true_size
from diagnostics.proving.figures import Score, score
from diagnostics.proving.planting import PlantedFault, Shape
from diagnostics.results import Finding, SiteDiagnosis
from diagnostics.site import Site

# A finding may open this many days before the planted start and still be of the same event: onset has an error, and
# an interval. One that opens earlier is of something that was not there, and counts as wrong.
EARLY_DAYS = 10
# A rival or a member of the group counts as "among rivals" from this probability on.
LEAST_RIVAL = 0.03
# Natural dust beyond this share lost is really there, though nobody planted it. [1]
REAL_DUST = 0.05


@dataclass(frozen=True)
class PlantedOutcome:
    """One planted cause and what became of it."""

    cause: str
    shape: Shape
    band: Band
    named: bool                     # a finding names it, rightly dated
    first: bool                     # the surest finding names a planted cause
    among: bool                     # named, or in a finding's group or rivals
    misdated: bool                  # named only by a finding of another time
    onset_error_days: float = float("nan")
    onset_covered: float = float("nan")         # 1 or 0
    size_error: float = float("nan")            # stated over true, less 1
    size_covered: float = float("nan")


@dataclass(frozen=True)
class StatedOutcome:
    """One finding and whether it is right."""

    cause: str
    confidence: float
    posterior: float
    right: bool
    by_rule: bool
    confidence_from: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class DeliveryOutcome:
    """Daily expected delivery against what the healthy plant would have given, over the same judged intervals."""

    days: int = 0
    covered: int = 0                # days inside the stated 95 % interval
    squared_error: float = 0.0      # [m6]
    error_m3: float = 0.0
    healthy_m3: float = 0.0


@dataclass(frozen=True)
class AccountOutcome:
    """The water account beside the truth; all volumes over expected. [1]"""

    closure: float = float("nan")           # largest difference between expected and the sum of its lines
    unexplained: float = float("nan")
    lost_error: float = float("nan")        # stated less true loss to causes; NaN where the metering lies


@dataclass(frozen=True)
class Outcome:
    """One diagnosed plant beside its truth."""

    site_id: str
    family: str
    climate: str
    sensors: str
    days: int
    planted: tuple[PlantedFault, ...]
    band: Band
    lost_share: float
    faults: tuple[PlantedOutcome, ...]
    findings: tuple[StatedOutcome, ...]     # most confident first
    delivery: DeliveryOutcome
    account: AccountOutcome
    step_s: float = float("nan")
    seconds: float = 0.0

    @property
    def names(self) -> frozenset[str]:
        """Planted causes, states left out."""
        return frozenset(f.cause for f in self.planted if f.cause not in STATES)

    @property
    def truth(self) -> str:
        """First planted cause, "sound" where none."""
        return next((f.cause for f in self.planted if f.cause not in STATES), "sound")

    @property
    def found(self) -> tuple[str, ...]:
        """Causes of findings, most confident first."""
        return tuple(f.cause for f in self.findings)

    @property
    def first_right(self) -> bool:
        """Is the surest finding right."""
        return bool(self.findings) and self.findings[0].right

    @property
    def among_rivals(self) -> bool:
        """Is a planted cause named, or in a finding's group or rivals."""
        return any(f.among for f in self.faults)


def outcome_of(site_id: str, family: str, climate: str, sensors: str, planted: Sequence[PlantedFault],
               truth: pd.DataFrame, diagnosis: SiteDiagnosis, *, seconds: float = 0.0, site: Site | None = None,
               step_s: float = float("nan")) -> Outcome:
    """
    Compare one diagnosis with what was planted.

    Parameters
    ----------
    site_id, family, climate, sensors : str
        Of the plant.
    planted : sequence of PlantedFault
        Truth.
    truth : pandas.DataFrame
        Course of the true plant.
    diagnosis : SiteDiagnosis
        What was said.
    seconds : float, optional
        What it took. [s]
    site : Site, optional
        Sheet, so that sizes given as shares of an array can be compared.
    step_s : float, optional
        Logger interval. [s]

    Returns
    -------
    outcome : Outcome
        One row of a score.
    """
    band, lost = band_of(truth, planted)
    heard = without_what_was_there(diagnosis, truth, planted)
    causes = [f for f in planted if f.cause not in STATES]
    ranked = sorted(heard.findings, key=lambda f: -f.confidence)
    begins = pd.Timestamp(diagnosis.days.index[0]) if len(diagnosis.days) else pd.Timestamp(truth.index[0])
    right = [any(f.cause == c.cause and _of_the_event(f, c, begins) for c in causes) for f in ranked]
    faults = tuple(_planted_outcome(c, band_of(truth, [c])[0], ranked, right, begins, truth, site) for c in causes)
    stated = tuple(StatedOutcome(
        f.cause, f.confidence, _posterior(f), ok, f.cause == "logger_silent", dict(getattr(f, "confidence_from", {})))
        for f, ok in zip(ranked, right, strict=True))
    return Outcome(site_id, family, climate, sensors, len(diagnosis.days), tuple(planted), band, lost, faults, stated,
                   _delivery(diagnosis, truth) if not causes else DeliveryOutcome(),
                   _account(diagnosis, truth, causes), step_s, seconds)


def without_what_was_there(diagnosis: SiteDiagnosis, truth: pd.DataFrame,
                           planted: Sequence[PlantedFault]) -> SiteDiagnosis:
    """
    Take out findings of what nobody planted but what really was: natural dust, a long gap, a pump switched off.

    Parameters
    ----------
    diagnosis : SiteDiagnosis
        What was said.
    truth : pandas.DataFrame
        With light_ratio.
    planted : sequence of PlantedFault
        Truth.

    Returns
    -------
    diagnosis : SiteDiagnosis
        Such findings are neither right nor wrong.
    """
    drop: set[str] = set()
    if all(f.cause != "soiled_array" for f in planted) and "light_ratio" in truth.columns:
        dirty = float(truth["light_ratio"].astype("float64").quantile(0.05)) < 1.0 - REAL_DUST
        drop |= {"soiled_array"} if dirty else set()
    if all(f.cause != "logger_silent" for f in planted):        # told by rule, of a gap that is there
        drop |= {"logger_silent"}
    if any(f.cause == "switched_off" for f in planted):
        drop |= {"drive_stopped"}
    kept = [f for f in diagnosis.findings if f.cause not in drop]
    return diagnosis if len(kept) == len(diagnosis.findings) else replace(diagnosis, findings=kept)


def _posterior(finding: Finding) -> float:
    raw = getattr(finding, "posterior", None)
    return float(raw) if raw is not None else finding.confidence


def _of_the_event(finding: Finding, fault: PlantedFault, begins: pd.Timestamp) -> bool:
    """Say whether a finding is of the planted event: it did not open long before, nor end before it."""
    start = begins + pd.Timedelta(days=fault.start_day)
    early = start - pd.Timedelta(days=EARLY_DAYS)
    opened = pd.Timestamp(finding.onset) >= early or pd.Timestamp(finding.onset_high) >= start
    return bool(opened and pd.Timestamp(finding.last_seen) >= start.normalize())


def _planted_outcome(fault: PlantedFault, band: Band, ranked: Sequence[Finding], right: Sequence[bool],
                     begins: pd.Timestamp, truth: pd.DataFrame, site: Site | None) -> PlantedOutcome:
    mine = [f for f, ok in zip(ranked, right, strict=True) if ok and f.cause == fault.cause]
    called = any(f.cause == fault.cause for f in ranked)
    among = bool(mine) or any(
        _of_the_event(f, fault, begins) and (fault.cause in f.group or any(
            r.cause == fault.cause and r.probability >= LEAST_RIVAL for r in f.rivals)) for f in ranked)
    first = bool(ranked) and right[0]
    if not mine:
        return PlantedOutcome(fault.cause, fault.shape, band, False, first, among, called)
    hit = mine[0]
    start = begins + pd.Timedelta(days=int(fault.start_day))
    covered = pd.Timestamp(hit.onset_low) <= start <= pd.Timestamp(hit.onset_high)
    size = true_size(fault, float((pd.Timestamp(hit.last_seen) - begins).days), truth, site)
    stated = sorted((abs(hit.size_low), abs(hit.size_high)))
    comparable = np.isfinite(size) and size > 0.0
    return PlantedOutcome(
        fault.cause, fault.shape, band, True, first, True, False,
        onset_error_days=float((pd.Timestamp(hit.onset) - start).days), onset_covered=float(covered),
        size_error=abs(hit.size) / size - 1.0 if comparable else float("nan"),
        size_covered=float(stated[0] <= size <= stated[1]) if comparable else float("nan"))


def _delivery(diagnosis: SiteDiagnosis, truth: pd.DataFrame) -> DeliveryOutcome:
    table, days = diagnosis.intervals, diagnosis.days
    if "judged" not in table or "day" not in table or len(table) == 0 or len(days) == 0:
        return DeliveryOutcome()
    healthy = truth["healthy_flow_m3_s"].astype("float64").reindex(table.index).to_numpy()
    hours_s = float((table.index[1] - table.index[0]) / pd.Timedelta(seconds=1)) if len(table) > 1 else 0.0
    judged = table["judged"].to_numpy(dtype=bool) & np.isfinite(healthy) & np.isfinite(
        table["expected_flow_m3_s"].to_numpy(dtype=np.float64))
    by_day = pd.Series(np.where(judged, healthy, 0.0) * hours_s).groupby(table["day"].to_numpy()).sum()
    true = by_day.reindex(days.index).to_numpy(dtype=np.float64)
    expected = days["expected_m3"].to_numpy(dtype=np.float64)
    low, high = (days[name].to_numpy(dtype=np.float64) for name in ("expected_low_m3", "expected_high_m3"))
    known = days["judged"].to_numpy(dtype=bool) & np.isfinite(expected) & np.isfinite(true) & (true > 0.0)
    error = expected[known] - true[known]
    inside = (low[known] <= true[known]) & (true[known] <= high[known])
    return DeliveryOutcome(int(known.sum()), int(inside.sum()), float(np.sum(error**2)), float(error.sum()),
                           float(true[known].sum()))


def _account(diagnosis: SiteDiagnosis, truth: pd.DataFrame, causes: Sequence[PlantedFault]) -> AccountOutcome:
    expected = sum(a.expected_m3 for a in diagnosis.accounts)
    if expected <= 0.0:
        return AccountOutcome()
    closure = max(abs(a.expected_m3 - sum(line.volume_m3 for line in a.lines)) / max(a.expected_m3, 1e-9)
                  for a in diagnosis.accounts if a.expected_m3 > 0.0)
    loose = sum(abs(line.volume_m3) for a in diagnosis.accounts for line in a.lines if line.kind == "unexplained")
    lost_error = float("nan")
    table = diagnosis.intervals
    if all(f.cause not in MEASURING for f in causes) and "judged" in table:
        stated = sum(line.volume_m3 for a in diagnosis.accounts for line in a.lines if line.kind == "cause")
        seen = truth.reindex(table.index)
        calling = table["judged"].to_numpy(dtype=bool) & (seen["state"] != "tank_full").to_numpy()
        gap = (seen["healthy_flow_m3_s"] - seen["true_flow_m3_s"]).to_numpy(dtype=np.float64)
        step_s = float((table.index[1] - table.index[0]) / pd.Timedelta(seconds=1)) if len(table) > 1 else 0.0
        lost_error = (stated - float(np.nansum(gap[calling])) * step_s) / expected
    return AccountOutcome(closure, loose / expected, lost_error)


__all__ = ["EARLY_DAYS", "MEASURING", "STATES", "AccountOutcome", "DeliveryOutcome", "Outcome", "PlantedOutcome",
           "Score", "StatedOutcome", "band_of", "outcome_of", "score", "without_what_was_there"]
