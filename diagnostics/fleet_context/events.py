"""One event over many sites: a dust storm or a falling aquifer, seen as itself and not as so many findings."""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from math import comb
from typing import Literal

import numpy as np
import pandas as pd
from pydantic import Field

from diagnostics.causes import CAUSES
from diagnostics.fleet_context.neighbourhood import groups_of, sharing_sky, sharing_water
from diagnostics.results import Finding, Record, SiteDiagnosis
from diagnostics.site import Site

Kind = Literal["dust", "falling_groundwater"]
# Kind -> cause, and the daily summaries that show at a site without the finding whether it was touched at all.
CAUSE_OF: dict[Kind, str] = {"dust": "soiled_array", "falling_groundwater": "falling_water_table"}
SHOWN_BY: dict[Kind, tuple[str, ...]] = {
    "dust": ("current_high_sun", "power_high_sun"), "falling_groundwater": ("static_level",)}
# Onsets further apart than this are not one event, unless their own intervals reach further. [days]
REACH_DAYS: dict[Kind, int] = {"dust": 5, "falling_groundwater": 21}
# A change of this share of the array's current, or of the total head, is one that a day's summary shows.
LEAST_CHANGE: dict[Kind, float] = {"dust": 0.025, "falling_groundwater": 0.02}
LEAST_SITES = 2
LEAST_CONFIDENCE = 0.5


class FleetEvent(Record):
    """One thing that happened to several sites at once."""

    kind: Kind
    cause: str
    where: str
    sites: list[str] = Field(description="Sites where it is a finding.")
    untouched: list[str] = Field(description="Sites beside them whose sensors would show it and do not.")
    unseen: list[str] = Field(description="Sites beside them whose sensors could not show it.")
    first_day: date
    last_day: date
    onset_low: date
    onset_high: date
    size: float = Field(description="Median over the sites.")
    size_low: float
    size_high: float
    size_unit: str
    size_means: str
    water_lost_m3_day: float
    confidence: float = Field(description="That it is one event and not as many findings that came together by chance.")
    is_open: bool
    says: str


def fleet_events(sites: Mapping[str, Site], diagnoses: Mapping[str, SiteDiagnosis]) -> list[FleetEvent]:
    """
    Find findings of one cause that began together at sites that share the sky or the groundwater.

    One event is held against as many causes of their own by how near together they began: if each had begun on a day
    of its own, anywhere in the record, so close a cluster has probability p^(k-1) for the k - 1 others, times the ways
    to choose them from all that have the cause; an event that touches k of n sites is taken to be equally likely for
    every k. Even odds before.

    Parameters
    ----------
    sites : mapping of str to Site
    diagnoses : mapping of str to SiteDiagnosis

    Returns
    -------
    events : list of FleetEvent
        The latest first.
    """
    ids = [site_id for site_id in diagnoses if site_id in sites and len(diagnoses[site_id].days)]
    if len(ids) < LEAST_SITES:
        return []
    described = [sites[site_id] for site_id in ids]
    found: list[FleetEvent] = []
    for kind, shared in (("dust", sharing_sky(described)), ("falling_groundwater", sharing_water(described))):
        for group in groups_of(shared):
            members = [ids[place] for place in group]
            found += _events_of(kind, members, sites, diagnoses)  # type: ignore[arg-type]
    return sorted(found, key=lambda event: (event.first_day, event.cause), reverse=True)


def _events_of(kind: Kind, members: Sequence[str], sites: Mapping[str, Site],
               diagnoses: Mapping[str, SiteDiagnosis]) -> list[FleetEvent]:
    cause = CAUSE_OF[kind]
    held = sorted((finding for site_id in members for finding in diagnoses[site_id].findings
                   if finding.cause == cause and finding.confidence >= LEAST_CONFIDENCE
                   and finding.onset_shape != "day_one"), key=lambda finding: finding.onset)
    clusters: list[list[Finding]] = []
    for finding in held:
        if clusters and finding.onset - clusters[-1][-1].onset <= _reach(kind, finding, clusters[-1][-1]):
            clusters[-1].append(finding)
        else:
            clusters.append([finding])
    return [_event(kind, cluster, len({one.site_id for one in held}), members, sites, diagnoses)
            for cluster in clusters if len({finding.site_id for finding in cluster}) >= LEAST_SITES]


def _reach(kind: Kind, one: Finding, other: Finding) -> timedelta:
    halves = [(finding.onset_high - finding.onset_low) / 2 for finding in (one, other)]
    return max(timedelta(days=REACH_DAYS[kind]), min(sum(halves, timedelta()), timedelta(days=30)))


def _event(kind: Kind, cluster: Sequence[Finding], with_cause: int, members: Sequence[str],
           sites: Mapping[str, Site], diagnoses: Mapping[str, SiteDiagnosis]) -> FleetEvent:
    touched = list(dict.fromkeys(finding.site_id for finding in cluster))
    onset, last = cluster[0].onset, max(finding.last_seen for finding in cluster)
    verdicts = {site_id: moved_since(kind, diagnoses[site_id], onset, last) for site_id in members
                if site_id not in touched}
    untouched = [site_id for site_id, moved in verdicts.items() if moved is False]
    unseen = [site_id for site_id, moved in verdicts.items() if moved is None]
    record = max(len(diagnoses[site_id].days) for site_id in touched)
    doubt = float(np.median([(finding.onset_high - finding.onset_low).days / 2.0 for finding in cluster]))
    span = max((cluster[-1].onset - onset).days, doubt) + 1.0
    chance = min(2.0 * span / record, 1.0) ** (len(touched) - 1) * comb(with_cause - 1, len(touched) - 1)
    watched = len(touched) + len(untouched)
    one = 1.0 / max(watched - 1, 1)
    confidence = one / (one + min(chance, 1.0)) * float(np.mean([finding.confidence for finding in cluster]))
    sizes = [finding.size for finding in cluster]
    cause = CAUSES[CAUSE_OF[kind]]
    where = _where(kind, touched, sites)
    return FleetEvent(
        kind=kind, cause=cause.code, where=where, sites=touched, untouched=untouched, unseen=unseen,
        first_day=onset, last_day=last, onset_low=min(finding.onset_low for finding in cluster),
        onset_high=max(finding.onset for finding in cluster), size=float(np.median(sizes)), size_low=min(sizes),
        size_high=max(sizes), size_unit=cause.size_unit, size_means=cause.size_means,
        water_lost_m3_day=sum(finding.water_lost_m3_day for finding in cluster), confidence=min(confidence, 0.99),
        is_open=any(finding.status in ("new", "growing", "steady", "relapsed") for finding in cluster),
        says=_says(kind, where, len(touched), len(untouched), len(unseen), onset, cluster[-1].onset))


def moved_since(kind: Kind, diagnosis: SiteDiagnosis, onset: date, last: date) -> bool | None:
    """
    Tell whether what would show an event moved at a site: over the 20 days before it, and from a week after its onset.

    Parameters
    ----------
    kind : str
        Of the event.
    diagnosis : SiteDiagnosis
        Of a site beside it.
    onset, last : date
        Span of the event.

    Returns
    -------
    moved : bool or None
        None where the site's sensors do not say.
    """
    summaries = diagnosis.summaries
    names = [name for name in SHOWN_BY[kind] if name in summaries.columns]
    if not names or summaries.empty:
        return None
    days = pd.to_datetime(pd.Index(summaries.index))
    begins = pd.Timestamp(onset)
    before = (days >= begins - pd.Timedelta(days=20)) & (days < begins)
    after = (days > begins + pd.Timedelta(days=6)) & (days <= max(pd.Timestamp(last), begins + pd.Timedelta(days=14)))
    for name in names:
        values = summaries[name].to_numpy(dtype=np.float64)
        earlier, later = values[before & np.isfinite(values)], values[after & np.isfinite(values)]
        if min(earlier.size, later.size) >= 5:
            change = float(np.median(later) - np.median(earlier))
            return (-change if kind == "dust" else change) > LEAST_CHANGE[kind]
    return None


def _where(kind: Kind, touched: Sequence[str], sites: Mapping[str, Site]) -> str:
    word = "region" if kind == "dust" else "aquifer"
    names = dict.fromkeys(getattr(sites[site_id], word) for site_id in touched)
    return ", ".join(name for name in names if name) or "near by"


def _says(kind: Kind, where: str, touched: int, untouched: int, unseen: int, first: date, last: date) -> str:
    what = {"dust": "Dust fell", "falling_groundwater": "The groundwater fell"}[kind]
    when = f"from {first} on" if first == last else f"between {first} and {last}"
    beside = [f"{untouched} beside them show{'s' if untouched == 1 else ''} nothing of it"] if untouched else []
    beside += [f"{unseen} could not show it"] if unseen else []
    return f"{what} at {touched} sites ({where}) {when}" + (f"; {', '.join(beside)}." if beside else ".")
