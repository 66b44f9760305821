"""
Frozen records a page is drawn from, assembled from a site, its diagnosis and what the caller knows besides.

Nothing here reads a file or a clock: the day of the judgement, the counts of the intake and the level of the tank come
in as arguments.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dashboards.shown import DeskUnits, great_circle_km
from dashboards.wording import cause_labels, caution_texts
from diagnostics.consequence import (
    MEASURING_CAUSES,
    Consequence,
    RankingRules,
    Storage,
    consequence,
    open_findings,
    rank_key,
    with_day_columns,
)
from diagnostics.detectability import Detectability
from diagnostics.fleet_context import FleetContext, fleet_context
from diagnostics.results import Finding, RepairProof, ServiceEvent, SiteDiagnosis, WaterAccount
from diagnostics.site import Site

DAYS_SHOWN = 400        # a page has room for a year and its neighbours; the ledger keeps everything


@dataclass(frozen=True, slots=True)
class FileSeen:
    """One raw file that readings of a site came from, so that anyone can find it again."""

    name: str
    sha256: str
    readings: int
    rejected: int = 0
    first_utc: datetime | None = None
    last_utc: datetime | None = None


@dataclass(frozen=True, slots=True)
class Intake:
    """How much data came in, for one site or for all."""

    files: int = 0
    new_files: int = 0
    readings: int = 0
    rejected: int = 0
    conflicts: int = 0
    last_reading_utc: datetime | None = None
    seen: tuple[FileSeen, ...] = ()
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PowerPicture:
    """Flow against power: what a healthy site would give, and what was measured before and after an onset."""

    curve_power_w: NDArray[np.float64]
    curve_flow_m3_s: NDArray[np.float64]
    before_power_w: NDArray[np.float64]
    before_flow_m3_s: NDArray[np.float64]
    after_power_w: NDArray[np.float64]
    after_flow_m3_s: NDArray[np.float64]
    onset: date | None
    power_is: str = "DC power into the drive"


@dataclass(frozen=True, slots=True)
class Neighbour:
    """Another site that wants a visit and lies near."""

    site_id: str
    name: str
    distance_km: float
    class_code: str


@dataclass(frozen=True, slots=True)
class SiteView:
    """Everything the page of one site shows."""

    company: str
    as_of: date
    site: Site
    diagnosis: SiteDiagnosis
    consequence: Consequence
    storage: Storage
    open_findings: tuple[Finding, ...]
    closed_findings: tuple[Finding, ...]
    intake: Intake
    power: PowerPicture | None
    service_events: tuple[ServiceEvent, ...]
    cautions: Mapping[str, str]
    labels: Mapping[str, str]
    units: DeskUnits
    neighbours: tuple[Neighbour, ...] = ()
    provable: Detectability | None = None

    @property
    def pumps(self) -> bool:
        """Tell whether the site pumps, or only measures."""
        return "pump" not in self.site.parts_absent

    @property
    def account(self) -> WaterAccount | None:
        """Return the newest water account."""
        return max(self.diagnosis.accounts, key=lambda account: account.last_day, default=None)

    @property
    def first_finding(self) -> Finding | None:
        """Return the finding that leads the page."""
        return self.open_findings[0] if self.open_findings else None


@dataclass(frozen=True, slots=True)
class LostTo:
    """Water that the fleet lost to one cause or state over the month."""

    kind: str
    code: str
    volume_m3: float
    low_m3: float
    high_m3: float
    sites: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Shared:
    """One cause open at several sites of one aquifer or region: perhaps one event, not several."""

    cause: str
    where: str
    sites: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class PartNeeded:
    """A part that findings ask for, how probable it is that it will be needed, and where."""

    part: str
    chance: float
    sites: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class FleetView:
    """Everything the service desk's page shows; sites stand in the order of consequence."""

    company: str
    as_of: date
    sites: tuple[SiteView, ...]
    intake: Intake
    problems: tuple[str, ...]
    month_first: date
    month_last: date
    expected_m3: float
    delivered_m3: float
    lost: tuple[LostTo, ...]
    shared: tuple[Shared, ...]
    parts: tuple[PartNeeded, ...]
    proofs: tuple[tuple[SiteView, RepairProof], ...]
    labels: Mapping[str, str]
    units: DeskUnits = field(default_factory=DeskUnits)
    context: FleetContext = field(default_factory=FleetContext)

    @property
    def to_visit(self) -> tuple[SiteView, ...]:
        """Return the sites that want a visit, in order."""
        return tuple(site for site in self.sites if site.consequence.class_code not in ("watch", "all_well"))


def site_view(site: Site, diagnosis: SiteDiagnosis, *, company: str, as_of: date, intake: Intake | None = None,
              storage: Storage | None = None, power: PowerPicture | None = None,
              service_events: Sequence[ServiceEvent] = (), cautions: Mapping[str, str] | None = None,
              labels: Mapping[str, str] | None = None, rules: RankingRules | None = None,
              units: DeskUnits | None = None, provable: Detectability | None = None) -> SiteView:
    """
    Assemble the record of one site.

    `as_of` is the last local day that the diagnosis is asked about, not the day of printing. `storage` comes from
    the last tank level known; without one the tank's size alone is used and the hours are called unknown.
    """
    storage = storage or Storage()
    diagnosis = replace(diagnosis, days=with_day_columns(diagnosis.days))
    placed = consequence(diagnosis, site.demand, storage, as_of=as_of, rules=rules,
                         pumps="pump" not in site.parts_absent)
    still_open = tuple(open_findings(diagnosis.findings))
    closed = tuple(finding for finding in diagnosis.findings if finding not in still_open)
    return SiteView(
        company=company, as_of=as_of, site=site, diagnosis=diagnosis, consequence=placed, storage=storage,
        open_findings=still_open, closed_findings=closed, intake=intake or Intake(), power=power,
        service_events=tuple(sorted(service_events, key=lambda event: event.when_utc, reverse=True)),
        cautions=caution_texts() if cautions is None else cautions,
        labels=cause_labels() if labels is None else labels, units=units or DeskUnits(), provable=provable)


def fleet_view(sites: Sequence[SiteView], *, company: str, as_of: date, intake: Intake | None = None,
               problems: Sequence[str] = (), units: DeskUnits | None = None, near_km: float = 40.0,
               sizes: Mapping[str, pd.DataFrame] | None = None) -> FleetView:
    """Assemble and rank the fleet. Neighbours within `near_km` that want a visit are named beside each other."""
    ranked = sorted(sites, key=lambda view: (rank_key(view.consequence), view.site.id))
    ranked = [replace(view, neighbours=_neighbours(view, ranked, near_km)) for view in ranked]
    first, last = as_of.replace(day=1), as_of
    month = [line for view in ranked for line in _month_lines(view, first, last)]
    expected, delivered = _month_totals(ranked, first, last)
    return FleetView(
        company=company, as_of=as_of, sites=tuple(ranked), intake=intake or _summed([v.intake for v in ranked]),
        problems=tuple(problems), month_first=first, month_last=last, expected_m3=expected, delivered_m3=delivered,
        lost=_lost(month), shared=_shared(ranked), parts=_parts(ranked),
        proofs=tuple((view, proof) for view in ranked for proof in view.diagnosis.proofs),
        labels=ranked[0].labels if ranked else cause_labels(), units=units or DeskUnits(),
        context=fleet_context({view.site.id: view.site for view in ranked},
                              {view.site.id: view.diagnosis for view in ranked}, sizes=sizes))


def power_picture(intervals: pd.DataFrame, onset: date | None, curve_power_w: NDArray[np.float64],
                  curve_flow_m3_s: NDArray[np.float64], *, timezone: str, power_column: str = "array_power_w",
                  flow_column: str = "flow_m3_s", at_most: int = 500) -> PowerPicture | None:
    """
    Pick the points of flow against power before and after an onset, thinned evenly to `at_most` each.

    Returns None where the intervals hold no power or no flow.
    """
    if power_column not in intervals.columns or flow_column not in intervals.columns:
        return None
    pairs = intervals[[power_column, flow_column]].dropna()
    pairs = pairs[(pairs[power_column] > 0.0).to_numpy()]
    if pairs.empty:
        return None
    later = np.zeros(len(pairs), dtype=bool) if onset is None else np.asarray(
        pairs.index >= pd.Timestamp(onset, tz=timezone))
    before, after = _thinned(pairs[~later], at_most), _thinned(pairs[later], at_most)
    return PowerPicture(curve_power_w, curve_flow_m3_s,
                        before[power_column].to_numpy(), before[flow_column].to_numpy(),
                        after[power_column].to_numpy(), after[flow_column].to_numpy(), onset)


def _thinned(pairs: pd.DataFrame, at_most: int) -> pd.DataFrame:
    if len(pairs) <= at_most:
        return pairs
    return pairs.iloc[np.linspace(0, len(pairs) - 1, at_most).round().astype(int)]


def _neighbours(view: SiteView, others: Sequence[SiteView], near_km: float) -> tuple[Neighbour, ...]:
    here = {"latitude_deg": view.site.latitude_deg, "longitude_deg": view.site.longitude_deg}
    near = []
    for other in others:
        if other.site.id == view.site.id or other.consequence.class_code in ("watch", "all_well"):
            continue
        away = great_circle_km(here, {"latitude_deg": other.site.latitude_deg,
                                      "longitude_deg": other.site.longitude_deg})
        if away <= near_km:
            near.append(Neighbour(other.site.id, other.site.name, away, other.consequence.class_code))
    return tuple(sorted(near, key=lambda neighbour: neighbour.distance_km)[:4])


def _month_lines(view: SiteView, first: date, last: date) -> list[tuple[SiteView, str, str, float, float, float]]:
    return [(view, line.kind, line.code, line.volume_m3, line.low_m3, line.high_m3)
            for account in view.diagnosis.accounts if first <= account.last_day <= last or account.first_day == first
            for line in account.lines if line.kind != "delivered"]


def _month_totals(views: Sequence[SiteView], first: date, last: date) -> tuple[float, float]:
    accounts = [account for view in views for account in view.diagnosis.accounts
                if first <= account.last_day <= last or account.first_day == first]
    delivered = sum(line.volume_m3 for account in accounts for line in account.lines if line.kind == "delivered")
    return sum(account.expected_m3 for account in accounts), delivered


def _lost(lines: Sequence[tuple[SiteView, str, str, float, float, float]]) -> tuple[LostTo, ...]:
    groups: dict[tuple[str, str], list[tuple[SiteView, float, float, float]]] = defaultdict(list)
    for view, kind, code, middle, low, high in lines:
        groups[kind, code].append((view, middle, low, high))
    lost = [LostTo(kind, code, sum(row[1] for row in rows), sum(row[2] for row in rows), sum(row[3] for row in rows),
                   tuple((row[0].site.id, row[0].site.name) for row in sorted(rows, key=lambda row: -row[1])))
            for (kind, code), rows in groups.items()]
    return tuple(sorted(lost, key=lambda row: (("cause", "state", "unexplained").index(row.kind), -row.volume_m3)))


def _shared(views: Sequence[SiteView]) -> tuple[Shared, ...]:
    groups: dict[tuple[str, str], list[tuple[str, str]]] = defaultdict(list)
    for view in views:
        where = view.site.aquifer or view.site.region
        for finding in view.open_findings:
            if where:
                groups[finding.cause, where].append((view.site.id, view.site.name))
    return tuple(Shared(cause, where, tuple(sites)) for (cause, where), sites in sorted(groups.items())
                 if len(sites) >= 2)


def _parts(views: Sequence[SiteView]) -> tuple[PartNeeded, ...]:
    chance: dict[str, float] = defaultdict(float)
    where: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for view in views:
        for finding in view.open_findings:
            for part in finding.parts:
                chance[part] = 1.0 - (1.0 - chance[part]) * (1.0 - finding.confidence)
                if (view.site.id, view.site.name) not in where[part]:
                    where[part].append((view.site.id, view.site.name))
    return tuple(sorted((PartNeeded(part, chance[part], tuple(where[part])) for part in where),
                        key=lambda needed: (-len(needed.sites), -needed.chance, needed.part)))


def _summed(intakes: Sequence[Intake]) -> Intake:
    stamps = [intake.last_reading_utc for intake in intakes if intake.last_reading_utc]
    return Intake(files=sum(i.files for i in intakes), new_files=sum(i.new_files for i in intakes),
                  readings=sum(i.readings for i in intakes), rejected=sum(i.rejected for i in intakes),
                  conflicts=sum(i.conflicts for i in intakes), last_reading_utc=max(stamps, default=None),
                  problems=tuple(problem for intake in intakes for problem in intake.problems))


def is_measuring(cause: str) -> bool:
    """Tell whether a cause sits in the measuring and not in the water."""
    return cause in MEASURING_CAUSES
