"""The SQL that turns lines of text into numbers: splitting, sentinels, decimals, units, file-level masks."""

import math
from dataclasses import dataclass
from datetime import date, datetime
from functools import lru_cache
from zoneinfo import ZoneInfo

from diagnostics.quantities import CHANNELS
from diagnostics.readings import Mask
from diagnostics.units import convert
from pipelines.ingest.profile import FIXED_OFFSET, ColumnRule, LoggerProfile, TimeRule

NOT_A_VALUE = ("", "nan", "na", "n/a", "#n/a", "null", "none", "nul", "nil", "-", "--", "---", "inf", "-inf", "+inf",
               '"nan"', "-nan", "+nan", "nan(ind)", "-nan(ind)", "1.#qnan", "-1.#ind", "1.#inf", "-1.#inf", "infinity",
               "-infinity", "overflow", "#value!", "#ref!", "#div/0!")
_LAST_YEAR = 2100
EMPTY_VALUES = ("", "-", "--", "---")


def text(value: str) -> str:
    """Return a string as an SQL literal."""
    return "'" + value.replace("'", "''") + "'"


def name(value: str) -> str:
    """Return a string as an SQL identifier."""
    return '"' + value.replace('"', '""') + '"'


def number(value: float) -> str:
    """Return a float as an SQL literal that keeps every bit."""
    return f"{float(value)!r}::DOUBLE"


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the columns of a file stand: names in order, as its header or its profile gives them."""

    columns: tuple[str, ...]

    def position(self, column: str) -> int | None:
        """Return the place of a column, counted from 1."""
        return self.columns.index(column) + 1 if column in self.columns else None


def split_sql(profile: LoggerProfile, has_quotes: bool) -> str:
    """Return the expression that splits `ln` into a list of cells."""
    if profile.format == "whitespace":
        return "string_split_regex(trim(ln, ' \t'), '\\s+')"
    if profile.format == "fixed_width":
        starts = [1 + sum(profile.widths[:place]) for place in range(len(profile.widths))]
        cells = ", ".join(f"substr(ln, {start}, {width})" for start, width in zip(starts, profile.widths, strict=True))
        return f"[{cells}]"
    plain = f"string_split(ln, {text(profile.delimiter)})"
    if not has_quotes:
        return plain
    quote, cut = profile.quote, _in_class(profile.delimiter)
    pattern = f"(?:^|{_escaped(profile.delimiter)})({quote}(?:[^{quote}]|{quote}{quote})*{quote}|[^{cut}]*)"
    unquoted = (f"list_transform(regexp_extract_all(ln, {text(pattern)}, 1), lambda x: CASE WHEN starts_with(x, "
                f"{text(quote)}) AND length(x) > 1 THEN replace(x[2:-2], {text(quote * 2)}, {text(quote)}) ELSE x END)")
    return f"CASE WHEN contains(ln, {text(quote)}) THEN {unquoted} ELSE {plain} END"


def _escaped(letter: str) -> str:
    return "\\" + letter if letter in r".^$*+?{}[]\|()" else letter


def _in_class(letter: str) -> str:
    return "\\" + letter if letter in r"]\^-" else letter


@dataclass(frozen=True, slots=True)
class ValueSql:
    """Expressions for one column: its number in SI (before any division by time) and its file-level mask."""

    value: str
    mask: str


def cleaned_sql(cell: str, profile: LoggerProfile, has_underscores: bool = True) -> str:
    """
    Return the expression for the number as DOUBLE, NULL where the text is no number in this profile's spelling.

    The engine reads 1_000 as a number, which no logger writes; the guard is left out where no underscore occurs.
    """
    body, refused = cell, []
    if profile.thousands:
        body = f"replace(trim({body}), {text(profile.thousands)}, '')"
    if profile.decimal == ",":
        body = f"replace({body}, ',', '.')"
        if profile.thousands != ".":    # a point in a decimal-comma file is not a number
            refused.append(f"contains({cell}, '.')")
    if has_underscores:
        refused.append(f"contains({cell}, '_')")
    number = f"try_cast({body} AS DOUBLE)"
    return f"CASE WHEN {' OR '.join(refused)} THEN NULL ELSE {number} END" if refused else number


def sentinel_sql(cell: str, numeric: str, profile: LoggerProfile) -> str:
    """Return the condition for a cell that means 'no value'."""
    texts = {item.strip().lower() for item in profile.sentinels} | set(NOT_A_VALUE)
    numbers = sentinel_numbers(profile)
    listed = f"lower(trim({cell})) IN ({', '.join(text(item) for item in sorted(texts))})"
    if not numbers:
        return listed
    return f"({listed} OR coalesce({numeric} IN ({', '.join(number(value) for value in numbers)}), FALSE))"


def _as_float(written: str) -> float | None:
    try:
        value = float(written.replace(",", "."))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def in_si(rule: ColumnRule, numeric: str) -> tuple[str, float, float]:
    """Return the expression of a column's number in SI, and the bounds outside which it cannot be."""
    zero, one = (float(item) for item in convert([0.0, 1.0], rule.source_unit, rule.target_unit))
    slope = one - zero
    if rule.meter == "pulse":
        slope *= rule.pulse_volume or 1.0
    scale, offset = rule.scale * slope, rule.offset * slope + zero
    si = numeric if (scale, offset) == (1.0, 0.0) else f"({numeric} * {number(scale)} + {number(offset)})"
    quantity = CHANNELS[rule.channel]
    return (si, 0.0, 1e6) if rule.meter == "pulse" else (si, quantity.low, quantity.high)


def sentinel_numbers(profile: LoggerProfile) -> list[float]:
    """Return the numbers among a profile's words for 'no value'."""
    return sorted({value for value in (_as_float(item) for item in profile.sentinels) if value is not None})


def value_sql(rule: ColumnRule, cell: str, numeric: str, profile: LoggerProfile, code_cell: str | None) -> ValueSql:
    """Return value and mask of one column, given the cell's text and its number."""
    si, low, high = in_si(rule, numeric)
    listed = ", ".join(text(item) for item in sorted({item.strip() for item in rule.good_codes}))
    coded = f"WHEN trim({code_cell}) NOT IN ({listed}) THEN {int(Mask.SENSOR_DOUBT)} " if code_cell else ""
    empty = ", ".join(text(item) for item in EMPTY_VALUES)
    codes = sentinel_numbers(profile)
    no_code = f" AND {numeric} NOT IN ({', '.join(number(value) for value in codes)})" if codes else ""
    # Sound numbers are settled first: everything that looks at text is only worked out for the few others.
    mask = (f"CASE WHEN isfinite({numeric}){no_code} THEN CASE WHEN {si} NOT BETWEEN {number(low)} AND {number(high)} "
            f"THEN {int(Mask.OUT_OF_RANGE)} {coded}ELSE 0 END "
            f"WHEN {cell} IS NULL OR trim({cell}) IN ({empty}) THEN 0 "
            f"WHEN {sentinel_sql(cell, numeric, profile)} THEN {int(Mask.SENTINEL)} ELSE {int(Mask.UNREADABLE)} END")
    return ValueSql(value=si, mask=mask)


def stamp_sql(rule: TimeRule, cell_of: dict[str, str], header_parts: dict[str, int]) -> str:
    """Return the expression for the stamp: naive local time, or UTC where each stamp carries its offset."""
    if rule.parts:
        return _stamp_of_parts(rule, cell_of, header_parts)
    joined = " || ' ' || ".join(f"trim({cell_of[column]})" for column in rule.columns)
    if rule.format == "iso":
        offset = f"regexp_matches({joined}, '[0-9:.]{{4}} ?([+-][0-9]{{2}}(:?[0-9]{{2}})?|[zZ])$')"
        if rule.zone == "in_stamp":
            return f"CASE WHEN {offset} THEN try_cast(try_cast({joined} AS TIMESTAMPTZ) AS TIMESTAMP) END"
        ends_in_z = f"(ends_with({joined}, 'Z') OR ends_with({joined}, 'z'))" if rule.zone == "UTC" else "FALSE"
        # only long stamps can end in an offset; the day in 2024-05-06 is none
        return (f"CASE WHEN length({joined}) > 19 AND {offset} AND NOT {ends_in_z} THEN NULL "
                f"ELSE {_or_midnight(f'try_cast({joined} AS TIMESTAMP)', joined, 'try_cast({} AS TIMESTAMP)')} END")
    if rule.format in ("epoch_s", "epoch_ms"):
        factor = 1e6 if rule.format == "epoch_s" else 1e3
        return f"try(make_timestamp((try_cast({joined} AS DOUBLE) * {factor:.0f})::BIGINT))"
    if rule.format == "spreadsheet_days":
        return f"try(TIMESTAMP '1899-12-30' + to_seconds(round(try_cast({joined} AS DOUBLE) * 86400, 3)))"
    if rule.zone == "in_stamp":
        return f"try_cast(try_strptime({joined}, {text(rule.format)}) AS TIMESTAMP)"
    made = f"try_strptime({{}}, {text(rule.format.replace('{', '{{').replace('}', '}}'))})"
    return _or_midnight(made.format(joined), joined, made) if "%H:%M" in rule.format else made.format(joined)


def _or_midnight(made: str, joined: str, again: str) -> str:
    """Return a stamp's expression that reads 24:00 of a day as the midnight it ends with."""
    at_zero = f"regexp_replace({joined}, '24(:00(:00)?(\\.0+)?)$', '00\\1')"
    return (f"coalesce({made}, CASE WHEN regexp_matches({joined}, '(^|[ T])24:00(:00)?(\\.0+)?$') "
            f"THEN {again.format(at_zero)} + INTERVAL 1 DAY END)")


def _stamp_of_parts(rule: TimeRule, cell_of: dict[str, str], header_parts: dict[str, int]) -> str:
    def part(role: str, otherwise: str) -> str:
        if role in rule.parts:
            return f"try_cast(trim({cell_of[rule.parts[role]]}) AS DOUBLE)"
        return str(header_parts[role]) if role in header_parts else otherwise

    year, hhmm = part("year", "NULL"), f"({part('hhmm', '0')})"
    year = f"(CASE WHEN {year} < 70 THEN {year} + 2000 ELSE {year} END)"
    day_of_year = part("day_of_year", "")
    date = (f"make_date(({year})::INT, 1, 1) + (({day_of_year}) - 1)::INT" if day_of_year else
            f"make_date(({year})::INT, ({part('month', 'NULL')})::INT, ({part('day', 'NULL')})::INT)")
    seconds = (f"{part('hour', '0')} * 3600 + {part('minute', '0')} * 60 + {part('second', '0')} "
               f"+ {part('millisecond', '0')} / 1000.0 + {part('minute_of_day', '0')} * 60 "
               f"+ floor({hhmm} / 100) * 3600 + ({hhmm} % 100) * 60")
    bounds = {"day_of_year": (1, 366), "hour": (0, 24), "minute": (0, 59), "second": (0, 60),
              "minute_of_day": (0, 1440), "hhmm": (0, 2400)}
    outside = [f"{part(role, '')} NOT BETWEEN {low} AND {high}" for role, (low, high) in bounds.items()
               if role in rule.parts]
    if "hhmm" in rule.parts:
        outside.append(f"{hhmm} % 100 > 59")
    made = f"try(({date})::TIMESTAMP + to_seconds(({seconds})::DOUBLE))"
    return f"CASE WHEN {' OR '.join(outside)} THEN NULL ELSE {made} END" if outside else made


@lru_cache(maxsize=512)
def fixed_offset_s(zone: str, since_year: int | None = None) -> int | None:
    """
    Return the seconds that local time is ahead of UTC, or None where the zone is not a fixed offset.

    With `since_year`, an IANA zone whose clocks were never changed from that year on is one too.
    """
    if zone in ("UTC", "in_stamp"):
        return 0
    match = FIXED_OFFSET.match(zone)
    if match:
        sign = 1 if match.group(1) == "+" else -1
        return sign * (int(match.group(2)) * 3600 + int(match.group(3)) * 60)
    if since_year is None or zone == "site":
        return None
    clock = ZoneInfo(zone)
    first = date(since_year, 1, 1).toordinal() - 1
    offsets = {datetime.fromordinal(first + 7 * place).replace(tzinfo=clock).utcoffset()
               for place in range((date(_LAST_YEAR, 1, 1).toordinal() - first) // 7)}
    if len(offsets) != 1 or (only := offsets.pop()) is None:
        return None
    return int(only.total_seconds())
