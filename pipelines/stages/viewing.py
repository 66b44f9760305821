"""From ledger and fleet folder to the records a page is drawn from."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from pipelines.errors import plainly
from pipelines.stages.diagnosing import SiteFailure, not_worked_out
from pipelines.stages.loading import errors_of
from pipelines.stages.moments import last_day, zone_of
from pipelines.stages.outfolder import OutFolder
from pipelines.stages.proving import kept_answer

if TYPE_CHECKING:
    import pandas as pd

    from dashboards.shown import DeskUnits
    from dashboards.views import FleetView, Intake, PowerPicture, SiteView
    from diagnostics.results import SiteDiagnosis
    from diagnostics.site import Site
    from pipelines.fleet import Fleet
    from pipelines.ledger import Ledger

TANK_MEMORY = timedelta(days=10)                               # a level seen longer ago says nothing


def site_view_of(fleet: "Fleet", ledger: "Ledger", site_id: str, as_of: datetime, files: "pd.DataFrame",
                 out: OutFolder | None = None) -> "SiteView":
    """Assemble what the page of one site shows."""
    from dashboards.views import site_view
    from diagnostics.stored_water import stored_water

    site = fleet.sites[site_id]
    diagnosis = ledger.read_diagnosis(site_id)
    if diagnosis is None:
        diagnosis = not_worked_out(SiteFailure(site_id, "nothing was worked out yet"))
    if diagnosis.days_since_weighing:
        diagnosis = replace(diagnosis, notes=[*diagnosis.notes, (
            f"Causes were weighed on {diagnosis.weighed_on}; the days since lie where that lets one expect them.")])
    readings = ledger.read_site(site_id, start=as_of - TANK_MEMORY, end=as_of)
    return site_view(
        site, diagnosis, company=fleet.company.name, as_of=last_day(as_of, site.timezone),
        intake=intake_of(files, site_id), storage=stored_water(site, readings, as_of),
        power=_power_picture(site, diagnosis),
        service_events=[event for event in fleet.service_events
                        if event.site_id == site_id and event.when_utc <= as_of],
        units=desk_units(fleet), provable=kept_answer(out, site_id))


def failed_view_of(fleet: "Fleet", site_id: str, as_of: datetime, error: Exception) -> "SiteView":
    """Assemble the page of a site whose results cannot be read, so that it is not missing on the fleet page."""
    from dashboards.views import site_view

    site = fleet.sites[site_id]
    return site_view(site, not_worked_out(SiteFailure(site_id, plainly(error))),
                     company=fleet.company.name, as_of=last_day(as_of, site.timezone))


def fleet_view_of(fleet: "Fleet", views: Iterable["SiteView"], as_of: datetime, files: "pd.DataFrame",
                  sizes: "Mapping[str, pd.DataFrame] | None" = None) -> "FleetView":
    """Assemble what the fleet page shows; what is wrong in the fleet folder stands on it too."""
    from dashboards.views import fleet_view

    return fleet_view(list(views), company=fleet.company.name, as_of=last_day(as_of, zone_of(fleet)),
                      intake=intake_of(files, None), problems=[str(problem) for problem in errors_of(fleet)],
                      units=desk_units(fleet), sizes=sizes)


def intake_of(files: "pd.DataFrame", site_id: str | None) -> "Intake":
    """Count the raw files behind one site, or behind all."""
    from dashboards.views import FileSeen, Intake

    rows = [row for row in files.to_dict("records") if site_id is None or site_id in list(_listed(row["site_ids"]))]
    seen = tuple(FileSeen(name=str(row["path"]), sha256=str(row["sha256"]), readings=_count(row["rows"]),
                          rejected=_count(row["quarantined"]), first_utc=_moment(row["first_utc"]),
                          last_utc=_moment(row["last_utc"])) for row in rows)
    return Intake(files=len(seen), readings=sum(one.readings for one in seen),
                  rejected=sum(one.rejected for one in seen),
                  last_reading_utc=max((one.last_utc for one in seen if one.last_utc), default=None), seen=seen,
                  problems=tuple(f"{row['path']}: {row['says']}" for row in rows if row["says"]))


def _listed(value: Any) -> Iterable[str]:
    return value if isinstance(value, Iterable) and not isinstance(value, str) else ()


def _count(value: Any) -> int:
    return int(value) if value is not None and value == value else 0


def _moment(value: Any) -> datetime | None:
    return value.to_pydatetime().replace(tzinfo=UTC) if value is not None and value == value else None


def desk_units(fleet: "Fleet") -> "DeskUnits":
    """Return the units in which the company reads its pages, tables and claims."""
    from dashboards.shown import DeskUnits

    if fleet.company.units == "metric":
        return DeskUnits()
    return DeskUnits(volume="gal_us" if fleet.company.units == "us" else "gal_imp", length="ft")


def _power_picture(site: "Site", diagnosis: "SiteDiagnosis") -> "PowerPicture | None":
    from dashboards.views import power_picture
    from diagnostics.consequence import open_findings
    from diagnostics.healthy_curve import healthy_curve

    first = next(iter(open_findings(diagnosis.findings)), None)
    return power_picture(diagnosis.intervals, first.onset if first else None, *healthy_curve(site),
                         timezone=site.timezone)
