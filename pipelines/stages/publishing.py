"""Results out: pages, letters, alerts. The words and figures are made in `dashboards`."""

import json
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from pipelines.errors import MomentError, ProjectError, RequestError, plainly
from pipelines.stages.beside import sizes_of
from pipelines.stages.moments import last_full_month, parse_month, zone_of
from pipelines.stages.outfolder import OutFolder, write_bytes, write_text
from pipelines.stages.viewing import failed_view_of, fleet_view_of, site_view_of

if TYPE_CHECKING:
    from datetime import date

    from diagnostics.results import Finding
    from pipelines.fleet import Fleet
    from pipelines.ledger import Ledger

_PAGE_FOLDERS = ("sites", "visits")
_ALERT_URGENCIES = ("now", "two_days")
_ALERT_STATUSES = ("new", "growing", "relapsed")


@dataclass(slots=True)
class LettersReport:
    """Letters written, and the sites whose owner gets none, with the reason."""

    month: str
    written: list[Path] = field(default_factory=list)
    skipped: dict[str, str] = field(default_factory=dict)
    failed: list[str] = field(default_factory=list)


def publish(fleet: "Fleet", ledger: "Ledger", out: OutFolder, *, as_of: datetime,
            progress: Callable[[str], None] | None = None) -> list[Path]:
    """
    Write the fleet page, and a page and a visit sheet a site; return their paths.

    Pages that have not changed are left alone; pages of sites that are no longer in the fleet are taken away.
    """
    from dashboards.pages import published

    files = ledger.files()
    views = []
    for site_id in fleet.sites:
        try:
            views.append(site_view_of(fleet, ledger, site_id, as_of, files, out))
        except Exception as error:                              # a page that says so instead; the others go on
            views.append(failed_view_of(fleet, site_id, as_of, error))
        if progress is not None:
            progress(site_id)
    written = []
    pages = published(fleet_view_of(fleet, views, as_of, files, sizes_of(fleet, ledger, as_of)),
                      failed=lambda view, error: failed_view_of(fleet, view.site.id, as_of, error))
    for name, content in pages:
        write_bytes(out.pages_folder / name, content)
        written.append(out.pages_folder / name)
    kept = set(written)
    for folder in _PAGE_FOLDERS:
        for page in (out.pages_folder / folder).glob("*.html"):
            if page not in kept:
                page.unlink()
    return written


def letters(fleet: "Fleet", ledger: "Ledger", out: OutFolder, *, as_of: datetime, month: str | None = None,
            progress: Callable[[str], None] | None = None) -> LettersReport:
    """
    Write the owners' letters of a month into the outbox; the last month that was over if none is named.

    A site without an owner's address gets none, and the report says so. A month asked for in which no site has a
    reading is refused.
    """
    if month is not None:
        _refuse_month_without_readings(fleet, ledger, month)
    month = month or last_full_month(as_of, zone_of(fleet))
    first, _ = parse_month(month)
    report = LettersReport(month)
    for site_id in fleet.sites:
        try:
            reason = _letter(fleet, ledger, out, site_id, first, as_of, report)
        except ProjectError:
            raise
        except Exception as error:                              # one letter that fails does not hold up the others
            reason = f"it could not be written: {plainly(error)}"
            report.failed.append(site_id)
        if reason:
            report.skipped[site_id] = reason
        if progress is not None:
            progress(site_id)
    return report


def _refuse_month_without_readings(fleet: "Fleet", ledger: "Ledger", month: str) -> None:
    first, last = parse_month(month)
    zone = ZoneInfo(zone_of(fleet))
    start, end = (datetime(day.year, day.month, day.day, tzinfo=zone).astimezone(UTC).replace(tzinfo=None)
                  for day in (first, last + timedelta(days=1)))
    counted = ledger.sql.execute(
        "SELECT count(*) FILTER (interval_end_utc > ? AND interval_end_utc <= ?), min(interval_end_utc), "
        "max(interval_end_utc) FROM core_readings WHERE site_id IN (SELECT unnest(?::VARCHAR[]))",
        [start, end, list(fleet.sites)]).fetchone() or (0, None, None)
    if counted[0]:
        return
    there = (f"The readings in the ledger are from {counted[1]:%Y-%m} to {counted[2]:%Y-%m}: ask for one of these, or "
             "put the logger files of that month into logs/ and run `liftledger run`." if counted[1] is not None else
             "The ledger holds no readings at all: put logger files into logs/ and run `liftledger run`.")
    raise MomentError(f"No letter can be written for {month}: no site of {fleet.folder} has a reading in it. {there}")


def publish_and_write_letters(fleet: "Fleet", out: OutFolder, *, as_of: datetime, month: str | None, workers: int,
                              on_page: Callable[[str], None] | None = None,
                              on_letter: Callable[[str], None] | None = None) -> LettersReport:
    """Write pages and letters, at the same time where two processes may work: readers of a ledger do not wait."""
    from pipelines.stages.loading import open_ledger

    if workers < 2:
        with open_ledger(out, read_only=True) as ledger:
            publish(fleet, ledger, out, as_of=as_of, progress=on_page)
            return letters(fleet, ledger, out, as_of=as_of, month=month, progress=on_letter)
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as beside:
        written = beside.submit(_letters_apart, fleet, out, as_of, month)
        with open_ledger(out, read_only=True) as ledger:
            publish(fleet, ledger, out, as_of=as_of, progress=on_page)
        report = written.result()
    for site_id in fleet.sites if on_letter is not None else ():
        on_letter(site_id)
    return report


def _letters_apart(fleet: "Fleet", out: OutFolder, as_of: datetime, month: str | None) -> LettersReport:
    from pipelines.stages.loading import open_ledger

    with open_ledger(out, read_only=True) as ledger:
        return letters(fleet, ledger, out, as_of=as_of, month=month)


def _letter(fleet: "Fleet", ledger: "Ledger", out: OutFolder, site_id: str, first: "date", as_of: datetime,
            report: LettersReport) -> str:
    from dashboards.letter import LetterError, MonthKnown, Sender, monthly_letter
    from diagnostics.stored_water import stored_water
    from pipelines.stages.viewing import TANK_MEMORY

    site = fleet.sites[site_id]
    if not site.owner.email:
        return "the site sheet has no owner.email"
    if not fleet.company.letters.sender:
        raise RequestError("no letter can be sent: fleet.toml has no sender. Write [letters] with sender = "
                         "\"water@example.org\".")
    diagnosis = ledger.read_diagnosis(site_id)
    if diagnosis is None:
        return "nothing was worked out yet; run `liftledger diagnose`"
    readings = ledger.read_site(site_id, start=as_of - TANK_MEMORY, end=as_of)
    sender = Sender(name=fleet.company.letters.sender_name or fleet.company.name,
                    address=fleet.company.letters.sender, contact=fleet.company.letters.phone,
                    reply_to=fleet.company.letters.reply_to)
    try:
        mail = monthly_letter(site, diagnosis, month=first, sender=sender, sent_at=as_of,
                              known=MonthKnown(storage=stored_water(site, readings, as_of)))
    except LetterError as error:
        return str(error)
    path = out.outbox / f"{first:%Y-%m}_{site_id}.eml"
    write_bytes(path, mail.as_bytes())
    report.written.append(path)
    return ""


def alerts(fleet: "Fleet", ledger: "Ledger", out: OutFolder, *, as_of: datetime) -> "list[Finding]":
    """Write down and return the findings that cannot wait for the next route, with the addresses to tell."""
    from pipelines.stages.asking import by_urgency, to_json

    pressing = sorted((finding for finding in ledger.findings() if finding.site_id in fleet.sites
                       and finding.urgency in _ALERT_URGENCIES and finding.status in _ALERT_STATUSES), key=by_urgency)
    record = {"as_of": as_of.isoformat(), "tell": fleet.company.alerts, "findings": json.loads(to_json(pressing))}
    write_text(out.root / "alerts.json", json.dumps(record, indent=2, ensure_ascii=False) + "\n")
    return pressing
