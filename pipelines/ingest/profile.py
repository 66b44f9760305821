"""
Logger profiles: how one kind of file is read. Written as TOML in the fleet folder's loggers/, one file a profile.

    says = "Weekly export of the well loggers"
    delimiter = ";"
    decimal = ","
    lines_after_header = 1                       # a units row
    [time]
    columns = ["Datum", "Zeit"]                  # joined by one blank
    format = "%d.%m.%Y %H:%M:%S"
    zone = "Africa/Nairobi"                      # or "UTC", "+03:00", "in_stamp", "site"
    stamp = "end"                                # or "start" of the interval
    [channels."Durchfluss (m3/h)"]
    channel = "flow_m3_s"
    unit = "m3_h"

Nothing is guessed on reading: what the file does not say, the profile does.
"""

import difflib
import re
import tomllib
from collections.abc import Iterable
from functools import cached_property
from pathlib import Path
from typing import Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from diagnostics.quantities import CHANNELS
from diagnostics.units import UNIT_OF_SUFFIX, same_dimension
from pipelines.errors import ProfileError
from pipelines.ingest.column_words import unit_word

FIXED_OFFSET = re.compile(r"^([+-])(\d{2}):?(\d{2})$")
TIME_PARTS = ("year", "month", "day", "day_of_year", "hour", "minute", "second", "millisecond", "hhmm",
              "minute_of_day")


class _Part(BaseModel):
    """Frozen part of a profile; unknown keys are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class TimeRule(_Part):
    """
    How a stamp is put together and what it means.

    Either `columns` joined by a blank and read by `format` (strptime, or one of "iso", "epoch_s", "epoch_ms",
    "spreadsheet_days"), or `parts`, a table role -> column for files that spread a date over several columns.
    """

    columns: list[str] = Field(default_factory=list, description="Columns that together hold the stamp, joined by one "
                               "blank.")
    format: str = Field(default="iso", description="How the stamp is written: 'iso', 'epoch_s', 'epoch_ms', "
                        "'spreadsheet_days', or signs like '%d.%m.%Y %H:%M:%S' (day, month, year, hour, minute, "
                        "second).")
    parts: dict[str, str] = Field(default_factory=dict, description="Instead of columns, where a stamp is spread: role "
                                  "-> column. Roles: year, month, day, day_of_year, hour, minute, second, millisecond, "
                                  "hhmm, minute_of_day.")
    header_pattern: str = Field(default="", description="Regular expression over the text before the data with named "
                                "groups year, month, day: for files that give these once.")
    zone: str = Field(description='"UTC", "+03:00", an IANA zone, "in_stamp", or "site" for the zone of the site.')
    stamp: Literal["end", "start"] = Field(default="end", description="Whether a stamp marks the end or the start "
                                           "of its interval.")
    interval_s: float | None = Field(default=None, gt=0, le=31 * 86400, description="Length of an interval; left out, "
                                     "it is taken from the stamps.")
    earliest_year: int = Field(default=1990, ge=1900, le=2100, description="Stamps before it are a clock reset.")

    @field_validator("zone")
    @classmethod
    def _zone_is_known(cls, zone: str) -> str:
        if zone in ("UTC", "in_stamp", "site") or FIXED_OFFSET.match(zone):
            return zone
        try:
            ZoneInfo(zone)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise ValueError(f"'{zone}' is no time zone; write 'UTC', an offset like '+03:00', an IANA zone like "
                             "'Africa/Nairobi', 'in_stamp' where each stamp carries its own offset, or "
                             "'site'.") from error
        return zone

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if bool(self.columns) == bool(self.parts):
            raise ValueError("give either time.columns with time.format, or time.parts (role -> column).")
        unknown = [role for role in self.parts if role not in TIME_PARTS]
        if unknown:
            raise ValueError(f"time.parts knows {', '.join(TIME_PARTS)}; not {', '.join(unknown)}.")
        if self.zone == "in_stamp" and self.parts:
            raise ValueError("zone 'in_stamp' needs stamps written in one text with their offset.")
        if self.header_pattern:
            groups = _compiled(self.header_pattern, "time.header_pattern").groupindex
            if not set(groups) <= set(TIME_PARTS):
                raise ValueError(f"time.header_pattern may name the groups {', '.join(TIME_PARTS)} only.")
        return self


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return the sentence that names the few known words this one may have been meant to be."""
    lowered, names = word.strip().lower(), list(known)
    close = [name for name in names if lowered and name.startswith(f"{lowered}_")]
    if not close and "_" not in lowered:
        close = [name for name in names if lowered in name.split("_")]
    close = close or difflib.get_close_matches(lowered, names, n=3, cutoff=0.6)
    if not close:
        return "SITE-FILES.md in pipelines/schemas lists all."
    return f"Did you mean {' or '.join(close[:4])}?"


def _mend_unit(unit: str, channel: str) -> str:
    """Return the units this may be: as it is usually written, else by spelling among those that fit the channel."""
    if channel not in CHANNELS:
        return did_you_mean(unit, UNIT_OF_SUFFIX)
    own = CHANNELS[channel].unit_suffix or "ratio"
    fitting = [known for known in UNIT_OF_SUFFIX if same_dimension(known, own)]
    usual = unit_word(unit)
    if usual in fitting and not any(known.startswith(f"{unit.strip().lower()}_") for known in fitting):
        return f"Did you mean {usual}?"
    near = did_you_mean(unit, fitting)
    return near if near.startswith("Did") else f"{channel} can be in {', '.join(fitting[:12])}."


class ColumnRule(_Part):
    """One column of the file: which channel it is, in which unit; value = (text * scale + offset), then to SI."""

    channel: str = Field(description="Which channel the column is; see the list of channels.")
    unit: str = Field(default="", description="Unit ending of the value as written; empty takes the channel's own.")
    scale: float = Field(default=1.0, description="Factor on the number as written; value = (number * scale + offset), "
                         "then to SI.")
    offset: float = Field(default=0.0, description="Added after scale, in `unit`.")
    meter: Literal["rate", "pulse", "totaliser"] = Field(
        default="rate", description="pulse: counts of the interval, unit is the volume unit of pulse_volume; "
        "totaliser: running total, stored as meter_total_m3.")
    pulse_volume: float | None = Field(default=None, gt=0, description="Water of one pulse, in `unit`; the "
                                       "site sheet's flow_meter.pulse_volume stands before it.")
    rollover: float | None = Field(default=None, gt=0, description="Total at which the meter starts from 0 again, "
                                   "in `unit` after scale.")
    good_codes: list[str] = Field(default_factory=list, description="With code_column: only these are sound.")
    code_column: str = Field(default="", description="Column with a quality code for this value.")

    @property
    def target_unit(self) -> str:
        """Unit ending the column is brought to before a meter rule applies."""
        return "m3" if self.meter in ("pulse", "totaliser") else CHANNELS[self.channel].unit_suffix or "ratio"

    @property
    def source_unit(self) -> str:
        """Unit ending of the number as written."""
        return self.unit or self.target_unit

    @model_validator(mode="after")
    def _fits_channel(self) -> Self:
        if self.channel not in CHANNELS:
            raise ValueError(f"'{self.channel}' is not a known channel. {did_you_mean(self.channel, CHANNELS)}")
        if self.unit and self.unit not in UNIT_OF_SUFFIX:
            raise ValueError(f"unit '{self.unit}' is not known. {_mend_unit(self.unit, self.channel)}")
        if self.meter == "pulse" and self.channel not in ("flow_m3_s", "draw_flow_m3_s"):
            raise ValueError("a pulse column has the channel flow_m3_s or draw_flow_m3_s.")
        if self.meter == "totaliser" and self.channel != "meter_total_m3":
            raise ValueError("a totaliser column has the channel meter_total_m3; flow follows from its steps.")
        if self.channel == "meter_total_m3" and self.meter == "rate":
            raise ValueError('a column with the channel meter_total_m3 needs meter = "totaliser".')
        if not same_dimension(self.source_unit, self.target_unit):
            raise ValueError(f"unit '{self.unit}' does not measure {self.channel}.")
        if bool(self.good_codes) != bool(self.code_column):
            raise ValueError("good_codes and code_column belong together.")
        return self


class LongRule(_Part):
    """Long layout: one value a row. Keys of `channels` are then values of `name_column`."""

    name_column: str | None = Field(default=None, description="Column that names what a row holds; left out, every "
                                    "row is the one channel given.")
    value_column: str = Field(description="Column that holds the values.")


class SiteRule(_Part):
    """Where the site is named, for files no site sheet claims by its own `logs` table."""

    files: str = Field(default="", description="Glob below logs/ of the files this profile reads by itself.")
    path_pattern: str = Field(default="", description="Regular expression over the path below logs/ with a group "
                              "'site', for instance '^(?P<site>[^/]+)/'.")
    column: str = Field(default="", description="Column that names the logger or site in each row.")

    @field_validator("path_pattern")
    @classmethod
    def _names_a_site(cls, pattern: str) -> str:
        if pattern and "site" not in _compiled(pattern, "site.path_pattern").groupindex:
            raise ValueError("site.path_pattern needs a group named 'site', for instance '^(?P<site>[^/]+)/'.")
        return pattern


class LoggerProfile(_Part):
    """How one kind of logger file is read: where the stamp is, which column is which channel, in which unit."""

    key: str = Field(default="", description="Name by which site sheets refer to it; the file's stem if empty.")
    says: str = Field(default="", description="What kind of file this is, for people.")
    format: Literal["delimited", "whitespace", "fixed_width", "spreadsheet", "xml", "json"] = Field(
        default="delimited", description="How the file is built; delimited is any text with a sign between cells.")
    delimiter: str = Field(default=",", min_length=1, max_length=1, description="Sign between the cells of a delimited "
                           "file.")
    quote: str = Field(default='"', max_length=1, description="Sign around cells that hold the delimiter; empty for "
                       "none.")
    decimal: Literal[".", ","] = Field(default=".", description="Decimal sign of the numbers.")
    thousands: Literal["", ".", ",", " ", "'"] = Field(default="", description="Sign that groups thousands; empty for "
                                                       "none.")
    encoding: Literal["utf-8", "latin-1", "cp1252", "utf-16"] = Field(
        default="utf-8", description="How letters are stored; latin-1 or cp1252 for many older loggers.")
    preamble_lines: int = Field(default=0, ge=0, le=10_000, description="Lines before the header, or before the data.")
    header_starts_with: str = Field(default="", description="The header is the first line that starts so; the lines "
                                    "before it are preamble, however many.")
    header_lines: Literal[0, 1] = Field(default=1, description="0 where the file has no line of column names; then "
                                        "give columns.")
    columns: list[str] = Field(default_factory=list, description="Names in order, where the file has no usable header.")
    widths: list[int] = Field(default_factory=list, description="Column widths of a fixed_width file.")
    lines_after_header: int = Field(default=0, ge=0, le=20, description="Units row and the like.")
    units_row: int | None = Field(default=None, ge=1, le=20, description="Which line after the header holds units.")
    lines_per_record: int = Field(default=1, ge=1, le=20, description="Lines that together make one row.")
    section_starts_with: str = Field(default="", description="Data begin after the line that starts so.")
    section_ends_with: str = Field(default="", description="... and end before a line that starts so.")
    comment: str = Field(default="", max_length=8, description="Lines that start so are comments.")
    trailer_starts_with: str = Field(default="", description="A line that starts so ends the data.")
    sentinels: list[str] = Field(default_factory=list, description="Texts that mean 'no value'; numbers are compared "
                                 "as numbers. Empty cells and spellings of NaN always do.")
    unterminated_last_line: Literal["wait", "take"] = Field(
        default="wait", description="A last line without line end may be half written: it waits for its remainder.")
    compression: Literal["by_content", "none"] = Field(default="by_content", description="by_content: gz and zip are "
                                                       "known by their first bytes and opened.")
    member: str = Field(default="*", description="Glob of the zip members to read.")
    sheet: str = Field(default="", description="Sheet of a spreadsheet; the first if empty.")
    records: str = Field(default="", description="xml: name of the element that is one row. json: path to the list of "
                         "rows, keys joined by '/', for instance 'value/timeSeries/values/value'.")
    record_keys: list[str] = Field(default_factory=list, description="json: paths of values on the way to the rows "
                                   "that become columns of each row.")
    layout: Literal["wide", "long"] = Field(default="wide", description="wide: one column a channel; long: one row a "
                                            "value.")
    long: LongRule | None = Field(default=None, description="Columns of the long layout.")
    time: TimeRule = Field(description="How the stamp is read.")
    site: SiteRule = Field(default=SiteRule(), description="How the site of a file or row is told.")
    channels: dict[str, ColumnRule] = Field(min_length=1, description="Column name as in the file -> what it holds.")
    ignored_columns: list[str] = Field(default_factory=list, description="Known and not wanted; '*' for all others.")

    @model_validator(mode="after")
    def _is_complete(self) -> Self:
        if (self.layout == "long") != (self.long is not None):
            raise ValueError('layout "long" and the table [long] belong together.')
        if self.long is not None and self.long.name_column is None and len(self.channels) != 1:
            raise ValueError("a long file without name_column holds one channel; give exactly one under [channels].")
        if self.format == "fixed_width" and not self.widths:
            raise ValueError("a fixed_width file needs widths.")
        if self.widths and self.columns and len(self.widths) != len(self.columns):
            raise ValueError(f"{len(self.widths)} widths but {len(self.columns)} columns.")
        if self.format in ("xml", "json") and not self.records:
            raise ValueError(f"a {self.format} file needs `records`.")
        if self.format in ("delimited", "whitespace", "fixed_width") and not self.header_lines and not self.columns:
            raise ValueError("a file without header needs `columns`.")
        if self.decimal == self.thousands or (self.format == "delimited" and self.decimal == self.delimiter
                                              and not self.quote):
            raise ValueError("decimal, thousands and delimiter must differ.")
        if self.units_row is not None and self.units_row > self.lines_after_header:
            raise ValueError("units_row counts among lines_after_header.")
        if self.layout == "wide":
            seen: dict[str, str] = {}
            for column, rule in self.channels.items():
                if rule.channel in seen:
                    raise ValueError(f"columns '{seen[rule.channel]}' and '{column}' are both {rule.channel}.")
                seen[rule.channel] = column
        return self

    @cached_property
    def wanted_columns(self) -> set[str]:
        """Return every column that this profile reads."""
        wanted = {*self.time.columns, *self.time.parts.values()}
        wanted |= {rule.code_column for rule in self.channels.values()} | {self.site.column}
        if self.long is not None:
            wanted |= {self.long.name_column or "", self.long.value_column}
        else:
            wanted |= set(self.channels)
        return wanted - {""}

    @classmethod
    def from_toml(cls, path: Path) -> "LoggerProfile":
        """Read one profile; everything wrong with it comes in one ProfileError."""
        try:
            written = tomllib.loads(path.read_text(encoding="utf-8-sig"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise ProfileError(f"is not valid TOML: {error}.", file=path,
                               mend="Mend the line named, or compare with a working profile.") from error
        except OSError as error:
            raise ProfileError(f"cannot be opened: {error.strerror}.", file=path) from error
        try:
            return cls.model_validate({"key": path.stem, **written})
        except ValidationError as error:
            wrong = "; ".join(f"{'.'.join(str(part) for part in item['loc']) or 'profile'}: "
                              f"{item['msg'].removeprefix('Value error, ')}" for item in error.errors())
            raise ProfileError(wrong, file=path) from error


def _compiled(pattern: str, key: str) -> re.Pattern[str]:
    try:
        return re.compile(pattern)
    except re.error as error:
        raise ValueError(f"{key} is not a regular expression: {error}.") from error
