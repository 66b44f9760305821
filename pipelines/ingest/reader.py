"""
From text parts to readings: one pass in the database engine for a batch of files of one layout.

`BatchReader.read` leaves two temporary tables on its connection: `fresh` (one row a site, logger and interval, one
column a channel and one a mask) and `fresh_bad` (what could not be taken, with file, line, column, value and rule).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import duckdb
import pandas as pd

from diagnostics.quantities import CHANNELS
from diagnostics.readings import Mask
from pipelines.ingest.cell_sql import (
    Layout,
    cleaned_sql,
    fixed_offset_s,
    name,
    number,
    split_sql,
    stamp_sql,
    text,
    value_sql,
)
from pipelines.ingest.limits import IngestLimits
from pipelines.ingest.profile import ColumnRule, LoggerProfile
from pipelines.ingest.quoted_cells import on_one_line
from pipelines.ingest.stamps import STAMP_SAYS, StampRule, to_utc

SHORT_ROW = "row has fewer cells than the header"
LONG_ROW = "row has more cells than the header"
LONG_LINE = "line is longer than the limit"
WAITING = "last line has no line end and may be half written; it waits for its remainder"
NOT_A_NUMBER = "not a number"
NO_SITE = "no site sheet claims this logger"
NO_CHANNEL = "no channel for this name in the profile"


@dataclass(frozen=True, slots=True)
class Incoming:
    """A run of lines of one file."""

    file_no: int
    member: str
    first_line: int
    data_from: int
    text: str
    head_lines: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Target:
    """Where the rows of a file go: a site and one of its loggers; `logger_id` picks rows by the site column."""

    file_no: int
    site_id: str
    logger: str
    logger_id: str | None = None
    source_no: int = 0


class BatchReader:
    """Reads parts of files that share profile, layout and header dates."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, profile: LoggerProfile, layout: Layout,
                 header_parts: tuple[tuple[str, int], ...], limits: IngestLimits) -> None:
        self._sql, self._profile, self._layout, self._limits = connection, profile, layout, limits
        self._header_parts = dict(header_parts)
        if profile.long is None:
            self._rules = {column: rule for column, rule in profile.channels.items() if column in layout.columns}
        else:
            self._rules = dict(profile.channels)
        self._steps_known = False       # whether the rows bring the time to their neighbours with them, as step_s
        # Without long rows, doubled hours or a site column nothing has to be looked at twice, unless it is bad.
        self._in_one_pass = (profile.long is None and not profile.site.column
                             and fixed_offset_s(profile.time.zone, profile.time.earliest_year) is not None)

    @property
    def channels(self) -> list[str]:
        """Channels that `fresh` has columns for, in the order of the dictionary of channels."""
        present = {rule.channel for rule in self._rules.values()}
        return [channel for channel in CHANNELS if channel in present]

    def read(self, parts: Sequence[Incoming], targets: Sequence[Target]) -> None:
        """Make `fresh` from some parts; call `collect_bad` after it was used, and `finish` at the end."""
        self._has_quotes = bool(self._profile.quote) and any(self._profile.quote in part.text for part in parts)
        if self._has_quotes and self._profile.format == "delimited":
            parts = [replace(part, text=on_one_line(part.text, self._profile.delimiter, self._profile.quote,
                                                    len(self._layout.columns))) for part in parts]
        self._has_underscores = any(part.text.find("_", _data_start(part)) >= 0 for part in parts)
        self._take_in(parts, targets)
        self._make_lines()
        self._make_typed()
        self._make_stamps()
        self._make_fresh()

    def finish(self) -> None:
        """Clear the temporary tables away."""
        for view in ("fresh", "stamped", *(["typed"] if self._in_one_pass else [])):
            self._sql.execute(f"DROP VIEW IF EXISTS temp.{view}")
        for table in ("incoming", "lines", "stamps", "target", "fresh_bad", "typed_bad",
                      *([] if self._in_one_pass else ["typed"])):
            self._sql.execute(f"DROP TABLE IF EXISTS temp.{table}")

    def _take_in(self, parts: Sequence[Incoming], targets: Sequence[Target]) -> None:
        self._sql.execute("CREATE OR REPLACE TEMP TABLE incoming AS SELECT unnest(?::INT[]) file_no, "
                          "unnest(?::VARCHAR[]) member, unnest(?::BIGINT[]) first_line, unnest(?::BIGINT[]) data_from, "
                          "unnest(?::VARCHAR[]) content",
                          [[part.file_no for part in parts], [part.member for part in parts],
                           [part.first_line for part in parts], [part.data_from for part in parts],
                           [part.text for part in parts]])
        self._take_targets(targets)
        self._repeated_heads = sorted({line for part in parts for line in part.head_lines
                                       if part.text.count(line) > (part.first_line < part.data_from)})

    def _take_targets(self, targets: Sequence[Target]) -> None:
        self._sql.execute("CREATE OR REPLACE TEMP TABLE target AS SELECT unnest(?::INT[]) file_no, "
                          "unnest(?::VARCHAR[]) site_id, unnest(?::VARCHAR[]) logger, unnest(?::VARCHAR[]) logger_id, "
                          "unnest(?::INT[]) source_no",
                          [[item.file_no for item in targets], [item.site_id for item in targets],
                           [item.logger for item in targets], [item.logger_id for item in targets],
                           [item.source_no for item in targets]])

    def _make_lines(self) -> None:
        profile = self._profile
        blanks = " \t\r" + (profile.delimiter + profile.quote if profile.format == "delimited" else "")
        # a line that starts with a digit is not blank, which saves trimming nearly all of them
        kept = ["n >= data_from", f"((ln >= '0' AND ln < ':') OR length(trim(ln, {text(blanks)})) > 0)"]
        if profile.comment:
            kept.append(f"NOT starts_with(ltrim(ln), {text(profile.comment)})")
        if self._repeated_heads:
            kept.append(f"ln NOT IN ({', '.join(text(line) for line in self._repeated_heads)})")
        self._sql.execute(
            "CREATE OR REPLACE TEMP TABLE lines AS SELECT file_no, member, n, ln FROM ("
            "SELECT file_no, member, data_from, first_line + unnest(generate_series(0, len(parts) - 1)) n, "
            "unnest(parts) ln FROM (SELECT *, string_split(content, chr(10)) parts FROM incoming)) "
            f"WHERE {' AND '.join(kept)}")
        enders = [item for item in (profile.trailer_starts_with, profile.section_ends_with) if item]
        if enders:
            ends = " OR ".join(f"starts_with(ltrim(ln), {text(item)})" for item in enders)
            self._sql.execute("DELETE FROM lines USING (SELECT file_no, member, min(n) n FROM lines "
                              f"WHERE {ends} GROUP BY ALL) e WHERE lines.file_no = e.file_no "
                              "AND lines.member = e.member AND lines.n >= e.n")
        if profile.lines_per_record > 1:
            self._sql.execute(
                "CREATE OR REPLACE TEMP TABLE lines AS SELECT file_no, member, min(n) n, string_agg(ln, ' ' ORDER BY n)"
                " ln FROM (SELECT *, (row_number() OVER (PARTITION BY file_no, member ORDER BY n) - 1) // "
                f"{profile.lines_per_record} record FROM lines) GROUP BY file_no, member, record")

    # -- cells and numbers

    def _cell(self, column: str) -> str:
        return f"p[{self._layout.position(column)}]"

    def _split_cells(self) -> tuple[str, dict[str, str]]:
        """Return the select of all wanted cells from lines, and column -> cell name."""
        wanted = [column for column in self._layout.columns if column in self._profile.wanted_columns]
        cell_of = {column: f"c{place}" for place, column in enumerate(wanted)}
        count = len(self._layout.columns)
        cells = "".join(f", {self._cell(column)} {cell_of[column]}" for column in wanted)
        surplus = f"len(p) > {count} AND len(trim(array_to_string(p[{count + 1}:], ''), ' \t\"')) > 0"
        limit = self._limits.max_line_chars
        split = (f"SELECT file_no, member, n, CASE WHEN length(ln) > {limit} THEN 3 WHEN len(p) < {count} THEN 1 "
                 f"WHEN {surplus} THEN 2 ELSE 0 END::TINYINT shape{cells} FROM (SELECT file_no, member, n, ln, "
                 f"{split_sql(self._profile, self._has_quotes)} p FROM lines)")
        return split, cell_of

    def _make_typed(self) -> None:
        split, cell_of = self._split_cells()
        profile = self._profile
        stamp = stamp_sql(profile.time, cell_of, self._header_parts)
        site = f"trim({cell_of[profile.site.column]})" if profile.site.column else "NULL::VARCHAR"
        if profile.long is not None:
            self._make_typed_long(split, cell_of, stamp, site)
            return
        numbers = "".join(f", {cleaned_sql(cell_of[column], profile, self._has_underscores)} d{place}"
                          for place, column in enumerate(self._rules))
        pieces = ""
        for place, (column, rule) in enumerate(self._rules.items()):
            code = cell_of.get(rule.code_column) if rule.code_column else None
            made = value_sql(rule, cell_of[column], f"d{place}", profile, code)
            pieces += f", {made.value} v{place}, ({made.mask})::USMALLINT m{place}"
        kind = "VIEW" if self._in_one_pass else "TABLE"
        self._sql.execute(f"CREATE OR REPLACE TEMP {kind} typed AS SELECT file_no, member, n, shape, {stamp} stamp, "
                          f"{site} logger_id{pieces} FROM (SELECT *{numbers} FROM ({split}))")

    def _make_typed_long(self, split: str, cell_of: dict[str, str], stamp: str, site: str) -> None:
        profile, long = self._profile, self._profile.long
        assert long is not None  # noqa: S101 - said by the profile's own check
        value_cell = cell_of[long.value_column]
        called = text(next(iter(self._rules))) if long.name_column is None else f"trim({cell_of[long.name_column]})"
        values, masks = [], []
        for column, rule in self._rules.items():
            code = cell_of.get(rule.code_column) if rule.code_column else None
            made = value_sql(rule, value_cell, "d", profile, code)
            values.append(f"WHEN {text(column)} THEN {made.value}")
            masks.append(f"WHEN {text(column)} THEN {made.mask}")
        self._sql.execute(
            f"CREATE OR REPLACE TEMP TABLE typed AS SELECT file_no, member, n, shape, {stamp} stamp, {site} logger_id, "
            f"{called} called, (CASE {called} {' '.join(values)} END) v, (CASE {called} {' '.join(masks)} END)"
            f"::USMALLINT m FROM (SELECT *, {cleaned_sql(value_cell, profile, self._has_underscores)} d "
            f"FROM ({split}))")

    # -- time

    def _make_stamps(self) -> None:
        """Add the end of interval's UTC base to `typed` as table `stamps` (file_no, member, n, utc, rule)."""
        rule = self._profile.time
        earliest = f"TIMESTAMP '{rule.earliest_year}-01-01'"
        offset = fixed_offset_s(rule.zone, rule.earliest_year)
        if offset is not None:
            utc = "stamp" if offset == 0 else f"stamp - to_seconds({offset})"
            self._sql.execute("CREATE OR REPLACE TEMP VIEW stamped AS SELECT *, "
                              f"{utc} utc, (CASE WHEN stamp IS NULL THEN {int(StampRule.UNREADABLE)} WHEN stamp < "
                              f"{earliest} THEN {int(StampRule.TOO_EARLY)} ELSE 0 END)::TINYINT stamp_rule FROM typed")
            return
        local = self._sql.execute("SELECT row_number() OVER (ORDER BY file_no, member, n) r, stamp, "
                                  "dense_rank() OVER (ORDER BY file_no, member, logger_id) g, file_no, member, n "
                                  "FROM typed WHERE stamp IS NOT NULL ORDER BY file_no, member, n").df()
        utc_stamps, rules = to_utc(pd.DatetimeIndex(local["stamp"]), local["g"].to_numpy(dtype="int64"), rule.zone)
        brought = pd.DataFrame({"file_no": local["file_no"], "member": local["member"], "n": local["n"],
                                "utc": utc_stamps.tz_localize(None), "stamp_rule": rules})
        self._sql.register("brought", brought)
        self._sql.execute("CREATE OR REPLACE TEMP TABLE stamps AS SELECT * FROM brought")
        self._sql.unregister("brought")
        self._sql.execute("CREATE OR REPLACE TEMP VIEW stamped AS SELECT typed.*, utc, (CASE WHEN stamp IS NULL THEN "
                          f"{int(StampRule.UNREADABLE)} WHEN stamp < {earliest} THEN {int(StampRule.TOO_EARLY)} "
                          "ELSE stamp_rule END)::TINYINT stamp_rule FROM typed LEFT JOIN stamps USING "
                          "(file_no, member, n)")

    # -- readings

    def _make_fresh(self) -> None:
        sound = f"shape = 0 AND stamp_rule IN (0, {int(StampRule.TWICE)})"
        if self._profile.long is None:
            rows = f"SELECT * FROM stamped WHERE {sound}"
            columns = {rule.channel: (f"v{place}", f"m{place}", rule)
                       for place, rule in enumerate(self._rules.values())}
        else:
            rows, columns = self._pivoted(sound)
        fixed = self._profile.time.interval_s
        steps = (f"{number(fixed)}" if fixed else "coalesce(step_s, 0.0)" if self._steps_known else
                 "coalesce(least(nullif(epoch(lead(utc) OVER w - utc), 0), nullif(epoch(utc - lag(utc) OVER w), 0)), "
                 "0.0)")
        window = "" if fixed or self._steps_known else (
            " WINDOW w AS (PARTITION BY site_id, logger, logger_id, file_no ORDER BY utc)")
        clock = f"CASE WHEN stamp_rule = {int(StampRule.TWICE)} THEN {int(Mask.CLOCK)} ELSE 0 END::USMALLINT"
        pieces = "".join(self._reading_sql(channel, *columns[channel]) for channel in self.channels)
        end = "utc + to_microseconds((interval_s * 1e6)::BIGINT)" if self._profile.time.stamp == "start" else "utc"
        self._sql.execute(
            f"CREATE OR REPLACE TEMP VIEW fresh AS SELECT source_no, logger_id, {end} interval_end_utc, "
            f"interval_s::FLOAT interval_s, file_no, n::INTEGER line{pieces} FROM (SELECT *, {steps} interval_s, "
            f"{clock} clock FROM (SELECT r.*, t.site_id, t.logger, t.source_no FROM ({rows}) r "
            "JOIN target t ON r.file_no = t.file_no AND "
            f"(t.logger_id IS NULL OR t.logger_id = r.logger_id)){window})")

    def _pivoted(self, sound: str) -> tuple[str, dict[str, tuple[str, str, ColumnRule]]]:
        """Return the long rows brought side by side; of repeated values the last of the file stands."""
        pieces, columns = "", {}
        for place, (column, rule) in enumerate(self._rules.items()):
            this = f"FILTER (WHERE called = {text(column)})"
            pieces += f", arg_max(v, n) {this} v{place}, coalesce(arg_max(m, n) {this}, 0)::USMALLINT m{place}"
            columns[rule.channel] = (f"v{place}", f"m{place}", rule)
        return (f"SELECT file_no, min(n) n, logger_id, utc, max(stamp_rule) stamp_rule{pieces} FROM stamped "
                f"WHERE {sound} AND called IN ({', '.join(text(item) for item in self._rules)}) "
                "GROUP BY file_no, logger_id, utc"), columns

    @staticmethod
    def _reading_sql(channel: str, value: str, mask: str, rule: ColumnRule) -> str:
        not_known = int(Mask.UNREADABLE | Mask.SENTINEL)
        if rule.meter != "pulse":
            known = f"CASE WHEN ({mask} & {not_known}) = 0 THEN {value} END"
            return f", {known} {name(channel)}, ({mask} | clock)::USMALLINT {name(channel + '__mask')}"
        flow = f"CASE WHEN ({mask} & {not_known}) = 0 AND interval_s > 0 THEN {value} / interval_s END"
        high = number(CHANNELS[channel].high)
        return (f", {flow} {name(channel)}, (CASE WHEN {mask} = 0 AND interval_s > 0 AND {value} / interval_s > {high} "
                f"THEN {int(Mask.OUT_OF_RANGE)} ELSE {mask} END | clock)::USMALLINT {name(channel + '__mask')}")

    # -- quarantine

    def all_taken(self, rows: int, targets: Sequence[Target]) -> bool:
        """Tell whether that many rows are all that the parts hold, so that only single cells can be bad."""
        if not self._in_one_pass:
            return False
        readers: dict[int, int] = {}
        for target in targets:
            readers[target.file_no] = readers.get(target.file_no, 0) + 1
        lines = self._sql.execute("SELECT file_no, count(*) FROM lines GROUP BY 1").fetchall()
        return rows == sum(count * readers.get(file_no, 0) for file_no, count in lines)

    def collect_bad(self) -> None:
        """Gather in `fresh_bad` everything that was not taken; lines are split again only where something is wrong."""
        self._sql.execute("CREATE OR REPLACE TEMP TABLE fresh_bad (file_no INT, member VARCHAR, line BIGINT, "
                          "column_name VARCHAR, value VARCHAR, rule VARCHAR)")
        typed, stamped = "typed", "stamped"
        if self._in_one_pass:
            any_bad = " OR ".join(f"(m{place} & {int(Mask.UNREADABLE)}) > 0" for place in range(len(self._rules)))
            self._sql.execute("CREATE OR REPLACE TEMP TABLE typed_bad AS SELECT * FROM stamped WHERE shape > 0 OR "
                              f"stamp_rule > 0 OR {any_bad}")
            typed = stamped = "typed_bad"
        kept = self._limits.max_kept_chars
        shapes = f"CASE shape WHEN 1 THEN {text(SHORT_ROW)} WHEN 2 THEN {text(LONG_ROW)} ELSE {text(LONG_LINE)} END"
        self._sql.execute(f"INSERT INTO fresh_bad SELECT l.file_no, l.member, l.n, NULL, left(ln, {kept}), {shapes} "
                          f"FROM {typed} t JOIN lines l USING (file_no, member, n) WHERE shape > 0")
        stamp_says = " ".join(f"WHEN {code} THEN {text(says)}" for code, says in STAMP_SAYS.items())
        stamp_columns = ", ".join(self._profile.time.columns or self._profile.time.parts.values())
        self._sql.execute(f"INSERT INTO fresh_bad SELECT l.file_no, l.member, l.n, {text(stamp_columns)}, left(ln, "
                          f"{kept}), CASE stamp_rule {stamp_says} END FROM {stamped} t JOIN lines l USING "
                          "(file_no, member, n) WHERE shape = 0 AND stamp_rule > 0")
        unreadable = int(Mask.UNREADABLE)
        split, cell_of = self._split_cells()
        if self._profile.long is not None:
            one_name = self._profile.long.name_column is None
            called = text(next(iter(self._rules))) if one_name else "t.called"
            value = cell_of[self._profile.long.value_column]
            self._sql.execute(f"INSERT INTO fresh_bad SELECT file_no, member, n, {called}, left({value}, {kept}), "
                              f"{text(NOT_A_NUMBER)} FROM typed t JOIN ({split}) USING (file_no, member, n) "
                              f"WHERE t.shape = 0 AND (t.m & {unreadable}) > 0")
            self._sql.execute("INSERT INTO fresh_bad SELECT file_no, member, min(n), called, count(*) || ' rows', "
                              f"{text(NO_CHANNEL)} FROM typed WHERE shape = 0 AND m IS NULL GROUP BY ALL")
        else:
            any_bad = " OR ".join(f"(m{place} & {unreadable}) > 0" for place in range(len(self._rules)))
            bad_rows = f"(SELECT * FROM {typed} WHERE shape = 0 AND ({any_bad}))"
            if self._sql.execute(f"SELECT count(*) FROM {bad_rows}").fetchone() != (0,):
                for place, column in enumerate(self._rules):
                    self._sql.execute(
                        f"INSERT INTO fresh_bad SELECT file_no, member, n, {text(column)}, left({cell_of[column]}, "
                        f"{kept}), {text(NOT_A_NUMBER)} FROM {bad_rows} t JOIN ({split}) s USING (file_no, member, n) "
                        f"WHERE (m{place} & {unreadable}) > 0")
        if self._profile.site.column:
            self._sql.execute("INSERT INTO fresh_bad SELECT t.file_no, t.member, min(t.n), "
                              f"{text(self._profile.site.column)}, left(t.logger_id, {kept}), {text(NO_SITE)} || ' (' "
                              "|| count(*) || ' rows)' FROM typed t WHERE shape = 0 AND NOT EXISTS (SELECT 1 FROM "
                              "target g WHERE g.file_no = t.file_no AND (g.logger_id IS NULL OR g.logger_id = "
                              "t.logger_id)) GROUP BY t.file_no, t.member, t.logger_id")


def _data_start(part: Incoming) -> int:
    """Return where the data begin in the text of a part."""
    place = 0
    for _ in range(part.data_from - part.first_line):
        place = part.text.find("\n", place) + 1
        if place == 0:
            return len(part.text)
    return place
