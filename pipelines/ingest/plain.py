"""
Plain files, the many that hold nothing but sound rows, by the engine's own CSV reader straight from the archive.

A file is plain if every line from its first data line on is a row of the expected width with a readable stamp and
numbers or empty cells. That is not assumed but shown: the engine drops what does not fit, so a file whose rows are
fewer than its lines, or which holds anything the line reader would look at twice, is left to the line reader
(`reader.BatchReader`), which says of every cell what is wrong with it. Both give the same readings for a plain file.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from diagnostics.readings import Mask
from pipelines.errors import LoggerFileError
from pipelines.ingest.cell_sql import fixed_offset_s, in_si, name, number, sentinel_numbers, stamp_sql, text
from pipelines.ingest.heads import Head, read_head
from pipelines.ingest.limits import IngestLimits
from pipelines.ingest.profile import LoggerProfile
from pipelines.ingest.reader import BatchReader, Target
from pipelines.ingest.text_parts import PACKED_MAGICS

_BLOCK = 1 << 20
_HEAD_BYTES = 1 << 16
_BOMS = (b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")


@dataclass(frozen=True, slots=True)
class PlainFile:
    """A file that may be plain, with the number of rows it holds if it is."""

    path: Path
    file_no: int
    data_from: int
    rows: int
    line_end: str


def may_be_plain(profile: LoggerProfile) -> bool:
    """Tell whether files of a profile can be plain at all: one value a cell, one row a line, no words among them."""
    return (profile.format == "delimited" and profile.layout == "wide" and profile.encoding == "utf-8"
            and fixed_offset_s(profile.time.zone, profile.time.earliest_year) is not None
            and profile.lines_per_record == 1 and not profile.thousands and not profile.site.column
            and not (profile.comment or profile.trailer_starts_with or profile.section_ends_with)
            and not any(rule.code_column for rule in profile.channels.values())
            and not {*profile.time.columns, *profile.time.parts.values()} & set(profile.channels)
            and profile.delimiter not in "\r\n" and (profile.decimal == "." or profile.delimiter != ","))


def plain_file(path: Path, label: str, file_no: int, profile: LoggerProfile,
               limits: IngestLimits) -> tuple[PlainFile, Head] | None:
    """Look at a file's bytes once and return it with its head, or None where the line reader has to read it."""
    if not may_be_plain(profile) or not (
            max(limits.least_plain_bytes, 1) <= path.stat().st_size <= limits.max_plain_bytes):
        return None
    with path.open("rb") as stream:
        top = stream.read(_HEAD_BYTES)
        if top.startswith((*PACKED_MAGICS, *_BOMS)):
            return None
        try:
            shown = top[:top.rfind(b"\n") + 1].decode("utf-8").replace("\r\n", "\n")
            head = read_head(shown, profile, limits, label)
        except (LoggerFileError, UnicodeDecodeError):
            return None     # whatever it is, the line reader says it
        lines_shown = shown.count("\n")
        if not head.data_from <= lines_shown:
            return None
        header = sum(len(line) + 1 for line in top.split(b"\n", head.data_from - 1)[:head.data_from - 1])
        stream.seek(0)
        counted = _lines_of(stream, header, profile)
    if counted is None:
        return None
    lines, line_end = counted
    return PlainFile(path, file_no, head.data_from, lines - (head.data_from - 1), line_end), head


def _lines_of(stream: IO[bytes], header: int, profile: LoggerProfile) -> tuple[int, str] | None:
    """Count lines; None where a byte occurs after the header that the line reader treats in a way of its own."""
    lines = returns = pairs = 0
    last, at = b"", 0
    refused = [b"\x00", *([] if profile.delimiter == "_" else [b"_"])]
    while block := stream.read(_BLOCK):
        lines += block.count(b"\n")
        if b"\r" in block or last == b"\r":
            returns += block.count(b"\r")
            pairs += block.count(b"\r\n") + (last == b"\r" and block.startswith(b"\n"))
        body = block[max(0, header - at):] if at < header else block
        if any(letter in body for letter in refused):
            return None
        last, at = block[-1:], at + len(block)
    if last != b"\n" or (returns and not returns == pairs == lines):
        return None
    return lines, "\\r\\n" if returns else "\\n"


class PlainReader(BatchReader):
    """Reads plain files of one profile, layout, header date, first data line and line end."""

    def read_files(self, files: Sequence[PlainFile], targets: Sequence[Target]) -> list[int]:
        """Make `fresh` from the files that are plain; return the numbers of those that are not."""
        self._in_one_pass = True
        self._take_targets(targets)
        self._stage(files)
        left = self._not_plain(files)
        if len(left) == len(files):
            return left
        self._make_plain_typed(files, left)
        self._make_stamps()
        self._make_fresh()
        return left

    def _stage(self, files: Sequence[PlainFile]) -> None:
        """Take the rows into a table of their own, in the order of the files and of their lines."""
        profile = self._profile
        stamps = {*profile.time.columns, *profile.time.parts.values()}
        columns = {f"c{place}": "DOUBLE" if column in self._rules and column not in stamps else "VARCHAR"
                   for place, column in enumerate(self._layout.columns)}
        cell_of = {column: f"c{place}" for place, column in enumerate(self._layout.columns)}
        stamp = stamp_sql(profile.time, cell_of, self._header_parts)
        if profile.time.format == "iso" and profile.time.zone != "in_stamp" and len(profile.time.columns) == 1:
            cell = cell_of[profile.time.columns[0]]     # too short to end in an offset, which saves looking for one
            stamp = f"coalesce(CASE WHEN length({cell}) <= 19 THEN try_cast({cell} AS TIMESTAMP) END, {stamp})"
        numbers = "".join(f", {cell_of[column]} d{place}" for place, column in enumerate(self._rules))
        spelled = ", ".join(f"{name(column)}: {text(kind)}" for column, kind in columns.items())
        quote = profile.quote if profile.quote != profile.delimiter else ""
        self._sql.execute(
            f"CREATE OR REPLACE TEMP TABLE plain AS SELECT file_index::INT place, {stamp} stamp{numbers} FROM read_csv("
            f"?, columns={{{spelled}}}, header=false, auto_detect=false, skip={files[0].data_from - 1}, "
            f"delim={text(profile.delimiter)}, quote={text(quote)}, escape={text(quote)}, decimal_separator="
            f"{text(profile.decimal)}, new_line={text(files[0].line_end)}, ignore_errors=true, null_padding=false, "
            f"max_line_size={self._limits.max_line_chars})", [[str(item.path) for item in files]])

    def _not_plain(self, files: Sequence[PlainFile]) -> list[int]:
        """Return the files whose lines did not all become rows of readable stamps and finite numbers."""
        self._steps_known = self._profile.time.interval_s is None and self._rises()
        earliest = f"TIMESTAMP '{self._profile.time.earliest_year}-01-01'"
        finite = " AND ".join(f"coalesce(isfinite(d{place}), TRUE)" for place in range(len(self._rules)))
        found = self._sql.execute(
            f"SELECT place, count(*), bool_and(coalesce(stamp >= {earliest}, FALSE) AND {finite}), min(rowid), "
            "max(rowid) FROM plain GROUP BY place").fetchall()
        self._first_row = {place: first for place, _, _, first, _ in found}
        sound = {place for place, rows, is_sound, first, last in found
                 if is_sound and rows == files[place].rows == last - first + 1}
        return [item.file_no for place, item in enumerate(files) if place not in sound]

    def _rises(self) -> bool:
        """Tell whether in every file each stamp is later than the one before, as the rows stand."""
        found = self._sql.execute(
            "SELECT bool_and(stamp > before) FROM (SELECT stamp, place, lag(stamp) OVER () before, lag(place) OVER () "
            "place_before FROM plain) WHERE place = place_before").fetchone()
        return bool(found and found[0])

    def _make_plain_typed(self, files: Sequence[PlainFile], left: Sequence[int]) -> None:
        """Give the rows their file and line, their values in SI and their file-level masks."""
        profile = self._profile
        taken = [(place, item) for place, item in enumerate(files) if item.file_no not in set(left)]
        self._sql.execute("CREATE OR REPLACE TEMP TABLE plain_files AS SELECT unnest(?::INT[]) place, "
                          "unnest(?::INT[]) file_no, unnest(?::BIGINT[]) before",
                          [[place for place, _ in taken], [item.file_no for _, item in taken],
                           [self._first_row[place] - item.data_from for place, item in taken]])
        bounds = self._sql.execute("SELECT " + ", ".join(f"min(d{place}), max(d{place})" for place in range(
            len(self._rules))) + " FROM plain").fetchone() or ()
        codes = sentinel_numbers(profile)
        pieces = ""
        for place, rule in enumerate(self._rules.values()):
            value, low, high = in_si(rule, f"d{place}")
            least, most = bounds[2 * place], bounds[2 * place + 1]
            listed = ", ".join(number(code) for code in codes if least is not None and least <= code <= most)
            ends = [] if least is None else [float(item) for item in self._sql.execute(
                f"SELECT {in_si(rule, number(least))[0]}, {in_si(rule, number(most))[0]}").fetchone() or ()]
            mask = f"CASE WHEN d{place} IN ({listed}) THEN {int(Mask.SENTINEL)} " if listed else "CASE "
            if all(low <= end <= high for end in ends) and not listed:
                mask = "0"
            else:
                mask += (f"WHEN {value} NOT BETWEEN {number(low)} AND {number(high)} THEN {int(Mask.OUT_OF_RANGE)} "
                         "ELSE 0 END")
            pieces += f", {value} v{place}, ({mask})::USMALLINT m{place}"
        step, rows = "", "plain"
        if self._steps_known:       # rows rise, so their neighbours in time are their neighbours in the file
            step = ", step_s"
            rows = ("(SELECT *, rowid, least(CASE WHEN lead(place) OVER () = place THEN epoch(lead(stamp) OVER () - "
                    "stamp) END, CASE WHEN lag(place) OVER () = place THEN epoch(stamp - lag(stamp) OVER ()) END) "
                    "step_s FROM plain)")
        self._sql.execute("CREATE OR REPLACE TEMP VIEW typed AS SELECT f.file_no, '' member, (p.rowid - f.before) n, "
                          f"0::TINYINT shape, stamp, NULL::VARCHAR logger_id{step}{pieces} FROM {rows} p "
                          "JOIN plain_files f USING (place)")

    def _make_stamps(self) -> None:
        """Bring stamps to UTC; all of them are known to be sound, which spares the engine every question about them."""
        offset = fixed_offset_s(self._profile.time.zone, self._profile.time.earliest_year)
        utc = f"stamp - to_seconds({offset})" if offset else "stamp"
        self._sql.execute(f"CREATE OR REPLACE TEMP VIEW stamped AS SELECT *, {utc} utc, 0::TINYINT stamp_rule "
                          "FROM typed")

    def finish(self) -> None:
        """Clear the temporary tables away."""
        super().finish()
        for table in ("plain", "plain_files"):
            self._sql.execute(f"DROP TABLE IF EXISTS temp.{table}")

