"""Look at an unknown file: guess its profile with a confidence for each guess, and name what no file can tell."""

import fnmatch
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd
from pydantic import ValidationError

from pipelines.errors import LoggerFileError
from pipelines.ingest.column_words import candidates, split_column_name
from pipelines.ingest.describe_cells import (
    SampleTable,
    column_guesses,
    guess_by_words_above,
    long_guess,
    sentinel_guess,
)
from pipelines.ingest.describe_frame import Frame, frame_of_file
from pipelines.ingest.describe_time import TimeGuess, time_guess
from pipelines.ingest.limits import IngestLimits
from pipelines.ingest.one_file import LoggerFile, read_logger_file
from pipelines.ingest.profile import LoggerProfile

ROWS_SHOWN = 8


@dataclass
class FileDescription:
    """
    What was found out about a file.

    `draft` is the profile as TOML text, ready to be saved and corrected; `profile` is it, checked, or None where
    something essential (a time column, a channel) was not found. `confidence` gives 0 to 1 for each part of the
    draft. `first_rows` shows the first rows as the draft reads them. `cannot_know` lists what no file tells.
    """

    file: str
    draft: str
    profile: LoggerProfile | None
    confidence: dict[str, float]
    first_rows: pd.DataFrame
    cannot_know: list[str]
    notes: list[str] = field(default_factory=list)
    rows: int = 0
    quarantined: int = 0

    @property
    def overall(self) -> float:
        """Return the least confidence of all parts."""
        return min(self.confidence.values(), default=0.0)


def describe_file(path: Path, *, limits: IngestLimits | None = None) -> FileDescription:
    """
    Draft a profile for a file; raises LoggerFileError where the file is no table of any kind.

    Nothing is stored. The draft is read back over the whole file, so that rows and quarantine are what an ingest
    with it would give.
    """
    limits = limits or IngestLimits()
    frame = frame_of_file(path, limits)
    written: dict[str, Any] = {"says": f"Drafted from {path.name}; check every line", **frame.settings}
    confidence, notes = dict(frame.confidence), list(frame.notes)
    cannot_know: list[str] = []
    table = frame.table
    time = time_guess(table, frame.top)
    if time is None:
        notes.append("no column was recognised as a time stamp; write [time] by hand.")
        unknown = ["when each row was taken: no column holds a date or a time.", *_never_known(None, [])]
        return FileDescription(path.name, to_toml(written), None, {**confidence, "time": 0.0}, table.shown(ROWS_SHOWN),
                               unknown, notes)
    written["time"], confidence["time"] = time.settings, time.confidence
    written |= time.frame
    notes += time.notes
    columns = column_guesses(table, frame.units, time.columns)
    guess_by_words_above(table, columns, frame.top)
    long = long_guess(table, time.columns, columns)
    if long is not None:
        written |= {"layout": "long", "long": long.settings}
        if long.site_column:
            written["site"] = {"column": long.site_column}
            notes.append(f"column '{long.site_column}' seems to name the logger: give each site sheet its logger_id.")
        written["channels"] = long.channels
        confidence["columns"] = long.confidence
        taken = {long.settings["value_column"], long.settings.get("name_column", ""), long.site_column}
    else:
        written["channels"] = {guess.column: guess.settings for guess in columns if guess.channel}
        known = [guess.confidence for guess in columns if guess.channel]
        confidence["columns"] = min(known, default=0.0)
        taken = {guess.column for guess in columns if guess.channel}
        for guess in columns:
            cannot_know += guess.cannot_know if guess.channel else []
    left = [column for column in table.columns if column not in taken and column not in time.columns]
    if long is not None:
        names = dict.fromkeys(table.texts(long.settings["name_column"])) if "name_column" in long.settings else {}
        unmapped = [text for text in names if text and text not in long.channels]
    else:
        unmapped = left
    remarks = _remarks(unmapped, left, frame.units, table if long is None else None)
    if not written["channels"]:
        cannot_know.append(_nothing_named(table, unmapped, long is not None))
    if unmapped or left:
        notes.append(f"not mapped to a channel: {', '.join(repr(item) for item in (unmapped or left)[:20])}. The draft "
                     "ends with a remark for each: take the # away and name its channel, or put it into "
                     "ignored_columns.")
    if sentinels := sentinel_guess(table, ([*written["channels"]] or unmapped) if long is None
                                   else [long.settings["value_column"]]):
        written["sentinels"] = sentinels
        notes.append(f"taken for 'no value': {', '.join(sentinels)}.")
    return _read_back(path, written, confidence, notes, [*_never_known(time, columns), *cannot_know], frame, limits,
                      remarks)


def _nothing_named(table: SampleTable, unmapped: list[str], is_long: bool) -> str:
    """Return the sentence that asks for the quantity of every column that may hold one, with its range of values."""
    asked = [f"'{column}'" if is_long else f"'{column}'{_range_of(table, column)}" for column in unmapped]
    of_what = "name" if is_long else "column"
    return (f"which quantity each {of_what} holds; nothing in the file says it: {', '.join(asked[:40])}. One channel "
            "named is enough for the draft to load.")


def _range_of(table: SampleTable, column: str) -> str:
    numbers = table.numbers(column).dropna() if column in table.columns else pd.Series(dtype=float)
    return f" ({numbers.min():g} to {numbers.max():g})" if len(numbers) else ""


def _remarks(unmapped: list[str], left: list[str], units: dict[str, str], table: SampleTable | None) -> list[str]:
    """Return, as lines of TOML remarks, a table for everything that has no channel yet: nothing is left out unsaid."""
    lines: list[str] = []
    for column in unmapped:
        unit = split_column_name(column)[1] or units.get(column)
        fitting = candidates(unit)
        says = (f"  # or {', '.join(fitting[1:12])}" if fitting[1:] else "" if fitting else
                "  # no unit that a channel has is written; name one of the channels")
        values = _range_of(table, column) if table is not None else ""
        lines += ["", *([f"# values{values}"] if values else []), f"# [channels.{_text(column)}]",
                  f'# channel = "{fitting[0] if fitting else ""}"{says}',
                  *([f'# unit = "{unit}"'] if unit and fitting else [])]
    if left:
        lines = ["", f"# Not wanted? Write this above [time]: ignored_columns = {_value(left)}", *lines]
    return lines


def _never_known(time: TimeGuess | None, columns: list[Any]) -> list[str]:
    unknown = []
    if time is None or not time.zone_is_said:
        unknown.append("time zone: the file does not say it. The draft takes the zone of the site; write 'UTC' or an "
                       "offset like '+03:00' if the logger's clock does not follow local time.")
    unknown.append("whether a stamp is the start or the end of its interval; the draft takes the end.")
    if time is not None and time.order_is_open:
        unknown.append("whether the day or the month comes first in the dates; every date here reads both ways.")
    return unknown


def _read_back(path: Path, written: dict[str, Any], confidence: dict[str, float], notes: list[str],
               cannot_know: list[str], frame: Frame, limits: IngestLimits, remarks: list[str]) -> FileDescription:
    draft = to_toml(written) + "".join(f"{line}\n" for line in remarks)
    if not written["channels"]:
        notes.append("no column was recognised as a channel; map them under [channels] by hand.")
        return FileDescription(path.name, draft, None, {**confidence, "columns": 0.0}, frame.table.shown(ROWS_SHOWN),
                               cannot_know, notes)
    try:
        profile = LoggerProfile.model_validate({"key": "draft", **written})
    except ValidationError as error:
        notes += [item["msg"].removeprefix("Value error, ") for item in error.errors()]
        return FileDescription(path.name, draft, None, {**confidence, "columns": 0.0}, frame.table.shown(ROWS_SHOWN),
                               cannot_know, notes)
    try:
        read = read_logger_file(path, profile, limits=limits)
    except LoggerFileError as error:
        notes.append(str(error))
        return FileDescription(path.name, draft, profile, {**confidence, "columns": 0.0},
                               frame.table.shown(ROWS_SHOWN), cannot_know, notes)
    rows, bad = len(read.rows), len(read.quarantine)
    confidence["read back"] = round(rows / max(rows + bad, 1), 3)
    for (column, rule), part in read.quarantine.fillna({"column_name": ""}).groupby(["column_name", "rule"]):
        first = part.iloc[0]
        notes.append(f"line {first['line']}: '{str(first['value'])[:60]}' {rule}"
                     + (f" (column '{column}', {len(part)} times)." if column else f" ({len(part)} times)."))
    return FileDescription(path.name, draft, profile, confidence, _first_rows(read), cannot_know, notes, rows, bad)


def _first_rows(read: LoggerFile) -> pd.DataFrame:
    if not len(read.rows):
        return read.rows
    columns = [*(["logger_id"] if read.rows["logger_id"].notna().any() else []), "interval_end_utc", "interval_s",
               *read.channels]
    return read.rows.sort_values("line")[columns].head(ROWS_SHOWN).reset_index(drop=True)


def to_toml(written: dict[str, Any]) -> str:
    """Return a profile as TOML, plain values first, then the tables."""
    lines = [f"{key} = {_value(value)}" for key, value in written.items() if not isinstance(value, dict)]
    for key in ("time", "long", "site"):
        if key in written:
            lines += ["", f"[{key}]", *(f"{name} = {_value(value)}" for name, value in written[key].items())]
    for column, rule in written.get("channels", {}).items():
        lines += ["", f"[channels.{_text(column)}]", *(f"{name} = {_value(value)}" for name, value in rule.items())]
    return "\n".join(lines) + "\n"


def _text(value: str) -> str:
    escaped = value.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(letter if letter.isprintable() else f"\\u{ord(letter):04x}" for letter in escaped) + '"'


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, list):
        return f"[{', '.join(_value(item) for item in value)}]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_text(name)} = {_value(item)}" for name, item in value.items()) + " }"
    return repr(value)


def profile_that_fits(path: Path, profiles: dict[str, LoggerProfile], *,
                      limits: IngestLimits | None = None) -> list[tuple[str, int, int]]:
    """Return (profile, rows, quarantined) of the profiles that read a file, the one with most sound rows first."""
    found = []
    for key, profile in profiles.items():
        if profile.site.files and not fnmatch.fnmatch(path.name, profile.site.files.rsplit("/", 1)[-1]):
            continue
        try:
            read = read_logger_file(path, profile, limits=limits)
        except LoggerFileError:
            continue
        found.append((key, len(read.rows), len(read.quarantine)))
    return sorted(found, key=lambda item: (-item[1] + item[2], item[0]))
