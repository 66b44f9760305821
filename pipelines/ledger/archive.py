"""The archive: raw files unchanged, each under its SHA-256, written whole or not at all."""

import hashlib
import os
import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path

from pipelines.errors import LedgerError

BLOCK = 1 << 20
MANY_FILES = 16


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file's content."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


class Archive:
    """A folder of raw files, two letters of the digest as sub-folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def place(self, sha256: str) -> Path:
        """Return where a content stands, whether it is there or not."""
        return self.folder / sha256[:2] / sha256

    def keep(self, source: Path, *, durable: bool = True) -> tuple[str, int]:
        """
        Copy a file in and return its digest and size; a content already there is left alone.

        The copy is written beside its place under a name of its own, synced, and only then renamed: a crash leaves a
        stray part file that the next run clears away, never half a raw file under a digest. With `durable` False the
        caller syncs many files at once before anything refers to them.
        """
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            part = self.folder / f"part-{os.getpid()}-{abs(hash(str(source))):x}"
            digest, size = hashlib.sha256(), 0
            with source.open("rb") as taken, part.open("wb") as kept:
                while block := taken.read(BLOCK):
                    digest.update(block)
                    kept.write(block)
                    size += len(block)
                if durable:
                    kept.flush()
                    os.fsync(kept.fileno())
            sha256 = digest.hexdigest()
            target = self.place(sha256)
            if target.exists() and target.stat().st_size == size:
                part.unlink()
            else:
                target.parent.mkdir(exist_ok=True)
                part.replace(target)
            return sha256, size
        except FileNotFoundError:
            raise
        except OSError as error:
            raise LedgerError(f"raw file cannot be archived: {error.strerror or error}.", file=self.folder,
                              mend="Free disk space or give write access to the ledger folder; nothing is lost, "
                              "run again.") from error

    def sync(self, sha256s: Sequence[str]) -> None:
        """Make archived files and their names durable before the ledger refers to them."""
        if len(sha256s) > MANY_FILES and hasattr(os, "sync"):
            os.sync()       # one wait for all instead of one for each
            return
        for place in {path for sha256 in sha256s for path in (self.place(sha256), self.place(sha256).parent)}:
            handle = os.open(place, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)

    def clear_parts(self) -> None:
        """Remove what a crash left half-written."""
        if self.folder.is_dir():
            for part in self.folder.glob("part-*"):
                part.unlink(missing_ok=True)

    def contents(self) -> Iterator[tuple[str, Path]]:
        """Yield digest and place of everything kept."""
        if self.folder.is_dir():
            for path in sorted(self.folder.glob("??/*")):
                yield path.name, path

    def drop(self, sha256: str) -> None:
        """Forget a content that a longer one holds whole."""
        self.place(sha256).unlink(missing_ok=True)

    def copy_to(self, folder: Path) -> int:
        """Copy everything not yet there into another archive folder; return how many files were copied."""
        copied = 0
        for sha256, path in self.contents():
            target = folder / sha256[:2] / sha256
            if not target.exists():
                target.parent.mkdir(parents=True, exist_ok=True)
                part = target.with_suffix(".part")
                shutil.copyfile(path, part)
                part.replace(target)
                copied += 1
        return copied
