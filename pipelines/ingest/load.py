"""Files of a fleet into the ledger: archived first, then all rows of a batch of files in one transaction."""

import hashlib
import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING

import duckdb

from diagnostics.barometric import is_of_another_height
from diagnostics.chain.water import density_kg_m3
from diagnostics.readings import Mask
from pipelines.errors import LedgerError, LoggerFileError, printable
from pipelines.ingest.cell_sql import Layout, name
from pipelines.ingest.claims import ClaimedFile, claims_of
from pipelines.ingest.heads import Head
from pipelines.ingest.limits import IngestLimits
from pipelines.ingest.one_file import incoming_parts
from pipelines.ingest.plain import PlainFile, PlainReader, plain_file
from pipelines.ingest.profile import LoggerProfile
from pipelines.ingest.reader import WAITING, BatchReader, Incoming, Target
from pipelines.ledger import Ledger
from pipelines.ledger.archive import BLOCK, sha256_of
from pipelines.ledger.corrections import read_corrections
from pipelines.ledger.schema import MASK_COLUMNS

if TYPE_CHECKING:
    from pipelines.fleet import Fleet

Progress = Callable[[int, int, str], None]


@dataclass(slots=True)
class IngestReport:
    """What came of one ingest, in numbers and in sentences."""

    files_new: int = 0
    files_known: int = 0
    files_unreadable: int = 0
    files_grown: int = 0
    rows: int = 0
    quarantined: int = 0
    rows_of_site: dict[str, int] = field(default_factory=dict)
    messages: list[str] = field(default_factory=list)
    unclaimed: list[str] = field(default_factory=list)
    seconds: float = 0.0

    def __str__(self) -> str:
        return (f"{self.files_new} new file(s), {self.files_known} known, {self.files_unreadable} unreadable: "
                f"{self.rows} row(s) in, {self.quarantined} cell(s) or row(s) in quarantine, {self.seconds:.1f} s.")


@dataclass(slots=True)
class _Fresh:
    """A file that is to be read, archived and with its number."""

    claimed: ClaimedFile
    sha256: str
    size_bytes: int
    mtime_ns: int
    read_as: str
    file_no: int = 0
    replaces: int | None = None
    grown_from: int | None = None
    status: str = "read"
    says: list[str] = field(default_factory=list)


def ingest_fleet(fleet: "Fleet", ledger: Ledger, *, progress: Progress | None = None,
                 limits: IngestLimits | None = None) -> IngestReport:
    """
    Read every new file of a fleet's logs/ into the ledger. Doing it twice changes nothing.

    `progress` is called with (files done, files in all, name of the last one).
    """
    claims = claims_of(fleet)
    _keep_sheet(fleet, ledger, claims.moduli_m3)
    _keep_wells(fleet, ledger)
    report = load_files(claims.files, ledger, progress=progress, limits=limits or IngestLimits())
    report.unclaimed = [printable(name) for name in claims.unclaimed]
    report.messages = [*(printable(says) for says in claims.refused), *report.messages]
    if report.rows:
        report.messages += [printable(says) for says in absolute_levels(fleet, ledger)]
    return report


def load_files(files: list[ClaimedFile], ledger: Ledger, *, progress: Progress | None = None,
               limits: IngestLimits) -> IngestReport:
    """Read files whose claims are known."""
    started = perf_counter()
    report = IngestReport()
    loading = _Loading(ledger, limits, report)
    total, done = len(files), 0
    for batch in _batches(files, loading, limits):
        loading.load(batch.fresh)
        done = batch.seen
        if progress is not None:
            progress(done, total, batch.last)
    loading.finish()
    if progress is not None and done < total:
        progress(total, total, "")
    if loading.changed:
        with ledger.transaction() as sql:
            report.rows_of_site = dict(sql.execute("SELECT site_id, count(*) FROM core_readings GROUP BY 1 ORDER BY 1")
                                       .fetchall())
    report.seconds = perf_counter() - started
    return report


def _keep_sheet(fleet: "Fleet", ledger: Ledger, moduli_m3: dict[tuple[str, str], float]) -> None:
    """Bring what the sheets say beside the files into the ledger: corrections, moduli of meters."""
    corrections = read_corrections(Path(fleet.folder) / "corrections.csv")
    if corrections != ledger.corrections():
        ledger.replace_corrections(corrections)
    there = {(row[0], row[1]): row[2] for row in
             ledger.sql.execute("SELECT site_id, logger, totaliser_modulus_m3 FROM core_loggers").fetchall()}
    if there != moduli_m3:
        with ledger.transaction() as sql:
            sql.execute("DELETE FROM core_loggers")
            for (site_id, logger), modulus in sorted(moduli_m3.items()):
                sql.execute("INSERT INTO core_loggers VALUES (?, ?, ?)", [site_id, logger, modulus])


def _keep_wells(fleet: "Fleet", ledger: Ledger) -> None:
    """Bring what the sheets say of unvented level loggers into the ledger."""
    wells = {site.id: (site.well.level_logger_depth_m, float(density_kg_m3(site.well.water_temperature_c)),
                       site.altitude_m)
             for site in fleet.sites.values() if site.well.level_logger_depth_m is not None}
    if ledger.wells() != wells:
        with ledger.transaction() as sql:
            sql.execute("DELETE FROM core_wells")
            for site_id, well in sorted(wells.items()):
                sql.execute("INSERT INTO core_wells VALUES (?, ?, ?, ?)", [site_id, *well])


def absolute_levels(fleet: "Fleet", ledger: Ledger) -> list[str]:
    """Say where an unvented level logger cannot be made a level of, and what would mend it."""
    if "submerged_pressure_pa" not in ledger.channel_places():
        return []
    air = ("max(air_pressure_pa), median(air_pressure_pa)" if "air_pressure_pa" in ledger.channel_places()
           else "NULL, NULL")
    says = []
    for site_id, most, usual in ledger.sql.execute(
            f"SELECT site_id, {air} FROM core_readings GROUP BY 1 HAVING count(submerged_pressure_pa) > 0 "
            "ORDER BY 1").fetchall():
        site = fleet.sites.get(site_id)
        if site is None:
            continue
        if most is None:
            says.append(f"{site_id}: its level logger writes absolute pressure and no air pressure is logged, which "
                        "moves by 0.3 m of water and more; no level is worked out. Give the site a [[logs]] entry with "
                        "the channel air_pressure_pa (one barometer at like height serves many wells).")
        elif site.well.level_logger_depth_m is None:
            says.append(f"{site_id}: its level logger writes absolute pressure, and the sheet does not say how deep it "
                        "hangs; no level is worked out. Write level_logger_depth_m into its [well].")
        elif is_of_another_height(usual, site.altitude_m):
            says.append(f"{site_id}: air pressure of {usual / 1000:.1f} kPa cannot be that at {site.altitude_m:.0f} m; "
                        "the level from it is masked. Is it brought to sea level? Log it as measured, or give the "
                        "profile an offset.")
    return says


@dataclass(slots=True)
class _Batch:
    fresh: list[_Fresh]
    seen: int
    last: str


def _batches(files: list[ClaimedFile], loading: "_Loading", limits: IngestLimits) -> Iterator[_Batch]:
    """Gather new files until a batch is full; files already known cost a look at their size and date."""
    fresh: list[_Fresh] = []
    size, seen, last = 0, 0, ""
    for claimed in files:
        seen, last = seen + 1, claimed.name
        found = loading.look_at(claimed)
        if found is not None:
            fresh.append(found)
            size += found.size_bytes
        if size > limits.batch_chars or len(fresh) >= limits.batch_files:
            yield _Batch(fresh, seen, last)
            fresh, size = [], 0
    if fresh:
        yield _Batch(fresh, seen, last)


class _Loading:
    """One ingest into one ledger."""

    def __init__(self, ledger: Ledger, limits: IngestLimits, report: IngestReport) -> None:
        self._ledger, self._limits, self._report = ledger, limits, report
        sql = ledger.sql
        self._paths = {row[0]: row[1:] for row in sql.execute(
            "SELECT path, size_bytes, mtime_ns, sha256, read_as, file_no FROM raw_paths").fetchall()}
        self._known = {(row[0], row[1]): row[2] for row in sql.execute(
            "SELECT sha256, read_as, file_no FROM raw_files").fetchall()}
        self._sizes = {row[0]: row[1] for row in sql.execute("SELECT file_no, size_bytes FROM raw_files").fetchall()}
        self._next_no = 1 + (sql.execute("SELECT coalesce(max(file_no), 0) FROM raw_files").fetchone() or (0,))[0]
        self._paths_of = Counter(row[4] for row in self._paths.values())
        self._same_content: list[_Fresh] = []
        self._columns_told: set[tuple[str, ...]] = set()
        self._sources: dict[tuple[str, str], int] = {}
        self.changed = False

    # -- what is new

    def look_at(self, claimed: ClaimedFile) -> _Fresh | None:
        """Return what has to be read, or None where the content is known as it is read now."""
        try:
            stat = claimed.path.stat()
        except OSError as error:
            self._tell(claimed.name, f"vanished before it was read ({error.strerror}).")
            return None
        read_as = f"{claimed.read_as}{self._limits.mark}"       # raised limits read a refused file anew
        before = self._paths.get(claimed.name)
        if before is not None and before[:2] == (stat.st_size, stat.st_mtime_ns) and before[3] == read_as:
            self._report.files_known += 1
            return None
        try:
            if stat.st_size > self._limits.max_file_bytes:
                self._tell(claimed.name, f"is {stat.st_size / 1e6:.0f} MB, above the limit of "
                           f"{self._limits.max_file_bytes / 1e6:.0f} MB; split it or raise max_file_bytes under "
                           "[thresholds] in fleet.toml.")
                self._report.files_unreadable += 1
                return None
            sha256, size = self._ledger.archive.keep(claimed.path, durable=False)
        except OSError as error:
            self._tell(claimed.name, f"cannot be read ({error.strerror or error}); it stays where it is.")
            self._report.files_unreadable += 1
            return None
        fresh = _Fresh(claimed, sha256, size, stat.st_mtime_ns, read_as)
        if (sha256, read_as) in self._known:
            fresh.file_no = self._known[sha256, read_as]
            self._same_content.append(fresh)
            self._report.files_known += 1
            return None
        if before is not None:
            self._compare_with_before(fresh, before)
        self._known[sha256, read_as] = fresh.file_no = self._next_no
        self._next_no += 1
        return fresh

    def finish(self) -> None:
        """Write down the paths at which contents were met again, after the contents themselves are in."""
        if self._same_content:
            with self._ledger.transaction() as sql:
                _remember_paths(sql, self._same_content)
        self._same_content = []

    def _compare_with_before(self, fresh: _Fresh, before: tuple[int, int, str, str, int]) -> None:
        size_before, _, sha_before, read_before, file_no = before
        if self._paths_of[file_no] > 1:
            return
        if sha_before == fresh.sha256:
            fresh.replaces = file_no        # read differently now: another profile, another site sheet
        elif fresh.size_bytes > size_before and fresh.read_as == read_before and (
                _digest_of_start(self._ledger.archive.place(fresh.sha256), size_before) == sha_before):
            fresh.grown_from = file_no      # the same file, longer: the old content is its beginning

    # -- reading

    def load(self, batch: list[_Fresh]) -> None:
        """Read a batch in one transaction; if the engine trips over one file, read them one by one."""
        if not batch:
            return
        self._ledger.archive.sync([fresh.sha256 for fresh in batch])
        try:
            self._load_at_once(batch)
        except (duckdb.Error, LedgerError) as error:
            if isinstance(error, LedgerError) and not isinstance(error.__cause__, duckdb.Error):
                raise
            if _is_about_the_store(error):
                raise
            if len(batch) == 1:
                batch[0].status = "unreadable"
                batch[0].says = [f"cannot be read: {str(error).splitlines()[0][:200]}"]
                self._load_at_once(batch, read=False)
                return
            for fresh in batch:
                fresh.status, fresh.says = "read", []
                self.load([fresh])

    def _load_at_once(self, batch: list[_Fresh], read: bool = True) -> None:
        self._sources = self._ledger.sources()      # anew, for a batch that was rolled back has taken its numbers along
        with self._ledger.transaction() as sql:
            for fresh in batch:
                for gone in (fresh.replaces, fresh.grown_from):
                    if gone is not None:
                        _forget(sql, gone)
            if read:
                self._read_groups(sql, batch)
            counts = self._counts(sql, batch)
            for fresh in batch:
                if fresh.status == "read" and counts.get(fresh.file_no, (0,))[0] == 0:
                    fresh.status = "nothing read"
            _register(sql, batch, counts)
            _remember_paths(sql, batch)
            not_needed = _supersede(sql, batch)
        for sha256 in not_needed:       # its bytes are the beginning of a longer file that is kept
            self._ledger.archive.drop(sha256)
        self.changed = True
        self._report_on(batch, counts)

    def _report_on(self, batch: list[_Fresh], counts: dict[int, tuple]) -> None:
        report = self._report
        for fresh in batch:
            rows, _, _, bad = counts.get(fresh.file_no, (0, None, None, 0))
            report.files_new += 1
            report.files_unreadable += fresh.status == "unreadable"
            report.files_grown += fresh.grown_from is not None
            report.rows += rows
            report.quarantined += bad
            self._paths[fresh.claimed.name] = (fresh.size_bytes, fresh.mtime_ns, fresh.sha256, fresh.read_as,
                                               fresh.file_no)
            for says in fresh.says:
                self._tell(fresh.claimed.name, says)
            if fresh.status == "nothing read":
                self._tell(fresh.claimed.name, "no row could be read from it; is its profile the right one?")

    def _read_groups(self, sql: duckdb.DuckDBPyConnection, batch: list[_Fresh]) -> None:
        plain: dict[tuple, _PlainGroup] = {}
        others: list[_Reading] = []
        for fresh in batch:
            for digest, profile in {claim.profile_digest: claim.profile for claim in fresh.claimed.claims}.items():
                targets = [Target(fresh.file_no, claim.site_id, claim.logger, claim.logger_id,
                                  self._source_no(claim.site_id, claim.logger))
                           for claim in fresh.claimed.claims if claim.profile_digest == digest]
                reading = _Reading(fresh, digest, profile, targets)
                found = plain_file(self._ledger.archive.place(fresh.sha256), fresh.claimed.name, fresh.file_no, profile,
                                   self._limits)
                if found is None:
                    others.append(reading)
                    continue
                file, reading.head = found
                key = (digest, reading.head.layout, reading.head.header_parts, file.data_from, file.line_end)
                plain.setdefault(key, _PlainGroup(profile, reading.head)).add(file, reading)
        for held in plain.values():
            taken, left = held.flush(self._ledger, self._limits)
            for reading in taken:
                self._tell_of_columns(reading.fresh, reading.profile, reading.head)
            others += left
        others.sort(key=lambda reading: reading.fresh.file_no)
        self._read_lines(sql, others)
        self._tell_of_bad_cells(sql, batch)

    def _source_no(self, site_id: str, logger: str) -> int:
        if (site_id, logger) not in self._sources:
            self._sources[site_id, logger] = self._ledger.source_no(site_id, logger)
        return self._sources[site_id, logger]

    def _read_lines(self, sql: duckdb.DuckDBPyConnection, readings: "list[_Reading]") -> None:
        """Read files line by line, with a word on everything that cannot be taken."""
        groups: dict[tuple[str, Layout, tuple[tuple[str, int], ...]], _Group] = {}
        for reading in readings:
            fresh = reading.fresh
            try:
                for used, head, part in self._parts(fresh, reading.profile):
                    key = (reading.digest, head.layout, head.header_parts)
                    group = groups.setdefault(key, _Group(used, head))
                    group.add(part, reading.targets)
                    if group.chars > self._limits.part_chars:
                        group.flush(self._ledger, self._limits)
            except LoggerFileError as error:
                fresh.status, fresh.says = "unreadable", [_without_file(error)]
                for group in groups.values():
                    group.drop(fresh.file_no)
                _forget(sql, fresh.file_no)
        for group in groups.values():
            group.flush(self._ledger, self._limits)

    def _parts(self, fresh: _Fresh, profile: LoggerProfile) -> Iterator[tuple[LoggerProfile, Head, Incoming]]:
        place, label = self._ledger.archive.place(fresh.sha256), fresh.claimed.name
        told: Head | None = None
        for used, head, part, waiting in incoming_parts(place, label, fresh.file_no, profile, self._limits):
            if head is not told:
                told = head
                self._tell_of_columns(fresh, used, head)
            if waiting is not None:
                fresh.says.append(f"line {waiting.line}: {WAITING}.")
                self._ledger.sql.execute("INSERT INTO raw_quarantine VALUES (?, ?, ?, NULL, ?, ?)",
                                         [fresh.file_no, part.member, waiting.line, waiting.text, WAITING])
            yield used, head, part

    # -- what is said

    def _tell(self, file: str, says: str) -> None:
        self._report.messages.append(printable(f"{file}: {says}").replace("\n", " "))

    def _tell_of_columns(self, fresh: _Fresh, profile: LoggerProfile, head: Head) -> None:
        sites = ",".join(sorted({claim.site_id for claim in fresh.claimed.claims}))
        if head.missing_columns and (told := (sites, profile.key, *head.missing_columns)) not in self._columns_told:
            self._columns_told.add(told)
            absent = ", ".join(repr(item) for item in head.missing_columns)
            fresh.says.append(f"lacks the column(s) {absent} that profile '{profile.key}' reads; the others were read. "
                              "Said once for all files of the site.")
        if head.unknown_columns and (told := (profile.key, *head.unknown_columns)) not in self._columns_told:
            self._columns_told.add(told)
            shown = ", ".join(repr(item) for item in head.unknown_columns[:12])
            more = f" and {len(head.unknown_columns) - 12} more" if len(head.unknown_columns) > 12 else ""
            fresh.says.append(f"column(s) {shown}{more} are not read; add them to profile '{profile.key}' or to its "
                              "ignored_columns.")

    def _tell_of_bad_cells(self, sql: duckdb.DuckDBPyConnection, batch: list[_Fresh]) -> None:
        by_no = {fresh.file_no: fresh for fresh in batch}
        low, high = min(by_no), max(by_no)
        limit = self._limits.max_quarantined_cells
        for file_no, total in sql.execute("SELECT file_no, count(*) FROM raw_quarantine WHERE file_no BETWEEN ? AND ? "
                                          "GROUP BY 1 HAVING count(*) > ?", [low, high, limit]).fetchall():
            sql.execute("DELETE FROM raw_quarantine WHERE rowid IN (SELECT rowid FROM raw_quarantine WHERE file_no = ? "
                        "ORDER BY member, line, column_name OFFSET ?)", [file_no, limit])
            by_no[file_no].says.append(f"has {total} bad cells or rows; the first {limit} are kept in quarantine.")
        found = sql.execute("SELECT file_no, column_name, rule, count(*), min(line), arg_min(value, line) FROM "
                            "raw_quarantine WHERE file_no BETWEEN ? AND ? AND rule <> ? GROUP BY 1, 2, 3 "
                            "ORDER BY 1, 5, 2, 3", [low, high, WAITING]).fetchall()
        for file_no, column, rule, count, line, value in found:
            where = f'column "{column}": ' if column else ""
            times = f" ({count} times)" if count > 1 else ""
            hint = " The file writes a decimal comma: set decimal = \",\" in its profile." if re.fullmatch(
                r"[+-]?\d+,\d+", (value or "").strip()) else ""
            by_no[file_no].says.append(f"line {line}, {where}'{(value or '')[:60]}' {rule}{times}.{hint}")

    def _counts(self, sql: duckdb.DuckDBPyConnection, batch: list[_Fresh]) -> dict[int, tuple]:
        low, high = min(item.file_no for item in batch), max(item.file_no for item in batch)
        rows = sql.execute("SELECT file_no, count(*), min(interval_end_utc), max(interval_end_utc) FROM core_rows "
                           "WHERE file_no BETWEEN ? AND ? GROUP BY 1", [low, high]).fetchall()
        bad = dict(sql.execute("SELECT file_no, count(*) FROM raw_quarantine WHERE file_no BETWEEN ? AND ? GROUP BY 1",
                               [low, high]).fetchall())
        counts = {row[0]: (*row[1:], bad.get(row[0], 0)) for row in rows}
        return {**{file_no: (0, None, None, count) for file_no, count in bad.items()}, **counts}


@dataclass(slots=True)
class _Reading:
    """One file as one profile reads it."""

    fresh: _Fresh
    digest: str
    profile: LoggerProfile
    targets: list[Target]
    head: Head | None = None


class _PlainGroup:
    """Files that may be plain and that one reader takes in together."""

    def __init__(self, profile: LoggerProfile, head: Head) -> None:
        self._profile, self._head = profile, head
        self._files: list[PlainFile] = []
        self._readings: list[_Reading] = []

    def add(self, file: PlainFile, reading: _Reading) -> None:
        self._files.append(file)
        self._readings.append(reading)

    def flush(self, ledger: Ledger, limits: IngestLimits) -> tuple[list[_Reading], list[_Reading]]:
        """Store what is plain; return what was taken and what is left to the line reader."""
        reader = PlainReader(ledger.sql, self._profile, self._head.layout, self._head.header_parts, limits)
        left = set(reader.read_files(self._files, [target for one in self._readings for target in one.targets]))
        if len(left) < len(self._files):
            _insert_fresh(ledger, reader.channels)
        reader.finish()
        return ([one for one in self._readings if one.fresh.file_no not in left],
                [one for one in self._readings if one.fresh.file_no in left])


class _Group:
    """Parts of files that one reader takes in together."""

    def __init__(self, profile: LoggerProfile, head: Head) -> None:
        self._profile, self._head = profile, head
        self._parts: list[Incoming] = []
        self._targets: dict[Target, None] = {}
        self.chars = 0

    def add(self, part: Incoming, targets: list[Target]) -> None:
        self._parts.append(part)
        self._targets.update(dict.fromkeys(targets))
        self.chars += len(part.text)

    def drop(self, file_no: int) -> None:
        self._parts = [part for part in self._parts if part.file_no != file_no]

    def flush(self, ledger: Ledger, limits: IngestLimits) -> None:
        if self._parts:
            reader = BatchReader(ledger.sql, self._profile, self._head.layout, self._head.header_parts, limits)
            reader.read(self._parts, list(self._targets))
            taken = _insert_fresh(ledger, reader.channels)
            numbers = [part.file_no for part in self._parts]
            unreadable = ledger.sql.execute("SELECT bit_or(unreadable_bits) FROM core_rows WHERE file_no BETWEEN ? "
                                            "AND ?", [min(numbers), max(numbers)]).fetchone()
            if (unreadable and unreadable[0]) or not reader.all_taken(taken, list(self._targets)):
                reader.collect_bad()
                ledger.sql.execute("INSERT INTO raw_quarantine SELECT * FROM fresh_bad")
            reader.finish()
        self._parts, self.chars = [], 0


def _insert_fresh(ledger: Ledger, channels: list[str]) -> int:
    """Store what a reader has left in `fresh`; return the number of rows."""
    places = ledger.add_channels(channels)
    columns = "".join(f", {name(channel)}" for channel in channels)
    bits = ", ".join(_bits_sql(mask, channels, places) for mask in MASK_COLUMNS.values())
    fixed = "source_no, interval_end_utc, interval_s, file_no, line"
    taken = ledger.sql.execute(f"INSERT INTO core_rows ({fixed}, {', '.join(MASK_COLUMNS)}{columns}) "
                               f"SELECT {fixed}, {bits}{columns} FROM fresh").fetchone()
    return taken[0] if taken else 0


def _bits_sql(mask: Mask, channels: list[str], places: dict[str, int]) -> str:
    """Return the expression that gathers one mask of all channels into bits."""
    masks = [name(f"{channel}__mask") for channel in channels]
    shift = int(mask).bit_length() - 1
    gathered = " | ".join(f"((({column} >> {shift}) & 1)::UBIGINT << {places[channel]})"
                          for column, channel in zip(masks, channels, strict=True))
    return f"CASE WHEN ({' | '.join(masks)}) = 0 THEN 0::UBIGINT ELSE {gathered} END"


def _supersede(sql: duckdb.DuckDBPyConnection, batch: list[_Fresh]) -> list[str]:
    """Mark contents that others have outgrown or replaced; return the digests that nothing refers to any more."""
    for fresh in batch:
        if fresh.grown_from is not None:
            sql.execute("UPDATE raw_files SET status = 'superseded', superseded_by = ? WHERE file_no = ?",
                        [fresh.file_no, fresh.grown_from])
        if fresh.replaces is not None:
            sql.execute("DELETE FROM raw_files WHERE file_no = ?", [fresh.replaces])
    grown = [fresh.grown_from for fresh in batch if fresh.grown_from is not None]
    if not grown:
        return []
    return [row[0] for row in sql.execute(
        "SELECT DISTINCT sha256 FROM raw_files WHERE file_no IN (SELECT unnest(?::INT[])) AND sha256 NOT IN "
        "(SELECT sha256 FROM raw_files WHERE status <> 'superseded')", [grown]).fetchall()]


def _register(sql: duckdb.DuckDBPyConnection, batch: list[_Fresh], counts: dict[int, tuple]) -> None:
    """Write one row a file into the registry, all at once."""
    none = (0, None, None, 0)
    found = [counts.get(fresh.file_no, none) for fresh in batch]
    profiles = [", ".join(sorted({claim.profile.key for claim in fresh.claimed.claims})) for fresh in batch]
    sites = ["\x1f".join(sorted({claim.site_id for claim in fresh.claimed.claims})) for fresh in batch]
    sql.execute("INSERT INTO raw_files SELECT unnest(?::INT[]), unnest(?::VARCHAR[]), unnest(?::VARCHAR[]), "
                "unnest(?::VARCHAR[]), unnest(?::BIGINT[]), unnest(?::VARCHAR[]), string_split(unnest(?::VARCHAR[]), "
                "chr(31)), unnest(?::BIGINT[]), unnest(?::BIGINT[]), unnest(?::TIMESTAMP[]), unnest(?::TIMESTAMP[]), "
                "unnest(?::VARCHAR[]), unnest(?::VARCHAR[]), NULL",
                [[fresh.file_no for fresh in batch], [fresh.sha256 for fresh in batch],
                 [fresh.read_as for fresh in batch], [fresh.claimed.name for fresh in batch],
                 [fresh.size_bytes for fresh in batch], profiles, sites, [item[0] for item in found],
                 [item[3] for item in found], [item[1] for item in found], [item[2] for item in found],
                 [fresh.status for fresh in batch], [" ".join(fresh.says) for fresh in batch]])


def _remember_paths(sql: duckdb.DuckDBPyConnection, seen: list[_Fresh]) -> None:
    """Write down where contents were met, all at once."""
    names = [fresh.claimed.name for fresh in seen]
    sql.execute("DELETE FROM raw_paths WHERE path IN (SELECT unnest(?::VARCHAR[]))", [names])
    sql.execute("INSERT INTO raw_paths SELECT unnest(?::VARCHAR[]), unnest(?::BIGINT[]), unnest(?::BIGINT[]), "
                "unnest(?::VARCHAR[]), unnest(?::VARCHAR[]), unnest(?::INT[])",
                [names, [fresh.size_bytes for fresh in seen], [fresh.mtime_ns for fresh in seen],
                 [fresh.sha256 for fresh in seen], [fresh.read_as for fresh in seen],
                 [fresh.file_no for fresh in seen]])


def _forget(sql: duckdb.DuckDBPyConnection, file_no: int) -> None:
    sql.execute("DELETE FROM core_rows WHERE file_no = ?", [file_no])
    sql.execute("DELETE FROM raw_quarantine WHERE file_no = ?", [file_no])


def _without_file(error: LoggerFileError) -> str:
    where = ", ".join(part for part in (None if error.line is None else f"line {error.line}",
                                        None if error.column is None else f'column "{error.column}"') if part)
    return f"{where + ': ' if where else ''}{error.says} {error.mend}".strip()


def _is_about_the_store(error: Exception) -> bool:
    says = str(error).lower()
    return any(word in says for word in ("no space", "disk is full", "cannot be written", "read-only", "in use",
                                         "could not write", "i/o error", "interrupted"))


def _digest_of_start(path: Path, size: int) -> str:
    digest, left = hashlib.sha256(), size
    with path.open("rb") as stream:
        while left > 0 and (block := stream.read(min(BLOCK, left))):
            digest.update(block)
            left -= len(block)
    return digest.hexdigest()


__all__ = ["IngestReport", "ingest_fleet", "sha256_of"]
