"""
Files that are not lines of text, brought to lines: spreadsheets, XML and JSON records, whole in memory.

Cells are parted by the ASCII unit separator. The line number of a spreadsheet's cell is its row; of an XML or JSON
record it is 1 + its place in the file, as line 1 holds the names. Formulas are never worked out: a cell is the value
that was saved with it.
"""

import io
import json
import xml.etree.ElementTree as ElementTree
import zipfile
from collections.abc import Iterable, Iterator
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from pipelines.errors import HostileFileError, LoggerFileError
from pipelines.ingest.limits import IngestLimits
from pipelines.ingest.profile import LoggerProfile
from pipelines.ingest.text_parts import TextPart, text_parts

DOCUMENT_FORMATS = ("spreadsheet", "xml", "json")
SEPARATOR = "\x1f"
_NOT_IN_A_CELL = str.maketrans({"\n": " ", "\r": " ", SEPARATOR: " ", "\x00": "\ufffd"})


def document_parts(path: Path, label: str, profile: LoggerProfile,
                   limits: IngestLimits) -> tuple[Iterable[TextPart], LoggerProfile]:
    """Return the records of a document as lines, and the profile that reads these lines."""
    lines = {"spreadsheet": _spreadsheet_lines, "xml": _xml_lines, "json": _json_lines}[profile.format](
        path, label, profile, limits)
    changes: dict[str, Any] = {"format": "delimited", "delimiter": SEPARATOR, "quote": ""}
    if profile.format != "spreadsheet":
        changes |= {"preamble_lines": 0, "header_starts_with": "", "header_lines": 1, "lines_after_header": 0,
                    "columns": [], "section_starts_with": "", "section_ends_with": "", "trailer_starts_with": "",
                    "comment": "", "lines_per_record": 1}
    return _in_parts(lines, limits), profile.model_copy(update=changes)


def _in_parts(lines: Iterator[list[str]], limits: IngestLimits) -> Iterator[TextPart]:
    first_line, held, size, count = 1, [], 0, 0
    for cells in lines:
        line = SEPARATOR.join(cells)
        held.append(line)
        size += len(line) + 1
        count += 1
        if size > limits.part_chars:
            yield TextPart("", first_line, "\n".join(held) + "\n", False, True)
            first_line, held, size = first_line + count, [], 0
            count = 0
    yield TextPart("", first_line, "\n".join(held) + "\n", True, True)


def _clean(value: Any) -> str:
    return "" if value is None else str(value).translate(_NOT_IN_A_CELL).strip()


# -- spreadsheets

def _spreadsheet_lines(path: Path, label: str, profile: LoggerProfile, limits: IngestLimits) -> Iterator[list[str]]:
    try:
        from openpyxl import load_workbook
    except ImportError as error:
        raise LoggerFileError("is a spreadsheet, and the library that reads it is not installed.", file=label,
                              mend="Install openpyxl, or export the sheet as CSV.") from error
    _refuse_unfit_package(path, label, limits)
    try:
        with path.open("rb") as stream:
            book = load_workbook(stream, read_only=True, data_only=True, keep_links=False)
            if profile.sheet and profile.sheet not in book.sheetnames:
                raise LoggerFileError(f"has no sheet '{profile.sheet}'; it has {', '.join(book.sheetnames)}.",
                                      file=label, mend="Set `sheet` in the profile.")
            sheet = book[profile.sheet] if profile.sheet else book.worksheets[0]
            width = 0
            for row in sheet.iter_rows(values_only=True, max_col=limits.max_columns):
                filled = max((place + 1 for place, value in enumerate(row) if value is not None), default=0)
                width = max(width, filled)      # cells left empty at the end of a row are cells all the same
                yield [_spreadsheet_cell(value, profile) for value in row[:width]]
            book.close()
    except LoggerFileError:
        raise
    except Exception as error:      # the library raises whatever its parts raise on a damaged file
        raise LoggerFileError("cannot be read as a spreadsheet: it is damaged or not whole.", file=label,
                              mend="Open it, save it as .xlsx again, or export the sheet as CSV.") from error


def sheet_names(path: Path, label: str, limits: IngestLimits) -> list[str]:
    """Return the names of a workbook's sheets of cells."""
    from openpyxl import load_workbook

    _refuse_unfit_package(path, label, limits)
    try:
        with path.open("rb") as stream:
            book = load_workbook(stream, read_only=True, data_only=True, keep_links=False)
            names = [sheet.title for sheet in book.worksheets]
            book.close()
    except Exception as error:      # the library raises whatever its parts raise on a damaged file
        raise LoggerFileError("cannot be read as a spreadsheet: it is damaged or not whole.", file=label,
                              mend="Open it, save it as .xlsx again, or export the sheet as CSV.") from error
    return names


def _refuse_unfit_package(path: Path, label: str, limits: IngestLimits) -> None:
    try:
        with zipfile.ZipFile(path) as package:
            unpacked = sum(item.file_size for item in package.infolist())
            names = set(package.namelist())
    except (zipfile.BadZipFile, OSError) as error:
        raise LoggerFileError("is not an .xlsx file.", file=label, mend="Old .xls and .ods files have to be saved as "
                              ".xlsx or CSV first.") from error
    if "xl/workbook.xml" not in names:
        raise LoggerFileError("is not an .xlsx file.", file=label, mend="Save it as .xlsx or CSV.")
    if unpacked > limits.max_document_bytes or (
            unpacked > 10_000_000 and unpacked / max(path.stat().st_size, 1) > limits.max_unpacking_ratio):
        raise HostileFileError(f"unpacks to {unpacked / 1e6:.0f} MB.", file=label,
                               mend="If it is honest, raise max_document_bytes under [thresholds] in fleet.toml, or "
                               "export CSV.")


def _spreadsheet_cell(value: Any, profile: LoggerProfile) -> str:
    if isinstance(value, bool):
        return "1" if value else "0"
    if isinstance(value, datetime | date | time):
        return value.isoformat(sep=" ") if isinstance(value, datetime) else value.isoformat()
    if isinstance(value, int | float):
        written = repr(value)
        return written.replace(".", ",") if profile.decimal == "," else written
    return _clean(value)


# -- XML and JSON

def _whole_text(path: Path, label: str, profile: LoggerProfile, limits: IngestLimits) -> str:
    held = io.StringIO()
    for part in text_parts(path, profile, limits):
        held.write(part.text)
        if held.tell() > limits.max_document_bytes:
            raise HostileFileError(f"is longer than {limits.max_document_bytes / 1e6:.0f} MB.", file=label,
                                   mend="Split it, or raise max_document_bytes under [thresholds] in fleet.toml.")
    return held.getvalue()


def _table(records: Iterable[dict[str, str]]) -> Iterator[list[str]]:
    """Yield a line of names, then one line a record; the names are those of all records."""
    held = list(records)
    names: dict[str, None] = {}
    for record in held:
        names.update(dict.fromkeys(record))
    yield [name.translate(_NOT_IN_A_CELL) for name in names]
    for record in held:
        yield [record.get(name, "") for name in names]


def _xml_lines(path: Path, label: str, profile: LoggerProfile, limits: IngestLimits) -> Iterator[list[str]]:
    whole = _whole_text(path, label, profile, limits)
    if "<!DOCTYPE" in whole or "<!ENTITY" in whole:
        raise HostileFileError("declares entities, which logger files have no need of.", file=label,
                               mend="Export it again without a document type.")
    try:
        root = ElementTree.fromstring(whole)  # noqa: S314 - a document type was refused above
    except ElementTree.ParseError as error:
        raise LoggerFileError(f"is not whole XML: {error}.", file=label, mend="It may have been cut short; fetch it "
                              "again.") from error

    def local(tag: object) -> str:
        return str(tag).rsplit("}", 1)[-1]

    def record(element: ElementTree.Element) -> dict[str, str]:
        cells = {f"@{key}": _clean(value) for key, value in element.attrib.items()}
        for child in element:
            name = local(child.tag)
            if len(child):
                cells |= {f"{name}/{key}": value for key, value in record(child).items()}
            else:
                cells |= {name: _clean(child.text)}
                cells |= {f"{name}/@{key}": _clean(value) for key, value in child.attrib.items()}
        return cells

    found = [element for element in root.iter() if local(element.tag) == profile.records]
    if not found:
        raise LoggerFileError(f"holds no element '{profile.records}'.", file=label,
                              mend="Set `records` in the profile.")
    yield from _table(record(element) for element in found)


def _json_lines(path: Path, label: str, profile: LoggerProfile, limits: IngestLimits) -> Iterator[list[str]]:
    try:
        whole = json.loads(_whole_text(path, label, profile, limits), parse_float=str, parse_int=str,
                           parse_constant=str)
        keys = profile.records.split("/")
        found = list(_json_records(whole, keys, 0, {}, profile.record_keys))
    except json.JSONDecodeError as error:
        raise LoggerFileError(f"is not whole JSON: {error.msg}.", file=label, line=error.lineno,
                              mend="It may have been cut short; fetch it again.") from error
    except RecursionError as error:
        raise HostileFileError("is nested deeper than any logger file.", file=label) from error
    if not found:
        raise LoggerFileError(f"holds nothing at '{profile.records}'.", file=label,
                              mend="Set `records` in the profile.")
    yield from _table(found)


def _json_records(node: Any, keys: list[str], depth: int, above: dict[str, Any],
                  wanted: list[str]) -> Iterator[dict[str, str]]:
    if isinstance(node, list):
        for item in node:
            yield from _json_records(item, keys, depth, above, wanted)
    elif depth == len(keys):
        yield {**{key: _json_above(above, key) for key in wanted}, **_flat(node)}
    elif isinstance(node, dict):
        here = {**above, "/".join(keys[:depth]): node}
        yield from _json_records(node.get(keys[depth]), keys, depth + 1, here, wanted)


def _json_above(above: dict[str, Any], key: str) -> str:
    """Find a value beside the way to the rows: the longest part of its path that was passed, then down."""
    parts = key.split("/")
    for cut in range(len(parts), -1, -1):
        if (node := above.get("/".join(parts[:cut]))) is not None:
            for part in parts[cut:]:
                while isinstance(node, list):
                    node = node[0] if node else None
                node = node.get(part) if isinstance(node, dict) else None
            while isinstance(node, list):
                node = node[0] if node else None
            return "" if isinstance(node, dict) else _clean(node)
    return ""


def _flat(node: Any, before: str = "") -> dict[str, str]:
    if not isinstance(node, dict):
        if isinstance(node, list):
            return {before or "value": "|".join(_clean(item) for item in node if not isinstance(item, dict | list))}
        return {before or "value": _clean(node)}
    cells: dict[str, str] = {}
    for key, value in node.items():
        cells |= _flat(value, f"{before}/{key}" if before else str(key))
    return cells
