"""Everything that sites say of each other, from stored diagnoses; nothing of a site's own diagnosis is changed."""

from collections.abc import Mapping
from typing import Literal

import numpy as np
import pandas as pd
from pydantic import Field

from diagnostics.consequence import OPEN_STATUSES
from diagnostics.fleet_context.events import CAUSE_OF, FleetEvent, Kind, fleet_events, moved_since
from diagnostics.fleet_context.exchanged_sites import ExchangedSites, exchanged_by_pattern, exchanged_sites
from diagnostics.fleet_context.neighbourhood import sharing_sky, sharing_water
from diagnostics.fleet_context.rates import Rate, rates
from diagnostics.fleet_context.sun_check import SunCheck, sun_checks
from diagnostics.results import Finding, Record, SiteDiagnosis
from diagnostics.site import Site

# Findings that a wrong sun sensor would make: the array seems short, or too good.
_HANG_ON_SUN = ("soiled_array", "array_degraded", "irradiance_sensor_fault")
_KIND_OF: dict[str, Kind] = {cause: kind for kind, cause in CAUSE_OF.items()}
# Findings beside which a falling groundwater is the usual rival.
_OR_WATER = ("worn_pump", "riser_leak", "wrong_head", "motor_fault")


class BesideNeighbours(Record):
    """What a site's neighbours say of one of its findings."""

    site_id: str
    cause: str
    outcome: Literal["supports", "speaks against", "local", "shared"]
    neighbours: list[str]
    says: str


class FleetContext(Record):
    """Sites beside each other."""

    events: list[FleetEvent] = Field(default_factory=list)
    sun: list[SunCheck] = Field(default_factory=list)
    beside: list[BesideNeighbours] = Field(default_factory=list)
    rates: list[Rate] = Field(default_factory=list)
    exchanged: list[ExchangedSites] = Field(default_factory=list)


def fleet_context(sites: Mapping[str, Site], diagnoses: Mapping[str, SiteDiagnosis], *,
                  sizes: Mapping[str, pd.DataFrame] | None = None) -> FleetContext:
    """
    Set sites beside each other.

    A second, cheap pass over diagnoses as they are stored: they are worked out site by site and stay as they are, so
    that a night in which one site changed costs one site.

    Parameters
    ----------
    sites : mapping of str to Site
    diagnoses : mapping of str to SiteDiagnosis
    sizes : mapping of str to DataFrame, optional
        `sizes_by_day` of the sites; without them no pair is told exchanged by its equipment.

    Returns
    -------
    context : FleetContext
        Events of several sites, sun sensors against their neighbours, words beside findings, rates with exposure, pairs
        of sites that hold each other's readings.
    """
    known = {site_id: diagnosis for site_id, diagnosis in diagnoses.items() if site_id in sites}
    events, sun = fleet_events(sites, known), sun_checks(sites, known)
    exchanged = exchanged_sites(sites, sizes or {})
    told = {pair.sites for pair in exchanged}
    exchanged += [pair for pair in exchanged_by_pattern(sites, known) if pair.sites not in told]
    return FleetContext(events=events, sun=sun, beside=_beside(sites, known, events, sun),
                        rates=rates(sites, known), exchanged=exchanged)


def _beside(sites: Mapping[str, Site], diagnoses: Mapping[str, SiteDiagnosis], events: list[FleetEvent],
            sun: list[SunCheck]) -> list[BesideNeighbours]:
    checked = {check.site_id: check for check in sun}
    ids = list(diagnoses)
    described = [sites[site_id] for site_id in ids]
    sky, water = sharing_sky(described), sharing_water(described)
    found: list[BesideNeighbours] = []
    for place, site_id in enumerate(ids):
        near = {"dust": [ids[other] for other in np.flatnonzero(sky[place])],
                "falling_groundwater": [ids[other] for other in np.flatnonzero(water[place])]}
        for finding in diagnoses[site_id].findings:
            if finding.status not in OPEN_STATUSES:
                continue
            found += [one for one in (_sun_says(finding, checked.get(site_id)),
                                      _event_says(finding, events, near, diagnoses),
                                      _water_says(finding, events, near["falling_groundwater"])) if one is not None]
    return found


def _sun_says(finding: Finding, check: SunCheck | None) -> BesideNeighbours | None:
    if check is None or finding.cause not in _HANG_ON_SUN or check.outcome == "not enough data":
        return None
    wrong = check.outcome != "agrees"
    if finding.cause != "irradiance_sensor_fault" and check.outcome == "reads low":
        return None         # a sensor that reads low hides dirt and makes none
    against = wrong != (finding.cause == "irradiance_sensor_fault")
    return BesideNeighbours(site_id=finding.site_id, cause=finding.cause, neighbours=check.neighbours,
                            outcome="speaks against" if against else "supports", says=check.says)


def _event_says(finding: Finding, events: list[FleetEvent], near: Mapping[str, list[str]],
                diagnoses: Mapping[str, SiteDiagnosis]) -> BesideNeighbours | None:
    kind = _KIND_OF.get(finding.cause)
    if kind is None:
        return None
    for event in events:
        if event.kind == kind and finding.site_id in event.sites and event.first_day <= finding.onset <= max(
                event.onset_high, event.first_day):
            others = [one for one in event.sites if one != finding.site_id]
            return BesideNeighbours(site_id=finding.site_id, cause=finding.cause, outcome="shared", neighbours=others,
                                    says=event.says)
    moved = {one: moved_since(kind, diagnoses[one], finding.onset, finding.last_seen) for one in near[kind]}
    steady = [one for one, answer in moved.items() if answer is False]
    alike = [one for one, answer in moved.items() if answer]
    if not steady or len(alike) >= len(steady):
        return None
    share = f"{len(steady)} of {len(steady) + len(alike)}"
    says = {"dust": f"{share} sites under the same sky that log their array lost nothing at that time: a local source "
                    "of dirt or shade, not a dust storm.",
            "falling_groundwater": f"{share} wells on the same water that log their level stood steady: this well or "
                                   "what is pumped near it, not the aquifer as a whole."}[kind]
    return BesideNeighbours(site_id=finding.site_id, cause=finding.cause, outcome="local", neighbours=steady, says=says)


def _water_says(finding: Finding, events: list[FleetEvent], near: list[str]) -> BesideNeighbours | None:
    if finding.cause not in _OR_WATER:
        return None
    rival = any(other.cause == "falling_water_table" and other.probability >= 0.05 for other in finding.rivals)
    for event in events:
        # It must have fallen while the finding grew, and on water that this site draws on.
        if (rival and event.kind == "falling_groundwater" and set(event.sites) & set(near)
                and event.onset_low <= finding.onset_high and finding.onset_low <= event.last_day):
            return BesideNeighbours(
                site_id=finding.site_id, cause=finding.cause, outcome="speaks against", neighbours=event.sites,
                says=f"{event.says} It draws on the same water: dip the well before the pump is pulled.")
    return None
