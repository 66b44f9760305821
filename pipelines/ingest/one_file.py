"""One file by itself: cut into parts for the reader, or read whole without a ledger."""

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import duckdb
import pandas as pd

from diagnostics.quantities import CHANNELS
from pipelines.errors import HostileFileError
from pipelines.ingest.documents import DOCUMENT_FORMATS, document_parts
from pipelines.ingest.heads import Head, read_head
from pipelines.ingest.limits import IngestLimits
from pipelines.ingest.profile import LoggerProfile
from pipelines.ingest.reader import WAITING, BatchReader, Incoming, Target
from pipelines.ingest.text_parts import TextPart, text_parts

_HEAD_CHARS = 400_000               # enough for a long preamble and a day of minutes


@dataclass(frozen=True, slots=True)
class WaitingLine:
    """A last line that may be half written."""

    line: int
    text: str


@dataclass(frozen=True)
class LoggerFile:
    """
    What one file holds, as read by one profile.

    `rows` has the columns logger_id, interval_end_utc, interval_s, line, then channels and their masks (name +
    "__mask"); `quarantine` has member, line, column_name, value, rule. `unknown_columns` are in the file and not in
    the profile.
    """

    rows: pd.DataFrame
    quarantine: pd.DataFrame
    columns: tuple[str, ...]
    unknown_columns: tuple[str, ...]
    missing_columns: tuple[str, ...]

    @property
    def channels(self) -> list[str]:
        """Channels that were read."""
        return [column for column in self.rows.columns if column in CHANNELS]


def incoming_parts(path: Path, label: str, file_no: int, profile: LoggerProfile, limits: IngestLimits,
                   ) -> Iterator[tuple[LoggerProfile, Head, Incoming, WaitingLine | None]]:
    """Yield a file's parts for the reader, each with its head and with the last line if that has to wait."""
    if profile.format in DOCUMENT_FORMATS:
        parts, profile = document_parts(path, label, profile, limits)
    else:
        parts = text_parts(path, profile, limits if profile.lines_per_record == 1 else limits.model_copy(
            update={"part_chars": max(limits.part_chars, min(limits.max_document_bytes, 500_000_000))}))
    head: Head | None = None
    member, has_ended = None, False
    for part in parts:
        if head is None or part.member != member:
            head, member, has_ended = read_head(part.text, profile, limits, label), part.member, False
        elif profile.lines_per_record > 1 and part.text.strip() and not part.is_last and not has_ended:
            raise HostileFileError("is too long for records of several lines, which are held as a whole.", file=label,
                                   mend="Split it, or raise max_document_bytes under [thresholds] in fleet.toml.")
        if has_ended:
            continue
        has_ended = _ends_data(part, head, profile)
        kept, waiting = _without_unfinished_line(part, profile, limits)
        if kept or waiting:
            yield profile, head, Incoming(file_no, part.member, part.first_line, head.data_from, kept,
                                          head.lines), waiting


def _ends_data(part: TextPart, head: Head, profile: LoggerProfile) -> bool:
    """Tell whether the data end within a part, so that the parts after it hold something else."""
    enders = [re.escape(item) for item in (profile.trailer_starts_with, profile.section_ends_with) if item]
    if not enders:
        return False
    start = 0
    for _ in range(head.data_from - part.first_line):
        start = part.text.find("\n", start) + 1
        if not start:
            return False
    return re.compile(rf"^[ \t]*(?:{'|'.join(enders)})", re.MULTILINE).search(part.text, start) is not None


def _without_unfinished_line(part: TextPart, profile: LoggerProfile,
                             limits: IngestLimits) -> tuple[str, WaitingLine | None]:
    if not part.is_last or part.is_terminated or profile.unterminated_last_line == "take":
        return part.text, None
    is_trailer = bool(profile.trailer_starts_with) and part.text.lstrip().startswith(profile.trailer_starts_with)
    if part.text.strip() and not is_trailer:
        return "", WaitingLine(part.first_line, part.text[:limits.max_kept_chars])
    return "", None


def read_logger_head(path: Path, profile: LoggerProfile, rows: int, *, site_zone: str = "UTC",
                     limits: IngestLimits | None = None) -> LoggerFile:
    """Read about the first `rows` rows of a file; raises LoggerFileError where it cannot be read as a whole."""
    limits = limits or IngestLimits()
    few = limits.model_copy(update={"part_chars": min(limits.part_chars, _HEAD_CHARS)})
    return _read(path, _with_zone(profile, site_zone), few, rows)


def read_logger_file(path: Path, profile: LoggerProfile, *, site_zone: str = "UTC",
                     limits: IngestLimits | None = None) -> LoggerFile:
    """
    Read one file without a ledger; raises LoggerFileError where it cannot be read as a whole.

    `site_zone` stands in where the profile leaves the zone to the site.
    """
    return _read(path, _with_zone(profile, site_zone), limits or IngestLimits(), None)


def _with_zone(profile: LoggerProfile, site_zone: str) -> LoggerProfile:
    if profile.time.zone != "site":
        return profile
    return profile.model_copy(update={"time": profile.time.model_copy(update={"zone": site_zone})})


@lru_cache(maxsize=1)
def _engine(process: int) -> duckdb.DuckDBPyConnection:
    """Return an engine that this process keeps: starting one costs more than reading a small file."""
    return duckdb.connect(":memory:")


def _read(path: Path, profile: LoggerProfile, limits: IngestLimits, most_rows: int | None) -> LoggerFile:
    rows, bad = [], []
    head: Head | None = None
    with _engine(os.getpid()).cursor() as sql:
        sql.execute("SET TimeZone = 'UTC'")
        for used, head, part, waiting in incoming_parts(path, path.name, 1, profile, limits):
            if most_rows is not None:
                part = _first_rows(part, head, most_rows * profile.lines_per_record)
            if waiting is not None:
                bad.append(pd.DataFrame([{"member": part.member, "line": waiting.line, "column_name": None,
                                          "value": waiting.text, "rule": WAITING}]))
            if not part.text:
                continue
            reader = BatchReader(sql, used, head.layout, head.header_parts, limits)
            reader.read([part], [Target(1, "", "")])
            rows.append(sql.execute("SELECT * EXCLUDE (source_no, file_no) FROM fresh ORDER BY line").df())
            reader.collect_bad()
            bad.append(sql.execute("SELECT * EXCLUDE (file_no) FROM fresh_bad ORDER BY line, column_name").df())
            reader.finish()
            if most_rows is not None:
                break
    columns = head.layout.columns if head else ()
    return LoggerFile(pd.concat(rows, ignore_index=True) if rows else pd.DataFrame(),
                      pd.concat(bad, ignore_index=True) if bad else pd.DataFrame(
                          columns=["member", "line", "column_name", "value", "rule"]),
                      columns, head.unknown_columns if head else (), head.missing_columns if head else ())


def _first_rows(part: Incoming, head: Head, rows: int) -> Incoming:
    lines = part.text.split("\n", head.data_from + rows)
    return replace(part, text="\n".join(lines[:head.data_from - 1 + rows]) + "\n") if part.text else part
