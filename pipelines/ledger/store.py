"""The ledger's narrow interface: archive a file, read a site over a span, write and read results."""

import hashlib
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, date, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb
import pandas as pd

from diagnostics.barometric import with_level_from_pressure
from diagnostics.quantities import CHANNELS
from diagnostics.readings import SiteReadings
from diagnostics.results import Finding, SiteDiagnosis
from pipelines.errors import LedgerBusyError, LedgerDamagedError, LedgerError, LedgerVersionError
from pipelines.ledger.archive import Archive
from pipelines.ledger.corrections import Correction, corrected, corrections_frame
from pipelines.ledger.kept_nights import KeptNight, StoredRows, keep_night, kept_night, rows_until
from pipelines.ledger.merge import LoggerTable, add_flow_from_total, no_conflicts, one_grid, resolve_overlaps
from pipelines.ledger.results import append_days, read_diagnosis, write_diagnosis
from pipelines.ledger.rising import rising_rows
from pipelines.ledger.schema import (
    FROM_LAYOUT_2,
    MASK_COLUMNS,
    MOST_CHANNELS,
    READINGS_VIEW,
    SCHEMA_VERSION,
    TABLES,
)

if TYPE_CHECKING:
    from diagnostics.nights import NewDay

FILE_NAME = "ledger.duckdb"
_NO_BITS = "0::USMALLINT"


class Ledger:
    """
    One DuckDB file and the archive beside it; one process writes at a time.

    Parameters
    ----------
    folder : Path
        Made if it does not exist and `read_only` is False.
    read_only : bool
        Several processes may read at once while none writes.
    """

    def __init__(self, folder: Path, read_only: bool = False) -> None:
        self.folder, self.read_only = Path(folder), read_only
        self.archive = Archive(self.folder / "archive")
        self._sql = self._open()
        if not read_only:
            self.archive.clear_parts()

    def _open(self) -> duckdb.DuckDBPyConnection:
        path = self.folder / FILE_NAME
        if self.read_only and not path.exists():
            raise LedgerError("there is no ledger here yet.", file=self.folder, mend="Run the ingest first.")
        try:
            if not self.read_only:
                self.folder.mkdir(parents=True, exist_ok=True)
            sql = duckdb.connect(str(path), read_only=self.read_only)
        except (duckdb.Error, OSError) as error:
            raise self._opening_error(path, error) from error
        try:
            sql.execute("SET TimeZone = 'UTC'")
            older = self._check_version(sql)
            if not self.read_only:
                with self._transaction(sql):
                    for change in (FROM_LAYOUT_2 if older == 2 else ()):
                        sql.execute(change)
                    for table in TABLES:
                        sql.execute(table)
                    sql.execute(READINGS_VIEW)
                    sql.execute("INSERT OR REPLACE INTO ledger_facts VALUES ('schema_version', ?)",
                                [str(SCHEMA_VERSION)])
        except LedgerVersionError:
            sql.close()
            raise
        except duckdb.Error as error:
            sql.close()
            raise self._opening_error(path, error) from error
        return sql

    @staticmethod
    def _opening_error(path: Path, error: Exception) -> LedgerError:
        says = str(error)
        if "lock" in says.lower():
            return LedgerBusyError("the ledger is in use by another run.", file=path,
                                   mend="Wait until it ends and run again; nothing was changed.")
        if isinstance(error, PermissionError) or "permission denied" in says.lower() or "read-only" in says.lower():
            return LedgerError("the ledger folder cannot be written.", file=path.parent,
                               mend="Give this user write access, or name another output folder.")
        if "no space" in says.lower():
            return LedgerError("the disk is full.", file=path.parent, mend="Free space and run again; nothing is lost.")
        if isinstance(error, OSError):
            return LedgerError(f"the ledger folder cannot be used: {error.strerror or error}.", file=path.parent)
        first = (says.splitlines() or ["unknown"])[0][:200]
        return LedgerDamagedError(f"the ledger cannot be opened ({first}).", file=path,
                                  mend="Restore it from a backup, or move it away and ingest again: the archive "
                                  "beside it holds every raw file.")

    def _check_version(self, sql: duckdb.DuckDBPyConnection) -> int | None:
        """Return the layout if it is an older one that is brought up to date on opening; refuse what is not known."""
        tables = {row[0] for row in sql.execute("SELECT table_name FROM information_schema.tables").fetchall()}
        if "ledger_facts" not in tables:
            return None
        found = sql.execute("SELECT value FROM ledger_facts WHERE name = 'schema_version'").fetchone()
        if found and int(found[0]) > SCHEMA_VERSION:
            raise LedgerVersionError(f"the ledger has layout {found[0]}, this program knows up to {SCHEMA_VERSION}.",
                                     mend="Update the program.")
        older = int(found[0]) if found and int(found[0]) < SCHEMA_VERSION else None
        if older is not None and older < 2:
            raise LedgerVersionError(f"the ledger has the older layout {older}.", mend=f"Move {FILE_NAME} away and "
                                     "ingest again: the logs folder and the archive beside it hold every raw file.")
        if older is not None and self.read_only:
            raise LedgerVersionError(f"the ledger has the older layout {older}, and is only read here.", mend="Run "
                                     "`liftledger ingest` once: it brings the ledger up to date.")
        return older

    @contextmanager
    def _transaction(self, sql: duckdb.DuckDBPyConnection) -> Iterator[duckdb.DuckDBPyConnection]:
        sql.execute("BEGIN")
        try:
            yield sql
            sql.execute("COMMIT")
        except BaseException as error:
            with suppress(duckdb.Error):
                sql.execute("ROLLBACK")
            if isinstance(error, duckdb.Error) and not isinstance(error, duckdb.ProgrammingError):
                raise self._opening_error(self.folder / FILE_NAME, error) from error
            raise

    @contextmanager
    def transaction(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """Give the connection inside one transaction: all of it is written, or nothing."""
        with self._transaction(self._sql) as sql:
            yield sql

    @property
    def sql(self) -> duckdb.DuckDBPyConnection:
        """The connection itself, for the ingest next door and for questions nobody foresaw."""
        return self._sql

    def close(self) -> None:
        """Close the file; everything committed is on disk."""
        self._sql.close()

    def __enter__(self) -> "Ledger":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- what is in it

    def _frame(self, query: str, values: Sequence[Any] = ()) -> pd.DataFrame:
        return self._sql.execute(query, list(values)).df()

    def sites(self) -> list[str]:
        """Return the sites that have readings."""
        return [row[0] for row in self._sql.execute("SELECT DISTINCT site_id FROM core_readings ORDER BY 1").fetchall()]

    def files(self) -> pd.DataFrame:
        """Return one row a raw file: path, digest, profile, rows, what was quarantined, status and words."""
        return self._frame("SELECT * EXCLUDE (file_no, read_as) FROM raw_files ORDER BY path, sha256")

    def quarantine(self, site_id: str | None = None) -> pd.DataFrame:
        """Return what could not be taken: file, member, line, column, value, rule."""
        query = ("SELECT f.path AS file, q.member, q.line, q.column_name AS \"column\", q.value, q.rule FROM "
                 "raw_quarantine q JOIN raw_files f USING (file_no)")
        if site_id is not None:
            return self._frame(f"{query} WHERE list_contains(f.site_ids, ?) ORDER BY ALL", [site_id])
        return self._frame(f"{query} ORDER BY ALL")

    def last_readings(self, until: datetime | None = None) -> pd.DataFrame:
        """Return one row a site and logger: first and last stamp, rows; stamps after `until` are passed by."""
        bound, values = ("", []) if until is None else (
            "WHERE interval_end_utc <= ? ", [until.astimezone(UTC).replace(tzinfo=None)])
        return self._frame("SELECT site_id, logger, min(interval_end_utc) first_utc, max(interval_end_utc) last_utc, "
                           f"count(*) AS rows FROM core_readings {bound}GROUP BY ALL ORDER BY 1, 2", values)

    def newest_reading(self) -> datetime | None:
        """Return the latest interval end of all sites, or None where there are no readings."""
        found = self._sql.execute("SELECT max(interval_end_utc) FROM core_readings").fetchone()
        return found[0].replace(tzinfo=UTC) if found and found[0] is not None else None

    # -- readings

    def channel_places(self) -> dict[str, int]:
        """Return the channels that have a column, with their place in the mask bits."""
        return dict(self._sql.execute("SELECT channel, place FROM core_channels ORDER BY place").fetchall())

    def add_channels(self, channels: Sequence[str]) -> dict[str, int]:
        """Give channels met for the first time a column and a place; the caller holds the transaction."""
        places = self.channel_places()
        for channel in channels:
            if channel not in places:
                if channel not in CHANNELS or len(places) >= MOST_CHANNELS:
                    raise ValueError(f"no place for a channel '{channel}'.")
                places[channel] = len(places)
                self._sql.execute(f'ALTER TABLE core_rows ADD COLUMN "{channel}" DOUBLE')
                self._sql.execute("INSERT INTO core_channels VALUES (?, ?)", [channel, places[channel]])
                self._sql.execute(READINGS_VIEW)
        return places

    def sources(self, site_id: str | None = None) -> dict[tuple[str, str], int]:
        """Return the number that each logger of each site has in the rows."""
        found = self._sql.execute("SELECT site_id, logger, source_no FROM core_sources ORDER BY 1, 2").fetchall()
        return {(site, logger): number for site, logger, number in found if site_id in (None, site)}

    def source_no(self, site_id: str, logger: str) -> int:
        """Return the number of a logger of a site, given now if it is new; the caller holds the transaction."""
        known = self.sources()
        if (site_id, logger) not in known:
            known[site_id, logger] = max(known.values(), default=0) + 1
            self._sql.execute("INSERT INTO core_sources VALUES (?, ?, ?)", [known[site_id, logger], site_id, logger])
        return known[site_id, logger]

    def read_site(self, site_id: str, start: datetime | None = None, end: datetime | None = None) -> SiteReadings:
        """
        Return the readings of a site over (start, end], overlaps resolved, corrections applied, on one grid.

        `start` and `end` carry a time zone. A site without readings gives an empty table.
        """
        readings = one_grid(site_id, [table for table, _ in self._logger_tables(site_id, start, end)])
        well = self.wells().get(site_id)
        return readings if well is None else with_level_from_pressure(
            readings, well[0], density_kg_m3=well[1], altitude_m=well[2])

    def wells(self) -> dict[str, tuple[float, float, float]]:
        """Return depth of the level logger, density of the water and altitude of the sites that state the first."""
        if self.read_only and not self._has_table("core_wells"):
            return {}
        return {row[0]: row[1:] for row in self._sql.execute("SELECT * FROM core_wells").fetchall()}

    def _has_table(self, name: str) -> bool:
        return bool(self._sql.execute("SELECT 1 FROM information_schema.tables WHERE table_name = ?",
                                      [name]).fetchone())

    def conflicts(self, site_id: str) -> pd.DataFrame:
        """Return every value that another file contradicts: stamp, channel, value, what stands, digest and line."""
        found = [part for _, part in self._logger_tables(site_id, None, None) if len(part)]
        columns = ["interval_end_utc", "channel", "value", "stands", "sha256", "line"]
        return pd.concat(found)[columns].reset_index(drop=True) if found else pd.DataFrame(columns=columns)

    def _logger_tables(self, site_id: str, start: datetime | None,
                       end: datetime | None) -> list[tuple[LoggerTable, pd.DataFrame]]:
        changes = self.corrections(site_id)
        slack = max((abs(item.value or 0.0) for item in changes if item.kind == "shift_clock"), default=0.0)
        bounds, values = "", []
        for limit, sign, slip in ((start, ">", -slack), (end, "<=", slack)):
            if limit is not None:
                if limit.tzinfo is None:
                    raise ValueError("start and end need a time zone.")
                bounds += f" AND interval_end_utc {sign} ?"
                values.append((pd.Timestamp(limit).tz_convert("UTC") + pd.Timedelta(seconds=slip)).tz_localize(None)
                              .to_pydatetime())
        places = self.channel_places()
        files = self._frame("SELECT file_no, last_utc, sha256 FROM raw_files").set_index("file_no")
        tables = []
        for logger, source, channels, masked in self._present_channels(site_id, places):
            items = [item for item in changes if item.logger in (None, "", logger)]
            query = f"FROM core_rows r WHERE r.source_no = {source}{bounds}"
            bits = {channel: _mask_sql(places[channel], True) for channel in masked}
            found = None if items else rising_rows(self._sql, query, values, channels, bits)
            if found is not None:
                table, conflicts = found, no_conflicts()
            else:
                columns = "".join(f', r."{channel}", {bits.get(channel, _NO_BITS)} "{channel}__mask"'
                                  for channel in channels)
                rows = self._frame(f"SELECT interval_end_utc, interval_s, file_no, line{columns} {query} "
                                   "ORDER BY interval_end_utc, file_no, line", values)
                rows = corrected(rows, items)
                for limit, later in ((start, True), (end, False)):
                    if limit is not None and slack:
                        stamp = pd.Timestamp(limit).tz_convert("UTC").tz_localize(None)
                        rows = rows[rows["interval_end_utc"] > stamp if later else rows["interval_end_utc"] <= stamp]
                table, conflicts = resolve_overlaps(rows, files)
            tables.append((add_flow_from_total(table, self._modulus(site_id, logger)), conflicts))
        return tables

    def _present_channels(self, site_id: str, places: dict[str, int]) -> list[tuple[str, int, list[str], set[str]]]:
        """Return each logger of a site with its number, the channels it has, and those of them with any mask bit."""
        counts = "".join(f', count("{channel}")' for channel in places)
        bits = " | ".join(MASK_COLUMNS)
        found = []
        for (_, logger), source in self.sources(site_id).items():
            any_bits, *known = self._sql.execute(f"SELECT bit_or({bits}){counts} FROM core_rows WHERE source_no = ?",
                                                 [source]).fetchone() or (None,)
            if any_bits is None:
                continue
            masked = {channel for channel, place in places.items() if (any_bits >> place) & 1}
            having = {channel for channel, count in zip(places, known, strict=True) if count} | masked
            found.append((logger, source, [channel for channel in CHANNELS if channel in having], masked))
        return found

    def _modulus(self, site_id: str, logger: str) -> float | None:
        found = self._sql.execute("SELECT totaliser_modulus_m3 FROM core_loggers WHERE site_id = ? AND logger = ?",
                                  [site_id, logger]).fetchone()
        return None if found is None else found[0]

    # -- corrections

    def corrections(self, site_id: str | None = None) -> list[Correction]:
        """Return the corrections in force, all or of one site."""
        frame = self._frame("SELECT * FROM core_corrections ORDER BY site_id, from_utc, kind, author, reason")
        made = [Correction.from_row(row) for row in frame.to_dict("records")]
        return [item for item in made if site_id in (None, item.site_id)]

    def replace_corrections(self, corrections: Sequence[Correction]) -> None:
        """Let these corrections be the whole layer; raw files and readings stay as they are."""
        frame = corrections_frame(corrections)
        with self.transaction() as sql:
            sql.execute("DELETE FROM core_corrections")
            if len(frame):
                sql.register("given_corrections", frame)
                sql.execute("INSERT INTO core_corrections BY NAME SELECT * FROM given_corrections")
                sql.unregister("given_corrections")

    # -- results

    def write_diagnosis(self, diagnosis: SiteDiagnosis, *, software: str = "", inputs_digest: str = "",
                        kept: KeptNight | None = None) -> None:
        """
        Replace the results of one site, all tables in one transaction.

        They are kept with the software and the digest of the inputs that made them; both are found out where not given.
        `kept` is what the next night may go on from; whatever an earlier night left goes.
        """
        inputs_digest = inputs_digest or self.inputs_digest(diagnosis.site_id)
        with self.transaction() as sql:
            write_diagnosis(sql, diagnosis, software=software or _software(), inputs_digest=inputs_digest,
                            made_at=datetime.now(UTC))
            sql.execute("DELETE FROM kept_nights WHERE site_id = ?", [diagnosis.site_id])
            if kept is not None:
                keep_night(sql, kept)

    def append_days(self, added: "Sequence[NewDay]", kept: KeptNight, *, after: date, after_utc: datetime,
                    software: str, inputs_digest: str) -> None:
        """Put new days below the results of one site, in the place of any later than `after`, in one transaction."""
        with self.transaction() as sql:
            append_days(sql, kept.site_id, added, after=after, after_utc=after_utc, software=software,
                        inputs_digest=inputs_digest, made_at=datetime.now(UTC))
            keep_night(sql, kept)

    def kept_night(self, site_id: str, software: str) -> KeptNight | None:
        """Return what the next night of a site may go on from, or None."""
        return kept_night(self._sql, site_id, software)

    def rows_until(self, site_id: str, ends: Sequence[datetime]) -> StoredRows:
        """Return what there is of stored rows of a site, with a digest up to each of some moments."""
        present = self._present_channels(site_id, self.channel_places())
        channels = sorted({channel for _, _, having, _ in present for channel in having})
        loggers = [(logger, having, self._modulus(site_id, logger)) for logger, _, having, _ in present]
        changes = [item.model_dump_json() for item in self.corrections(site_id)]
        rules = repr((loggers, changes, self.wells().get(site_id)))
        return rows_until(self._sql, sorted(source for _, source, _, _ in present), channels, ends, rules)

    def reads_in_parts(self, site_id: str) -> bool:
        """Tell whether a few days read alone are those of the whole: one logger, true clock, level as logged."""
        shifted = self._sql.execute("SELECT count(*) FROM core_corrections WHERE site_id = ? AND kind = 'shift_clock'",
                                    [site_id]).fetchone()
        return len(self.sources(site_id)) == 1 and shifted == (0,) and site_id not in self.wells()

    def inputs_digest(self, site_id: str) -> str:
        """Return a digest of the raw files a site's readings come from, how they were read, and the corrections."""
        rows = self._sql.execute("SELECT sha256, read_as FROM raw_files WHERE list_contains(site_ids, ?) AND status = "
                                 "'read' ORDER BY ALL", [site_id]).fetchall()
        layers = [item.model_dump_json() for item in self.corrections(site_id)]
        layers += [str(well) for name, well in self.wells().items() if name == site_id]
        return hashlib.sha256(json.dumps([rows, layers]).encode()).hexdigest()

    def made_by(self, site_id: str) -> tuple[datetime, str, str] | None:
        """Return when a site's results were made, by which software, from which inputs."""
        found = self._sql.execute("SELECT made_at_utc, software, inputs_digest FROM out_diagnoses WHERE site_id = ?",
                                  [site_id]).fetchone()
        return None if found is None else (found[0].replace(tzinfo=UTC), found[1], found[2])

    def read_diagnosis(self, site_id: str) -> SiteDiagnosis | None:
        """Return the results of one site as they were written, or None where there are none."""
        return read_diagnosis(self._sql, site_id)

    def findings(self, site_id: str | None = None) -> list[Finding]:
        """Return findings, of all sites or one, in the order of water lost."""
        rows = self._sql.execute("SELECT site_id, record FROM out_findings ORDER BY water_lost_m3_day DESC, site_id, "
                                 "place").fetchall()
        return [Finding.model_validate(json.loads(record)) for site, record in rows if site_id in (None, site)]

    # -- what was run

    def note_run(self, what: str, started: datetime, says: str, record: dict[str, Any] | None = None,
                 software: str = "") -> None:
        """Write one line of the run log."""
        with self.transaction() as sql:
            sql.execute("INSERT INTO run_log VALUES (?, ?, ?, ?, ?, ?)",
                        [started.astimezone(UTC).replace(tzinfo=None), datetime.now(UTC).replace(tzinfo=None), what,
                         software, says, json.dumps(record or {}, default=str)])

    def runs(self) -> pd.DataFrame:
        """Return the run log, latest first."""
        return self._frame("SELECT * FROM run_log ORDER BY started_utc DESC")


def _software() -> str:
    try:
        return f"liftledger {version('liftledger')}"
    except PackageNotFoundError:
        return "liftledger, not installed"


def _mask_sql(place: int, has_bits: bool) -> str:
    """Return the expression for one channel's mask."""
    if not has_bits:
        return _NO_BITS
    return "(" + " | ".join(f"(({name} >> {place}) & 1) * {int(mask)}" for name, mask in MASK_COLUMNS.items()) + (
        ")::USMALLINT")
