"""The top of a file: where its header stands, which columns it names, where the data begin."""

import csv
import re
from dataclasses import dataclass

from pipelines.errors import HostileFileError, LoggerFileError
from pipelines.ingest.cell_sql import Layout
from pipelines.ingest.limits import IngestLimits
from pipelines.ingest.profile import LoggerProfile

LINES_LOOKED_AT = 20_000


@dataclass(frozen=True, slots=True)
class Head:
    """What the lines before the data say."""

    layout: Layout
    data_from: int
    header_parts: tuple[tuple[str, int], ...]
    lines: tuple[str, ...]
    unknown_columns: tuple[str, ...]
    missing_columns: tuple[str, ...]


def read_head(text: str, profile: LoggerProfile, limits: IngestLimits, file: str) -> Head:
    """Find header and data in the first part of a file; raises LoggerFileError where the profile does not fit."""
    lines = text.split("\n", LINES_LOOKED_AT)[:LINES_LOOKED_AT]
    header_at = _header_place(lines, profile, file)
    written = tuple(_header_cells(lines[header_at], profile, file)) if header_at is not None else ()
    columns = tuple(profile.columns) or _distinct(written)
    if len(columns) > limits.max_columns:
        raise HostileFileError(f"has {len(columns)} columns, above the limit of {limits.max_columns}.", file=file,
                               mend="Check the profile's delimiter, or raise max_columns under [thresholds] in "
                               "fleet.toml.")
    data_from = (header_at + 2 + profile.lines_after_header if header_at is not None
                 else _first_data_line(lines, profile, file))
    missing = _missing_columns(columns, profile, header_at, file)
    wanted = profile.wanted_columns
    unknown = () if "*" in profile.ignored_columns else tuple(
        column for column in columns if column not in wanted and column not in profile.ignored_columns)
    top = lines[:max(data_from - 1, 0)]
    repeated = tuple(line for line in top[-(1 + profile.lines_after_header + 4):] if line.strip()) if header_at else ()
    if header_at is not None and not repeated:
        repeated = tuple(line for line in lines[header_at:data_from - 1] if line.strip())
    return Head(layout=Layout(columns), data_from=data_from,
                header_parts=_header_parts("\n".join(top), profile, file), lines=repeated,
                unknown_columns=unknown, missing_columns=missing)


def _header_place(lines: list[str], profile: LoggerProfile, file: str) -> int | None:
    if profile.header_starts_with:
        for place, line in enumerate(lines):
            if line.lstrip().startswith(profile.header_starts_with):
                return place
        raise LoggerFileError(f"has no line that starts with '{profile.header_starts_with}'.", file=file,
                              mend=f"Is profile '{profile.key}' the right one for this file?")
    if not profile.header_lines:
        return None
    if profile.preamble_lines >= len(lines) or not any(line.strip() for line in lines):
        raise LoggerFileError("is empty, or ends before its header.", file=file,
                              mend="Nothing was lost if the logger has only just been started.")
    return profile.preamble_lines


def _first_data_line(lines: list[str], profile: LoggerProfile, file: str) -> int:
    if profile.section_starts_with:
        for place, line in enumerate(lines):
            if line.startswith(profile.section_starts_with):
                return place + 2
        raise LoggerFileError(f"has no line that starts with '{profile.section_starts_with}'.", file=file,
                              mend=f"Is profile '{profile.key}' the right one for this file?")
    return profile.preamble_lines + profile.lines_after_header + 1


def _header_cells(line: str, profile: LoggerProfile, file: str) -> list[str]:
    if profile.format == "whitespace":
        return line.split()
    if profile.format == "fixed_width":
        starts = [sum(profile.widths[:place]) for place in range(len(profile.widths))]
        return [line[start:start + width].strip() for start, width in zip(starts, profile.widths, strict=True)]
    if not profile.quote:
        return [cell.strip() for cell in line.split(profile.delimiter)]
    try:
        cells = next(csv.reader([line], delimiter=profile.delimiter, quotechar=profile.quote), [])
    except csv.Error as error:      # a line end inside the line, a cell without end
        raise LoggerFileError(f"has a header that is no row of cells: {error}.", file=file,
                              mend=f"Is profile '{profile.key}' the right one for this file?") from error
    return [cell.strip() for cell in cells]


def _distinct(cells: tuple[str, ...]) -> tuple[str, ...]:
    """Name columns without a name by their place, and a repeated name by its count: "Temp", "Temp (2)"."""
    last = max((place for place, cell in enumerate(cells) if cell), default=-1)
    seen: dict[str, int] = {}
    names = []
    for place, cell in enumerate(cells[:last + 1]):
        called = cell or f"column {place + 1}"
        seen[called] = seen.get(called, 0) + 1
        names.append(called if seen[called] == 1 else f"{called} ({seen[called]})")
    return tuple(names)


def _missing_columns(columns: tuple[str, ...], profile: LoggerProfile, header_at: int | None,
                     file: str) -> tuple[str, ...]:
    needed = [*profile.time.columns, *profile.time.parts.values(), profile.site.column]
    if profile.long is not None:
        needed += [profile.long.name_column or "", profile.long.value_column]
    absent = [column for column in needed if column and column not in columns]
    channels = [] if profile.long is not None else [column for column in profile.channels if column not in columns]
    if absent or (channels and len(channels) == len(profile.channels)):
        line = None if header_at is None else header_at + 1
        raise LoggerFileError(f"lacks column(s) {', '.join(repr(item) for item in absent or channels)}; it has "
                              f"{', '.join(repr(item) for item in columns[:40]) or 'none'}.", file=file, line=line,
                              mend=f"Is profile '{profile.key}' the right one, with the right delimiter "
                              f"{profile.delimiter!r} and header line?")
    return tuple(channels)


def _header_parts(top: str, profile: LoggerProfile, file: str) -> tuple[tuple[str, int], ...]:
    if not profile.time.header_pattern:
        return ()
    match = re.search(profile.time.header_pattern, f"{file}\n{top}", re.MULTILINE)
    if not match:
        raise LoggerFileError("does not show its date where time.header_pattern looks for it.", file=file,
                              mend="Compare the pattern with the lines before the data.")
    return tuple(sorted((role, int(value)) for role, value in match.groupdict().items() if value is not None))
