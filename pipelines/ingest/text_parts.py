"""From a file's bytes to text in parts that fit in memory: unpacked, decoded, cut at line ends, within limits."""

import fnmatch
import gzip
import io
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from pipelines.errors import HostileFileError, LoggerFileError
from pipelines.ingest.limits import IngestLimits
from pipelines.ingest.profile import LoggerProfile

GZIP_MAGIC, ZIP_MAGIC = b"\x1f\x8b", b"PK\x03\x04"
PACKED_MAGICS = (GZIP_MAGIC, ZIP_MAGIC, b"BZh", b"\xfd7zXZ", b"7z\xbc\xaf", b"Rar!", b"\x28\xb5\x2f\xfd")
REPLACED = "\ufffd"


@dataclass(frozen=True, slots=True)
class TextPart:
    """A run of whole lines of one file, or of one member of a zip file; lines are counted from 1."""

    member: str
    first_line: int
    text: str
    is_last: bool
    is_terminated: bool


class _Metered(io.RawIOBase):
    """Byte stream that counts what comes out of a packed file and stops a bomb."""

    def __init__(self, source: IO[bytes], packed_bytes: int, limits: IngestLimits, path: Path) -> None:
        self._source, self._packed, self._limits, self._path = source, max(packed_bytes, 1), limits, path
        self._count = 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        block = self._source.read(len(buffer))
        self._count += len(block)
        if self._count > self._limits.max_unpacked_bytes or (
                self._count > 10_000_000 and self._count / self._packed > self._limits.max_unpacking_ratio):
            raise HostileFileError(f"unpacks to more than {self._count / 1e6:.0f} MB from {self._packed / 1e6:.2f} MB.",
                                   file=self._path, mend="If the file is honest, raise max_unpacking_ratio or "
                                   "max_unpacked_bytes under [thresholds] in fleet.toml.")
        buffer[:len(block)] = block
        return len(block)


def text_parts(path: Path, profile: LoggerProfile, limits: IngestLimits) -> Iterator[TextPart]:
    """Yield the text of a file in parts; raises LoggerFileError where the file cannot be read as text."""
    try:
        for member, stream in _streams(path, profile, limits):
            yield from _parts_of(stream, member, path, profile, limits)
    except (zipfile.BadZipFile, zlib.error, gzip.BadGzipFile, EOFError, NotImplementedError, RuntimeError) as error:
        raise LoggerFileError(f"cannot be unpacked: {error}.", file=path, mend="The file was cut short or damaged on "
                              "its way; fetch it again.") from error
    except OSError as error:
        raise LoggerFileError(f"cannot be read: {error.strerror or error}.", file=path) from error


def _streams(path: Path, profile: LoggerProfile, limits: IngestLimits) -> Iterator[tuple[str, IO[bytes]]]:
    size = path.stat().st_size
    if size > limits.max_file_bytes:
        raise HostileFileError(f"is {size / 1e6:.0f} MB, above the limit of {limits.max_file_bytes / 1e6:.0f} MB.",
                               file=path, mend="Split it, or raise max_file_bytes under [thresholds] in fleet.toml.")
    with path.open("rb") as raw:
        magic = raw.read(6)
        raw.seek(0)
        if profile.compression == "none":
            yield "", raw
        elif magic.startswith(GZIP_MAGIC):
            with gzip.GzipFile(fileobj=raw) as packed:
                yield "", io.BufferedReader(_Metered(packed, size, limits, path), 1 << 20)
        elif magic.startswith(ZIP_MAGIC):
            yield from _zip_members(raw, size, path, profile, limits)
        elif magic.startswith(PACKED_MAGICS):
            raise LoggerFileError("is packed in a way that is not read here.", file=path,
                                  mend="Unpack it, or pack it as gz or zip.")
        else:
            yield "", raw


def _zip_members(raw: IO[bytes], size: int, path: Path, profile: LoggerProfile,
                 limits: IngestLimits) -> Iterator[tuple[str, IO[bytes]]]:
    with zipfile.ZipFile(raw) as archive:
        members = [item for item in archive.infolist() if not item.is_dir()
                   and fnmatch.fnmatch(item.filename.rsplit("/", 1)[-1], profile.member)]
        if len(members) > limits.max_archive_members:
            raise HostileFileError(f"holds {len(members)} members, above the limit of {limits.max_archive_members}.",
                                   file=path, mend="If this is honest, raise max_archive_members under [thresholds] in "
                                   "fleet.toml.")
        if not members:
            raise LoggerFileError(f"holds no member like '{profile.member}'.", file=path,
                                  mend="Set `member` in the logger profile.")
        for item in sorted(members, key=lambda entry: entry.filename):
            with archive.open(item) as packed:
                yield item.filename, io.BufferedReader(_Metered(packed, size, limits, path), 1 << 20)


def _parts_of(stream: IO[bytes], member: str, path: Path, profile: LoggerProfile,
              limits: IngestLimits) -> Iterator[TextPart]:
    buffered = stream if isinstance(stream, io.BufferedReader) else io.BufferedReader(stream)  # type: ignore[type-var]
    head = buffered.peek(4096)[:4096]
    _refuse_binary(head, path, profile)
    encoding = "utf-8-sig" if profile.encoding == "utf-8" else profile.encoding
    text = io.TextIOWrapper(buffered, encoding=encoding, errors="replace", newline=None)
    try:
        yield from _whole_lines(text, member, path, limits)
    finally:
        text.detach()


def _whole_lines(text: io.TextIOWrapper, member: str, path: Path, limits: IngestLimits) -> Iterator[TextPart]:
    rest, first_line = "", 1
    while True:
        block = text.read(limits.part_chars)
        joined = rest + block
        if not block:
            yield TextPart(member, first_line, joined.replace("\x00", REPLACED), True, not joined)
            return
        cut = joined.rfind("\n")
        if cut < 0:
            if len(joined) > limits.max_line_chars * 10 and len(joined) > limits.part_chars:
                raise HostileFileError(f"line {first_line} is longer than {len(joined) / 1e6:.0f} million characters.",
                                       file=path, line=first_line, mend="Check that this is a logger file; "
                                       "part_chars under [thresholds] in fleet.toml bounds a line.")
            rest = joined
            continue
        whole = joined[:cut + 1].replace("\x00", REPLACED)
        rest = joined[cut + 1:]
        yield TextPart(member, first_line, whole, False, True)
        first_line += whole.count("\n")


def _refuse_binary(head: bytes, path: Path, profile: LoggerProfile) -> None:
    if head.startswith(PACKED_MAGICS):
        raise LoggerFileError("holds an archive inside an archive.", file=path, mend="Unpack it once.")
    if profile.encoding == "utf-16":
        return
    control = sum(head.count(bytes([code])) for code in (*range(1, 9), 14, 15, 16, 17, 18, 19, 20, 127))
    if head and (control > len(head) * 0.02 or head.count(0) > len(head) * 0.5):
        raise LoggerFileError("is not text: it looks like a binary file.", file=path,
                              mend="Export it as text from the logger's own program, or set `encoding` in the profile.")
