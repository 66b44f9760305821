"""Every night: read new files, work out every site, write the pages, list what cannot wait."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from prefect import flow, get_run_logger
from prefect.utilities.annotations import quote

from pipelines.flows.tasks import chunks, diagnose_chunk, list_alerts, publish_pages, read_new_files
from pipelines.stages import loading, moments
from pipelines.stages.outfolder import OutFolder


@flow(name="nightly", persist_result=False)
def nightly(fleet_folder: str, out: str | None = None, as_of: str | None = None, chunk_size: int = 20,
            workers: int = 2) -> dict[str, Any]:
    """
    Run the nightly job of a fleet; running it twice changes nothing.

    Parameters
    ----------
    fleet_folder, out : str
        Folder with fleet.toml; folder for results (`liftledger-out` beside it if not given).
    as_of : str, optional
        Moment to judge at; now if not given.
    chunk_size, workers : int
        Sites in one task; processes that work on them.

    Raises
    ------
    RuntimeError
        After everything else was done, if some chunk could not be worked on at all.
    """
    fleet = loading.load(Path(fleet_folder))
    out_folder = OutFolder.of(Path(fleet_folder), Path(out) if out else None)
    out_folder.claim(Path(fleet_folder))
    moment = moments.parse_moment(as_of, moments.zone_of(fleet)) if as_of else datetime.now(UTC)
    for problem in loading.errors_of(fleet):
        get_run_logger().error("left out: %s", problem)
    read_new_files(quote(fleet), out_folder)
    failed: list[str] = []
    lost: list[str] = []
    for site_ids in chunks(list(fleet.sites), chunk_size):
        state = diagnose_chunk(quote(fleet), out_folder, site_ids, moment, workers, return_state=True)
        if state.is_completed():
            failed += [failure.site_id for failure in state.result()]
        else:
            lost += site_ids
    publish_pages(quote(fleet), out_folder, moment)
    n_alerts = list_alerts(quote(fleet), out_folder, moment)
    if lost:
        raise RuntimeError(f"{len(lost)} site(s) could not be worked on and show yesterday's result: {', '.join(lost)}."
                           " The failed tasks above say why; the next night tries again.")
    return {"sites": len(fleet.sites), "failed": failed, "alerts": n_alerts}
