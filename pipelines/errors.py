"""
The tree of errors a person can meet. Each says what, where, and how to mend it, and keeps its parts as attributes.

    ProjectError
    ├── DescriptionError        something people wrote: fleet.toml, a site sheet, equipment, service log
    │   └── ProfileError        a logger profile
    ├── LoggerFileError         a file from a logger that cannot be read as a whole
    │   └── HostileFileError    a file that passes a limit meant for files from outside
    ├── RequestError            what was asked for is not there, or cannot be done as asked
    │   ├── MomentError         a date, time or month that cannot be read
    │   └── OutFolderError      a folder for results that belongs to another fleet
    └── LedgerError             the store
        ├── LedgerBusyError     another process is writing
        ├── LedgerVersionError  made by a newer version of the program
        └── LedgerDamagedError  the store does not match its own archive, or cannot be opened

Bad readings are never errors: they are masked, or kept in the ledger's quarantine with file, line, column and rule.
"""

from pathlib import Path


class ProjectError(Exception):
    """Base of all errors meant for people: what happened, where, and the mend."""

    def __init__(self, says: str, *, file: str | Path | None = None, line: int | None = None,
                 column: str | None = None, value: object = None, mend: str = "") -> None:
        self.says, self.line, self.column, self.value, self.mend = says, line, column, value, mend
        self.file = None if file is None else str(file)
        super().__init__(str(self))

    def where(self) -> str:
        """Return the place: file, line, column; empty where none is known."""
        parts = [part for part in (self.file, None if self.line is None else f"line {self.line}",
                                   None if self.column is None else f'column "{self.column}"') if part]
        return ", ".join(parts)

    def __str__(self) -> str:
        where = self.where()
        text = f"{where}: {self.says}" if where else self.says
        return printable(f"{text} {self.mend}" if self.mend else text)


def printable(text: str) -> str:
    """Return a text with every letter that steers a terminal or turns the line around written out: \\x1b, \\u202e."""
    if text.isprintable():
        return text
    return "".join(letter if letter.isprintable() or letter == "\n" else
                   letter.encode("unicode_escape").decode("ascii") for letter in text)


def plainly(error: BaseException) -> str:
    """Return an error for people: ours as it is, one nobody foresaw as a fault of the program."""
    if isinstance(error, ProjectError):
        return str(error)
    return f"a fault of the program: {error}" if str(error) else "a fault of the program without a message"


class DescriptionError(ProjectError):
    """Something people wrote cannot be used as it stands."""


class ProfileError(DescriptionError):
    """A logger profile cannot be used as it stands."""


class LoggerFileError(ProjectError):
    """A logger file cannot be read as a whole; it stays where it is."""


class HostileFileError(LoggerFileError):
    """A file passes a limit meant for files from outside."""


class RequestError(ProjectError):
    """What was asked for is not there, or cannot be done as asked."""


class MomentError(RequestError):
    """A date, time or month that cannot be read."""


class OutFolderError(RequestError):
    """The out folder holds the results of another fleet, or cannot be used."""


class LedgerError(ProjectError):
    """The store refuses."""


class LedgerBusyError(LedgerError):
    """Another process is writing to the ledger."""


class LedgerVersionError(LedgerError):
    """The ledger was made by a newer version of the program."""


class LedgerDamagedError(LedgerError):
    """The store cannot be opened, or does not match its own archive."""
