"""The service log: who did what, when. Times are local to the site on paper and UTC inside."""

import csv
import io
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from diagnostics.results import ServiceEvent
from diagnostics.service_actions import SERVICE_ACTIONS
from pipelines.fleet.problems import Problem, nearest

COLUMNS = ("site_id", "when", "by", "action", "meant_for", "says")
REQUIRED = ("site_id", "when", "action")
NAME = "service-log.csv"


def read_service_log(path: Path, timezones: Mapping[str, str]) -> tuple[list[ServiceEvent], list[Problem]]:
    """
    Read the log. `timezones` gives the zone of every site the folder describes.

    A row that cannot be understood becomes a problem with its line; the other rows are kept. An unknown action is
    kept as 'other', a row of an unknown site is not.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object[:error.start].count(b"\n") + 1
        return [], [Problem(NAME, f"line {line}", "the file is not written in UTF-8.", "Save it again as UTF-8.")]
    except OSError as error:
        return [], [Problem(NAME, "", f"the file cannot be read ({error.strerror}).", "Check its permissions.")]
    reader = csv.reader(io.StringIO(text, newline=""))
    events: list[ServiceEvent] = []
    problems: list[Problem] = []
    header: list[str] | None = None
    try:
        for cells in reader:
            if not any(cell.strip() for cell in cells) or cells[0].lstrip().startswith("#"):
                continue
            if header is None:
                header, wrong = _read_header(cells, reader.line_num)
                problems += wrong
                if any(problem.severity == "error" for problem in wrong):
                    return [], problems
                continue
            event, wrong = _read_row(header, cells, reader.line_num, timezones)
            problems += wrong
            if event is not None:
                events.append(event)
    except csv.Error as error:
        problems.append(Problem(NAME, f"line {reader.line_num}", f"the row cannot be read: {error}.",
                                "Check the quotation marks around texts with commas."))
    return sorted(events, key=lambda event: (event.when_utc, event.site_id)), problems


def _read_header(cells: list[str], line: int) -> tuple[list[str], list[Problem]]:
    header = [cell.strip().lower() for cell in cells]
    problems = []
    if len(header) == 1 and ";" in header[0]:
        return header, [Problem(NAME, f"line {line}", "the columns are separated by semicolons.",
                                "Save the file with commas between the columns.")]
    for name in header:
        if name and name not in COLUMNS:
            close = nearest(name, COLUMNS)
            mend = f"Did you mean '{close}'?" if close else f"Known: {', '.join(COLUMNS)}."
            problems.append(Problem(NAME, f"line {line}", f"column '{name}' is not known and is not read.", mend,
                                    "warning"))
    for name in REQUIRED:
        if name not in header:
            problems.append(Problem(NAME, f"line {line}", f"the column '{name}' is missing.",
                                    f"The first line reads {','.join(COLUMNS)}."))
    return header, problems


def _read_row(header: list[str], cells: list[str], line: int,
              timezones: Mapping[str, str]) -> tuple[ServiceEvent | None, list[Problem]]:
    where = f"line {line}"
    if len(cells) > len(header) and any(cell.strip() for cell in cells[len(header):]):
        return None, [Problem(NAME, where, f"the row has {len(cells)} cells but the header names {len(header)}.",
                              "Put a remark with commas in double quotes.")]
    row = {name: cell.strip() for name, cell in zip(header, cells, strict=False)}
    problems: list[Problem] = []
    site_id = row.get("site_id", "")
    if site_id not in timezones:
        close = nearest(site_id, timezones)
        mend = f"Did you mean '{close}'?" if close else "Write the id of a site file."
        problems.append(Problem(NAME, where, f"site '{site_id}' is not described in sites/.", mend))
    when, wrong = _read_when(row.get("when", ""), timezones.get(site_id, "UTC"), where)
    problems += wrong
    action, wrong = _read_action(row.get("action", ""), where)
    problems += wrong
    cause, wrong = _read_cause(row.get("meant_for", ""), where)
    problems += wrong
    if any(problem.severity == "error" for problem in problems) or when is None:
        return None, problems
    return ServiceEvent(site_id=site_id, when_utc=when, by=row.get("by", ""), action=action,
                        says=row.get("says", ""), meant_for=cause), problems


def _read_action(action: str, where: str) -> tuple[str, list[Problem]]:
    if action in SERVICE_ACTIONS:
        return action, []
    if not action:
        return "", [Problem(NAME, where, "the action is empty.", "Write 'other' where no known action fits.")]
    close = nearest(action, SERVICE_ACTIONS)
    mend = f"Did you mean '{close}'?" if close else f"Known: {', '.join(SERVICE_ACTIONS)}."
    return "other", [Problem(NAME, where, f"action '{action}' is not known and is kept as 'other'.", mend, "warning")]


def _read_cause(cause: str, where: str) -> tuple[str, list[Problem]]:
    known = _known_causes()
    if not cause or cause in known:
        return cause, []
    close = nearest(cause, known)
    mend = f"Did you mean '{close}'?" if close else f"Known: {', '.join(sorted(known))}."
    return "", [Problem(NAME, where, f"meant_for '{cause}' is not a known cause and is not used.", mend, "warning")]


def _known_causes() -> set[str]:
    from diagnostics.causes import CAUSES

    return set(CAUSES)


def _read_when(text: str, timezone: str, where: str) -> tuple[datetime | None, list[Problem]]:
    try:
        written = datetime.fromisoformat(text)
    except ValueError:
        return None, [Problem(NAME, where, f"'{text}' is not a time.", "Write it as 2026-03-31 14:30, local time.")]
    if not 1970 <= written.year <= 2200:
        return None, [Problem(NAME, where, f"the year of '{text}' cannot be right.", "Write it as 2026-03-31 14:30.")]
    if written.tzinfo is not None:
        return written.astimezone(UTC), []
    if len(text) <= 10:
        written = written.replace(hour=12)
        return _to_utc(written, timezone), [Problem(
            NAME, where, f"'{text}' has no time of day; noon is taken.", "Add the hour of the work.", "warning")]
    first, second = _to_utc(written, timezone), _to_utc(written.replace(fold=1), timezone)
    problems = []
    if first > second:
        problems.append(Problem(NAME, where, f"'{text}' does not exist in {timezone}: clocks went forward.",
                                "Check the hour.", "warning"))
    elif second > first:
        problems.append(Problem(NAME, where, f"'{text}' happened twice in {timezone}; the first is taken.",
                                "Add the offset, for instance +02:00.", "warning"))
    return first, problems


def _to_utc(local: datetime, timezone: str) -> datetime:
    return local.replace(tzinfo=ZoneInfo(timezone)).astimezone(UTC)
