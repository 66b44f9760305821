"""The frame of an unknown file: packing, encoding, delimiter, header, units row, trailer."""

import csv
import gzip
import json
import re
import xml.etree.ElementTree as ElementTree
import zipfile
import zlib
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipelines.errors import LoggerFileError
from pipelines.ingest.column_words import unit_word
from pipelines.ingest.describe_cells import SampleTable, is_number, is_value, looks_like_time
from pipelines.ingest.documents import SEPARATOR, document_parts, sheet_names
from pipelines.ingest.limits import IngestLimits
from pipelines.ingest.profile import LoggerProfile, TimeRule
from pipelines.ingest.text_parts import GZIP_MAGIC, ZIP_MAGIC, text_parts

SAMPLE_LINES = 4000
MOST_SHEETS = 20
DELIMITERS = (";", "\t", ",", "|")


@dataclass
class Frame:
    """Settings of the frame, how sure they are, and the cells inside it."""

    settings: dict[str, Any]
    confidence: dict[str, float]
    table: SampleTable
    units: dict[str, str]
    top: str
    notes: list[str] = field(default_factory=list)


def frame_of_file(path: Path, limits: IngestLimits) -> Frame:
    """Find the frame; raises LoggerFileError where there is no table in the file."""
    head = _first_bytes(path)
    if head.startswith(ZIP_MAGIC) and _is_spreadsheet(path):
        return _spreadsheet_frame(path, limits)
    encoding, sure = _encoding(head)
    start = head.decode(encoding, errors="replace").lstrip("\ufeff \r\n\t")
    if start.startswith("<"):
        return _document_frame(path, {"format": "xml", "encoding": encoding, **_xml_records(path, encoding, limits)},
                               limits)
    if start.startswith(("{", "[")):
        return _document_frame(path, {"format": "json", "encoding": encoding, **_json_records(path, encoding, limits)},
                               limits)
    lines, is_terminated = _sample_lines(path, encoding, limits)
    frame = _text_frame(lines, path)
    frame.settings = {"encoding": encoding, **frame.settings}
    frame.confidence["encoding"] = sure
    if not is_terminated:
        frame.settings["unterminated_last_line"] = "take"
        frame.notes.append("the last line has no line end; the draft takes it as whole, which is wrong for a file that "
                           "is still being written.")
    return frame


def _first_bytes(path: Path) -> bytes:
    try:
        with path.open("rb") as stream:
            head = stream.read(200_000)
        if head.startswith(GZIP_MAGIC):
            with gzip.open(path, "rb") as packed:
                return packed.read(200_000)
        if head.startswith(ZIP_MAGIC) and not _is_spreadsheet(path):
            with zipfile.ZipFile(path) as archive:
                members = sorted(item.filename for item in archive.infolist() if not item.is_dir())
                with archive.open(members[0]) as packed:
                    return packed.read(200_000)
        return head
    except (OSError, EOFError, IndexError, zlib.error, zipfile.BadZipFile, RuntimeError) as error:
        raise LoggerFileError(f"cannot be read: {error}.", file=path) from error


def _is_spreadsheet(path: Path) -> bool:
    try:
        with zipfile.ZipFile(path) as package:
            return "xl/workbook.xml" in package.namelist()
    except (zipfile.BadZipFile, OSError):
        return False


def _encoding(head: bytes) -> tuple[str, float]:
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16", 1.0
    try:
        head[:-4].decode("utf-8")
        return "utf-8", 1.0
    except UnicodeDecodeError as error:
        if error.start > len(head) - 8:
            return "utf-8", 0.9
    return ("cp1252", 0.7) if any(0x80 <= byte <= 0x9f for byte in head) else ("latin-1", 0.8)


def _sample_lines(path: Path, encoding: str, limits: IngestLimits) -> tuple[list[str], bool]:
    profile = LoggerProfile(encoding=encoding, header_lines=0, columns=["x"],  # type: ignore[arg-type]
                            time=TimeRule(columns=["x"], zone="UTC"), channels={"x": {"channel": "flow_m3_s"}})
    first, last, is_terminated = "", "", True
    for part in text_parts(path, profile, limits):
        if not first:
            first = part.text
        if part.text.strip():
            last, is_terminated = part.text, part.is_terminated
        if part.is_last and part.text:
            is_terminated = part.is_terminated
    lines = first.split("\n", SAMPLE_LINES)[:SAMPLE_LINES]
    tail = last.rstrip("\n").split("\n")[-50:]
    if len(lines) >= SAMPLE_LINES:
        lines += ["\x00cut", *tail]
    elif last is not first:
        lines = [*lines[:-1], *tail] if lines and not lines[-1] else [*lines, *tail]
    return lines, is_terminated


# -- text

def _cells(line: str, delimiter: str) -> list[str]:
    if delimiter == " ":
        return line.split()
    if '"' in line:
        try:
            return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), [])]
        except csv.Error:
            pass
    return [cell.strip() for cell in line.split(delimiter)]


def _delimiter_score(lines: list[str], delimiter: str) -> tuple[float, int]:
    """Return how well a delimiter cuts the lines into rows of values, and the usual number of cells."""
    rows = [_cells(line, delimiter) for line in lines if line.strip()]
    counts = Counter(len(row) for row in rows)
    usual, times = max(counts.items(), key=lambda item: (item[1], item[0]), default=(0, 0))
    if usual < 2:
        return 0.0, usual
    body = [row for row in rows if len(row) == usual][:500]
    valued = sum(is_value(cell) or looks_like_time(cell) for row in body for cell in row) / (len(body) * usual)
    return valued * times / len(rows) * (1.0 - 0.5 / usual), usual


def _text_frame(lines: list[str], path: Path) -> Frame:
    several = _several_lines_frame(lines)
    if several is not None:
        return several
    body = lines[max(0, len(lines) // 3):]
    scores = {mark: _delimiter_score(body, mark) for mark in (*DELIMITERS, " ")}
    delimiter = max(scores, key=lambda mark: scores[mark][0])
    score, usual = scores[delimiter]
    if score < 0.3:
        raise LoggerFileError("shows no table: no delimiter cuts its lines into rows of values.", file=path,
                              mend="Fixed-width files need `widths` in a profile written by hand.")
    rivals = sorted((other[0] for mark, other in scores.items() if mark != delimiter), reverse=True)
    settings: dict[str, Any] = {"format": "whitespace"} if delimiter == " " else {"delimiter": delimiter}
    rows = [_cells(line, delimiter) for line in lines]
    first = _first_data_row(rows, usual)
    header, after = _header_above(rows, first, usual)
    notes: list[str] = []
    units: dict[str, str] = {}
    trailer = _trailer(lines, rows, usual)
    if trailer:
        settings["trailer_starts_with"] = trailer
    if header is None:
        settings |= {"header_lines": 0, "preamble_lines": first,
                     "columns": [f"column {place + 1}" for place in range(usual)]}
        columns = settings["columns"]
        notes.append("no header was found; the draft numbers the columns.")
    else:
        columns, between, units = _settle_header(lines, rows, header, first, delimiter, settings)
        if between:
            settings["lines_after_header"] = between
        beyond = [cell for row in rows[first:first + 50] for cell in row[len(columns):] if cell]
        if len(columns) < usual and beyond:
            notes.append(f"the header has {len(columns)} names, the rows {usual} cells; the draft numbers the rest, "
                         "but the names may have slipped.")
            columns += [f"column {place + 1}" for place in range(len(columns), usual)]
            settings.pop("header_starts_with", None)
            settings.pop("lines_after_header", None)
            settings |= {"header_lines": 0, "preamble_lines": first, "columns": columns}
            after = 0.4
    data = [row for row in rows[first:] if len(row) >= len(columns) - 1 and any(row)]
    table = SampleTable(columns, [row[:len(columns)] + [""] * (len(columns) - len(row)) for row in data
                                  if any(is_number(cell) for cell in row)])
    decimal = table.decimal()
    if decimal == ",":
        settings["decimal"] = ","
    clear = not rivals or score > 1.2 * rivals[0]
    sure = {"delimiter": round(min(1.0, score + 0.1) if clear else 0.6, 2), "header": after}
    return Frame(settings, sure, table, units, "\n".join(lines[:first]), notes)


def _several_lines_frame(lines: list[str]) -> Frame | None:
    """Return the frame of a file that writes each record over two lines of numbers, by turns of unlike length."""
    rows = [line.split() for line in lines]
    counts = [len(row) if row and all(is_value(cell) for cell in row) else 0 for row in rows]
    alike = [place for place in range(len(rows) - 3) if counts[place] >= 4 and counts[place + 1] >= 4
             and counts[place] == counts[place + 2] != counts[place + 1] == counts[place + 3]]
    if len(alike) < max(20, 0.5 * len(lines)):
        return None
    first = alike[0]
    width = counts[first] + counts[first + 1]
    joined = [rows[place] + rows[place + 1] for place in range(first, len(rows) - 1, 2)
              if (counts[place], counts[place + 1]) == (counts[first], counts[first + 1])]
    columns = [f"column {place + 1}" for place in range(width)]
    settings: dict[str, Any] = {"format": "whitespace", "header_lines": 0, "lines_per_record": 2, "columns": columns}
    above = lines[first - 1].strip() if first else ""
    if above and not above[0].isalnum() and above[0] not in "+-.":
        settings |= {"section_starts_with": above, "section_ends_with": above[0]}
    else:
        settings["preamble_lines"] = first
    note = (f"each record is written over two lines, of {counts[first]} and {counts[first + 1]} cells; the draft puts "
            "them together and numbers the columns.")
    return Frame(settings, {"delimiter": 0.8, "header": 0.6}, SampleTable(columns, joined), {},
                 "\n".join(lines[:first]), [note])


def _share_of_values(row: list[str]) -> float:
    return sum(is_value(cell) or looks_like_time(cell) for cell in row) / max(len(row), 1)


def _first_data_row(rows: list[list[str]], usual: int) -> int:
    """Return the first row from which rows of values follow each other."""
    good = [len(row) >= usual and (_share_of_values(row) >= 0.5 or any(looks_like_time(cell) for cell in row))
            and any(is_number(cell) for cell in row) for row in rows]
    for place in range(len(rows)):
        ahead = [good[other] for other in range(place, min(place + 4, len(rows))) if any(rows[other])]
        if good[place] and sum(ahead) >= min(3, len(ahead)):
            return place
    return next((place for place, is_good in enumerate(good) if is_good), 0)


def _header_above(rows: list[list[str]], first: int, usual: int) -> tuple[int | None, float]:
    """Return the row of names among the lines above the data, and how sure it is."""
    best: tuple[int, float] | None = None
    for place in range(max(0, first - 6), first):
        filled = [cell for cell in rows[place] if cell]
        names = {cell for cell in filled if not is_number(cell) and not looks_like_time(cell)}
        units = sum(unit_word(cell.strip("[]()")) is not None for cell in filled)
        if len(filled) < max(min(2, usual - 1), 0.5 * usual) or len(names) < 0.8 * len(filled):
            continue
        if units > 0.5 * len(filled):
            continue
        if not rows[place][0] and units:
            continue
        best = (place, len(filled) / usual)
    if best is None:
        return None, 0.6
    return best[0], 0.95 if 0.9 <= best[1] <= 1.1 else 0.5


def _settle_header(lines: list[str], rows: list[list[str]], header: int, first: int, delimiter: str,
                   settings: dict[str, Any]) -> tuple[list[str], int, dict[str, str]]:
    from pipelines.ingest.heads import _distinct

    columns = list(_distinct(tuple(rows[header])))
    between = sum(1 for place in range(header + 1, first))
    units: dict[str, str] = {}
    for offset, place in enumerate(range(header + 1, first), start=1):
        found = {columns[at]: unit for at, cell in enumerate(rows[place]) if at < len(columns)
                 and cell and (unit := unit_word(cell.strip("[]()"))) is not None}
        if len(found) > len(units):
            units, settings["units_row"] = found, offset
    if header:
        cell = rows[header][0]
        start = f"{cell}{delimiter if delimiter != ' ' else ''}"
        unique = sum(line.lstrip().startswith(start) for line in lines[:header + 1]) == 1
        if cell and not is_number(cell) and unique and lines[header].lstrip().startswith(start):
            settings["header_starts_with"] = start
        else:
            settings["preamble_lines"] = header
    return columns, between, units


def _trailer(lines: list[str], rows: list[list[str]], usual: int) -> str:
    last = next((place for place in range(len(lines) - 1, -1, -1) if lines[place].strip()), 0)
    line = lines[last].strip()
    if len(rows[last]) < usual and re.match(r"[^\W\d_]{2}", line) and not is_number(rows[last][0]):
        return line[:12].rstrip()
    return ""


# -- documents

def _spreadsheet_frame(path: Path, limits: IngestLimits) -> Frame:
    """Return the sheet that looks most like readings: one with stamps, and of those the one with most channels."""
    from pipelines.ingest.describe_cells import column_guesses
    from pipelines.ingest.describe_time import time_guess

    names = sheet_names(path, path.name, limits)
    if len(names) < 2:
        return _document_frame(path, {"format": "spreadsheet"}, limits)
    best: tuple[tuple[bool, int, int], Frame] | None = None
    for name in names[:MOST_SHEETS]:
        frame = _document_frame(path, {"format": "spreadsheet", "sheet": name}, limits)
        if not frame.table.rows:
            continue
        time = time_guess(frame.table, frame.top)
        known = [] if time is None else [
            guess for guess in column_guesses(frame.table, frame.units, time.columns) if guess.channel]
        rank = (time is not None, len(known), len(frame.table.rows))
        if best is None or rank > best[0]:
            best = rank, frame
    if best is None:
        raise LoggerFileError("has no sheet with rows in it.", file=path)
    others = ", ".join(repr(name) for name in names if name != best[1].settings["sheet"])
    best[1].notes.append(f"the draft reads the sheet '{best[1].settings['sheet']}'; there are also {others}.")
    return best[1]


def _document_frame(path: Path, settings: dict[str, Any], limits: IngestLimits) -> Frame:
    profile = LoggerProfile(**{"header_lines": 0, "columns": ["x"], **settings},
                            time=TimeRule(columns=["x"], zone="UTC"), channels={"x": {"channel": "flow_m3_s"}})
    parts, _ = document_parts(path, path.name, profile, limits)
    lines = "".join(part.text for part in parts).split("\n")[:SAMPLE_LINES]
    rows = [[cell.strip() for cell in line.split(SEPARATOR)] for line in lines]
    if settings["format"] != "spreadsheet":
        columns = rows[0] if rows else []
        table = SampleTable(columns, [row for row in rows[1:] if len(row) == len(columns)])
        return Frame(settings, {"records": 0.8}, table, {}, "")
    usual = Counter(len(row) for row in rows).most_common(1)[0][0] if rows else 0
    first = _first_data_row(rows, min(usual, max((len(row) for row in rows), default=0)))
    header, sure = _header_above(rows, first, usual)
    units: dict[str, str] = {}
    if header is None:
        settings |= {"header_lines": 0, "preamble_lines": first,
                     "columns": [f"column {place + 1}" for place in range(usual)]}
        columns = settings["columns"]
    else:
        columns, between, units = _settle_header(lines, rows, header, first, SEPARATOR, settings)
        if "header_starts_with" in settings:
            settings["header_starts_with"] = settings["header_starts_with"].rstrip(SEPARATOR)
        if between:
            settings["lines_after_header"] = between
    table = SampleTable(columns, [row[:len(columns)] + [""] * (len(columns) - len(row)) for row in rows[first:]
                                  if any(row)])
    return Frame(settings, {"header": sure}, table, units, "")


def _whole(path: Path, encoding: str, limits: IngestLimits) -> str:
    profile = LoggerProfile(encoding=encoding, header_lines=0, columns=["x"],  # type: ignore[arg-type]
                            time=TimeRule(columns=["x"], zone="UTC"), channels={"x": {"channel": "flow_m3_s"}})
    text = ""
    for part in text_parts(path, profile, limits):
        text += part.text
        if len(text) > limits.max_document_bytes:
            raise LoggerFileError("is too long to be looked at as one document.", file=path)
    return text


def _xml_records(path: Path, encoding: str, limits: IngestLimits) -> dict[str, Any]:
    text = _whole(path, encoding, limits)
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        raise LoggerFileError("declares entities, which logger files have no need of.", file=path)
    try:
        root = ElementTree.fromstring(text)  # noqa: S314 - a document type was refused above
    except ElementTree.ParseError as error:
        raise LoggerFileError(f"is not whole XML: {error}.", file=path) from error
    counts = Counter(str(element.tag).rsplit("}", 1)[-1] for element in root.iter() if len(element) > 1)
    if not counts or counts.most_common(1)[0][1] < 2:
        raise LoggerFileError("holds no element that repeats like a reading.", file=path)
    return {"records": counts.most_common(1)[0][0]}


def _json_records(path: Path, encoding: str, limits: IngestLimits) -> dict[str, Any]:
    try:
        whole = json.loads(_whole(path, encoding, limits))
    except (json.JSONDecodeError, RecursionError) as error:
        raise LoggerFileError(f"is not whole JSON: {error}.", file=path) from error
    counts: Counter[str] = Counter()
    codes: dict[str, None] = {}

    def walk(node: Any, at: str) -> None:
        if isinstance(node, list):
            if node and all(isinstance(item, dict) for item in node):
                scalars = sum(not isinstance(value, dict | list) for item in node[:50] for value in item.values())
                timed = any(looks_like_time(str(value)) for value in node[0].values())
                counts[at] += len(node) * (scalars >= 2 * min(len(node), 50)) * (100 if timed else 1)
            for item in node:
                walk(item, at)
        elif isinstance(node, dict):
            for key, value in node.items():
                if isinstance(value, str) and re.search(r"(code|id|name)$", at.rsplit("/", 1)[-1], re.IGNORECASE):
                    codes[f"{at}/{key}"] = None
                walk(value, f"{at}/{key}" if at else key)

    walk(whole, "")
    if not counts or counts.most_common(1)[0][1] == 0:
        raise LoggerFileError("holds no list that looks like readings.", file=path)
    records = counts.most_common(1)[0][0]
    above = [code for code in codes if code.endswith("/value") and not code.startswith(f"{records}/")]
    passed = records.split("/")
    near = [code for code in above if code.split("/")[:2] == passed[:2]]
    return {"records": records, "record_keys": near[:6]}
