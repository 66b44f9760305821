"""Where the results of one fleet go, and the guard that keeps two fleets out of one folder."""

import os
from dataclasses import dataclass
from pathlib import Path

from pipelines.errors import OutFolderError

_MADE_FROM = "made-from.txt"


@dataclass(frozen=True, slots=True)
class OutFolder:
    """The out folder of one fleet; nothing is written before `claim`."""

    root: Path

    @classmethod
    def of(cls, fleet_folder: Path, out: Path | None = None) -> "OutFolder":
        """Return the folder asked for, or `liftledger-out` beside the fleet folder."""
        return cls((out if out is not None else fleet_folder.resolve().parent / "liftledger-out").resolve())

    @property
    def ledger_folder(self) -> Path:
        """Return the folder of the ledger and its archive of raw files."""
        return self.root / "ledger"

    @property
    def pages_folder(self) -> Path:
        """Return the folder of the pages."""
        return self.root / "pages"

    @property
    def fleet_page(self) -> Path:
        """Return the page that everything is reached from."""
        return self.pages_folder / "index.html"

    @property
    def outbox(self) -> Path:
        """Return the folder in which letters wait to be sent."""
        return self.root / "outbox"

    def site_page(self, site_id: str) -> Path:
        """Return the page of one site."""
        return self.pages_folder / "sites" / f"{site_id}.html"

    def claim(self, fleet_folder: Path) -> None:
        """
        Mark the folder as this fleet's, or refuse where it already holds another's.

        The way from the out folder to the fleet folder is what is remembered, so both may be moved together.
        """
        if self.root.exists() and not self.root.is_dir():
            raise OutFolderError(f"{self.root} is a file. Give a folder with --out.")
        self.root.mkdir(parents=True, exist_ok=True)
        way = _way(self.root, fleet_folder.resolve())
        mark = self.root / _MADE_FROM
        if mark.is_file():
            before = mark.read_text(encoding="utf-8").strip()
            if before != way:
                raise OutFolderError(
                    f"{self.root} holds the results of another fleet folder ({before}), not of {way}. Give another "
                    f"folder with --out, or delete {_MADE_FROM} in it if it is the same fleet under a new path.")
            return
        write_text(mark, way + "\n")


def _way(start: Path, goal: Path) -> str:
    try:
        return Path(os.path.relpath(goal, start)).as_posix()
    except ValueError:                                          # another drive letter: there is no relative way
        return goal.as_posix()


def write_text(path: Path, text: str) -> None:
    """Write a whole file or nothing: a crash leaves the old file, never half of the new one."""
    write_bytes(path, text.encode("utf-8"))


def write_bytes(path: Path, content: bytes) -> None:
    """Write a whole file or nothing, and leave it alone where it already says the same."""
    if path.is_file() and path.stat().st_size == len(content) and path.read_bytes() == content:
        return
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_bytes(content)
        part.replace(path)
    except OSError:
        part.unlink(missing_ok=True)
        raise
