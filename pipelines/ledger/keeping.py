"""Export, backup, restore and verification: what is in the ledger can be shown, carried away and proved."""

import hashlib
import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from pipelines.errors import LedgerDamagedError, LedgerError
from pipelines.ledger.archive import Archive, sha256_of
from pipelines.ledger.store import FILE_NAME, Ledger

if TYPE_CHECKING:
    from pipelines.fleet import Fleet


def _parts_of_export(ledger: Ledger) -> Iterator[tuple[str, bytes]]:
    """Yield name and bytes of each file of an export, the same for the same readings however they arrived."""
    for site_id in ledger.sites():
        readings = ledger.read_site(site_id)
        table = readings.values.join(readings.masks.add_suffix("__mask"))
        table.insert(0, "interval_s", readings.interval_s)
        yield f"readings/{site_id}.csv", table.to_csv(date_format="%Y-%m-%dT%H:%M:%S.%fZ",
                                                      lineterminator="\n").encode()
        conflicts = ledger.conflicts(site_id)
        if len(conflicts):
            ordered = conflicts.sort_values(["interval_end_utc", "channel", "sha256", "line"], kind="stable")
            yield f"conflicts/{site_id}.csv", ordered.to_csv(index=False, lineterminator="\n").encode()
    quarantine = ledger.sql.execute(
        "SELECT f.sha256, q.member, q.line, q.column_name, q.value, q.rule FROM raw_quarantine q "
        "JOIN raw_files f USING (file_no) ORDER BY ALL").df()
    for column in ("member", "column_name", "value"):       # text from outside must not be worked out by a spreadsheet
        quarantine[column] = quarantine[column].str.replace(r"^([=+\-@\t\r])", r"'\1", regex=True)
    yield "quarantine.csv", quarantine.to_csv(index=False, lineterminator="\n").encode()


def export_digest(ledger: Ledger) -> str:
    """Return the SHA-256 over an export; equal for equal readings, whatever the order in which files arrived."""
    digest = hashlib.sha256()
    for name, content in _parts_of_export(ledger):
        digest.update(f"{name} {len(content)}\n".encode())
        digest.update(content)
    return digest.hexdigest()


def export(ledger: Ledger, folder: Path) -> list[Path]:
    """Write all readings, conflicts and the quarantine as CSV files; return what was written."""
    written = []
    for name, content in _parts_of_export(ledger):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        written.append(path)
    return written


def backup(ledger: Ledger, folder: Path) -> int:
    """
    Copy the ledger and its archive into a folder; return how many raw files were new there.

    A folder that holds an older backup is brought up to date: the archive grows, the database is exchanged at once.
    """
    if folder.resolve() == ledger.folder.resolve():
        raise LedgerError("a backup cannot lie in the ledger's own folder.", file=folder, mend="Name another folder.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        copied = ledger.archive.copy_to(folder / "archive")
        part = folder / f"{FILE_NAME}.part"
        part.unlink(missing_ok=True)
        name = str(part).replace("'", "''")
        source = ledger.sql.execute("SELECT current_database()").fetchone()
        ledger.sql.execute(f"ATTACH '{name}' AS backup_copy")
        try:
            ledger.sql.execute(f'COPY FROM DATABASE "{source[0] if source else ""}" TO backup_copy')
        finally:
            ledger.sql.execute("DETACH backup_copy")
        part.replace(folder / FILE_NAME)
    except OSError as error:
        raise LedgerError(f"the backup cannot be written: {error.strerror or error}.", file=folder,
                          mend="Free space there or name another folder; the ledger itself is untouched.") from error
    return copied


def restore(backup_folder: Path, folder: Path, *, before_writing: Callable[[], None] | None = None) -> None:
    """
    Bring a backup back; a ledger that stands in the folder is moved aside, never overwritten.

    The backup is looked through first: one that is not sound is refused before `before_writing` is called and anything
    is written.
    """
    if not (backup_folder / FILE_NAME).is_file():
        raise LedgerError("holds no backup of a ledger.", file=backup_folder, mend="Name the folder of the backup.")
    damaged = damaged_raw_files(Archive(backup_folder / "archive"))
    if damaged:
        raise LedgerDamagedError(f"{len(damaged)} raw file(s) of the backup are not what their name says.",
                                 file=backup_folder, mend="Use another backup.")
    with Ledger(backup_folder, read_only=True):
        pass
    if before_writing is not None:
        before_writing()
    part = folder.with_name(f"{folder.name}.restoring")
    shutil.rmtree(part, ignore_errors=True)
    try:
        part.mkdir(parents=True)
        shutil.copyfile(backup_folder / FILE_NAME, part / FILE_NAME)
        Archive(backup_folder / "archive").copy_to(part / "archive")
        if folder.exists():
            aside = folder.with_name(f"{folder.name}.before-restore")
            number = 1
            while aside.exists():
                number += 1
                aside = folder.with_name(f"{folder.name}.before-restore-{number}")
            folder.rename(aside)
        part.rename(folder)
    except OSError as error:
        shutil.rmtree(part, ignore_errors=True)
        raise LedgerError(f"the backup cannot be brought back: {error.strerror or error}.", file=folder,
                          mend="Free space there; the backup is untouched.") from error


def damaged_raw_files(archive: Archive) -> list[str]:
    """Return the digests under which something else is stored."""
    return [sha256 for sha256, path in archive.contents() if sha256_of(path) != sha256]


@dataclass
class Verification:
    """What a verification found; empty lists and equal digests mean that all is well."""

    damaged: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    differing_sites: list[str] = field(default_factory=list)
    files: int = 0
    messages: list[str] = field(default_factory=list)

    @property
    def is_sound(self) -> bool:
        """Tell whether the ledger is what its archive says."""
        return not (self.damaged or self.missing or self.differing_sites)


def verify(ledger: Ledger, fleet: "Fleet") -> Verification:
    """Check every raw file against its digest, rebuild the readings from the archive, and compare."""
    from pipelines.ingest.rebuild import rebuild

    found = Verification(damaged=damaged_raw_files(ledger.archive))
    rows = ledger.sql.execute("SELECT file_no, sha256, path, status FROM raw_files ORDER BY file_no").fetchall()
    found.files = len(rows)
    kept = {sha256 for sha256, _ in ledger.archive.contents()}
    found.missing = [path for _, sha256, path, status in rows if sha256 not in kept and status != "superseded"]
    for sha256 in found.damaged:
        found.messages.append(f"archive/{sha256[:2]}/{sha256} holds something else; restore it from a backup.")
    for path in found.missing:
        found.messages.append(f"{path}: its raw file is gone from the archive; put it back into logs/ and ingest.")
    if found.damaged or found.missing:
        return found
    with tempfile.TemporaryDirectory(prefix="liftledger-verify-") as scratch, Ledger(Path(scratch) / "ledger") as again:
        rebuild(ledger, fleet, again, Path(scratch) / "names")
        for site_id in sorted({*ledger.sites(), *again.sites()}):
            if not _same(ledger, again, site_id):
                found.differing_sites.append(site_id)
                found.messages.append(f"{site_id}: the readings are not those that its raw files give now; if a "
                                      "profile or site sheet was changed, ingest again.")
    return found


def _same(one: Ledger, other: Ledger, site_id: str) -> bool:
    first, second = one.read_site(site_id), other.read_site(site_id)
    return bool(first.values.equals(second.values) and first.masks.equals(second.masks)
                and pd.Series.equals(first.interval_s, second.interval_s))
