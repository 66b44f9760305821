"""Files that are not lines of text, brought to lines: spreadsheets, XML and JSON records, whole in memory."""

from collections.abc import Iterable
from pathlib import Path

from pipelines.errors import LoggerFileError
from pipelines.ingest.limits import IngestLimits
from pipelines.ingest.profile import LoggerProfile
from pipelines.ingest.text_parts import TextPart

DOCUMENT_FORMATS = ("spreadsheet", "xml", "json")


def document_parts(path: Path, label: str, profile: LoggerProfile,
                   limits: IngestLimits) -> tuple[Iterable[TextPart], LoggerProfile]:
    """Return the records of a document as lines, and the profile that reads these lines."""
    raise LoggerFileError(f"is a {profile.format} document, which is not read yet.", file=label)
