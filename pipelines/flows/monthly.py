"""Every month: the owners' letters of the month that is over."""

from datetime import UTC, datetime
from pathlib import Path

from prefect import flow
from prefect.utilities.annotations import quote

from pipelines.flows.tasks import write_letters
from pipelines.stages import loading, moments
from pipelines.stages.outfolder import OutFolder


@flow(name="monthly", persist_result=False)
def monthly(fleet_folder: str, out: str | None = None, month: str | None = None, as_of: str | None = None) -> int:
    """
    Write the letters of a month into the outbox and return how many there are.

    Parameters
    ----------
    fleet_folder, out : str
        Folder with fleet.toml; folder for results (`liftledger-out` beside it if not given).
    month : str, optional
        Like 2026-03; the last month that is over if not given.
    as_of : str, optional
        Moment to judge at; now if not given.
    """
    fleet = loading.load(Path(fleet_folder))
    out_folder = OutFolder.of(Path(fleet_folder), Path(out) if out else None)
    out_folder.claim(Path(fleet_folder))
    moment = moments.parse_moment(as_of, moments.zone_of(fleet)) if as_of else datetime.now(UTC)
    return write_letters(quote(fleet), out_folder, moment, month)
