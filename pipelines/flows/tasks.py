"""What the schedule calls: each task is one stage over a chunk of sites, and retries only what a retry can mend."""

from collections.abc import Iterator
from datetime import datetime

from prefect import get_run_logger, task
from prefect.cache_policies import NO_CACHE

from pipelines.errors import LedgerBusyError
from pipelines.fleet import Fleet
from pipelines.stages import diagnosing, loading, publishing
from pipelines.stages.outfolder import OutFolder


def _while_busy(_task: object, _run: object, state) -> bool:
    """Retry while another process writes to the ledger, or a file's share is away; nothing else gets better."""
    return isinstance(state.result(raise_on_failure=False), (LedgerBusyError, OSError))


_READS_AND_WRITES = {"cache_policy": NO_CACHE, "persist_result": False, "retries": 3, "retry_delay_seconds": 60,
                     "retry_condition_fn": _while_busy}


@task(name="read-new-files", **_READS_AND_WRITES)
def read_new_files(fleet: Fleet, out: OutFolder) -> None:
    """Bring every new logger file into the ledger."""
    with loading.open_ledger(out) as ledger:
        report = loading.ingest(fleet, ledger)
    get_run_logger().info("files read: %s", report)


@task(name="diagnose-chunk", **_READS_AND_WRITES)
def diagnose_chunk(fleet: Fleet, out: OutFolder, site_ids: list[str], as_of: datetime,
                   workers: int) -> list[diagnosing.SiteFailure]:
    """Work out one chunk of sites; a site that fails is recorded and returned, never raised."""
    with loading.open_ledger(out) as ledger:
        report = diagnosing.diagnose(fleet, ledger, site_ids=site_ids, as_of=as_of, workers=workers)
    for failure in report.failed:
        get_run_logger().error("%s could not be worked out: %s", failure.site_id, failure.says)
    return report.failed


@task(name="publish-pages", **_READS_AND_WRITES)
def publish_pages(fleet: Fleet, out: OutFolder, as_of: datetime) -> None:
    """Write the fleet page and the site pages."""
    with loading.open_ledger(out, read_only=True) as ledger:
        publishing.publish(fleet, ledger, out, as_of=as_of)


@task(name="list-alerts", **_READS_AND_WRITES)
def list_alerts(fleet: Fleet, out: OutFolder, as_of: datetime) -> int:
    """Write down what cannot wait for the next route."""
    with loading.open_ledger(out, read_only=True) as ledger:
        alerts = publishing.alerts(fleet, ledger, out, as_of=as_of)
    for alert in alerts:
        get_run_logger().warning("%s: %s, %s", alert.site_id, alert.cause, alert.urgency)
    return len(alerts)


@task(name="write-letters", **_READS_AND_WRITES)
def write_letters(fleet: Fleet, out: OutFolder, as_of: datetime, month: str | None) -> int:
    """Write the owners' letters of a month into the outbox and return how many there are."""
    with loading.open_ledger(out, read_only=True) as ledger:
        report = publishing.letters(fleet, ledger, out, as_of=as_of, month=month)
    for site_id, reason in report.skipped.items():
        get_run_logger().warning("no letter for %s: %s", site_id, reason)
    return len(report.written)


def chunks(site_ids: list[str], size: int) -> Iterator[list[str]]:
    """Cut the sites into chunks, so that a fleet of hundreds is some tens of tasks."""
    for start in range(0, len(site_ids), size):
        yield site_ids[start:start + size]
