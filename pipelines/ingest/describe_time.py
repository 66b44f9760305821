"""Which columns of an unknown file hold the time, in which form."""

import re
import warnings
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from pipelines.ingest.describe_cells import SampleTable, is_number

DATE_FORMATS = ("%Y-%m-%d", "%Y/%m/%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%m-%d-%Y", "%Y%m%d",
                "%d.%m.%y", "%d/%m/%y", "%m/%d/%y", "%d-%b-%Y", "%d %b %Y", "%Y.%m.%d")
TIME_FORMATS = ("%H:%M:%S", "%H:%M", "%H:%M:%S.%f", "%I:%M:%S %p", "%I:%M %p", "%H%M", "%H.%M")
ISO_WITH_OFFSET = re.compile(r"^\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}.*([+-]\d{2}:?\d{2}|Z)$")
ISO = re.compile(r"^\d{4}-\d{2}-\d{2}([T ]\d{2}:\d{2}(:\d{2}(\.\d+)?)?)?$")
ZONE_WORDS = (("utc", "UTC"), ("gmt", "UTC"))
PART_NAMES = {"year": "year", "yyyy": "year", "jahr": "year", "month": "month", "mon": "month", "mm": "month",
              "day": "day", "dd": "day", "doy": "day_of_year", "jday": "day_of_year", "day_of_year": "day_of_year",
              "hour": "hour", "hh": "hour", "hr": "hour", "minute": "minute", "min": "minute", "mi": "minute",
              "second": "second", "sec": "second", "hhmm": "hhmm", "ms": "millisecond"}
# What these letters stand for by common practice; some stand for other zones elsewhere, which is said.
ZONE_LETTERS = {"EST": "-05:00", "CST": "-06:00", "MST": "-07:00", "PST": "-08:00", "CET": "+01:00", "EAT": "+03:00",
                "CAT": "+02:00", "WAT": "+01:00", "SAST": "+02:00", "IST": "+05:30"}
DAYS_AND_HOURS = re.compile(r"(?:utc|gmt)?\s*off\s?set\W*-\s?(\d+) days?, \+?(\d{1,2}):(\d{2})", re.IGNORECASE)
SHORT_TIMES = ("%H%M", "%H.%M")
TIME_NAME = re.compile(r"time|tijd|zeit|uur|stunde|hora|heure|hour|hhmm|utc|gmt|[A-Z]{2}T$|^t$|^column \d+$")
OFFSET_WORD = re.compile(r"\b(?:utc|gmt)\s?([+-])\s?(\d{1,2})(?::?(\d{2}))?\b", re.IGNORECASE)


@dataclass
class TimeGuess:
    """Settings of [time], the columns used, and what remains open."""

    settings: dict[str, Any]
    columns: list[str]
    confidence: float
    zone_is_said: bool
    order_is_open: bool = False
    notes: list[str] = field(default_factory=list)
    frame: dict[str, Any] = field(default_factory=dict)


def time_guess(table: SampleTable, top: str) -> TimeGuess | None:
    """Return how the stamps are written, or None where nothing looks like one."""
    found = (_one_column(table) or _two_columns(table) or _parts(table, _named_parts(table))
             or _parts(table, _parts_by_range(table)) or _numbers(table))
    frame: dict[str, Any] = {}
    if found is None and (in_head := _year_in_first_line(table) or _month_above(table, top)):
        found, frame = in_head
    if found is None:
        return None
    stamps, settings, columns, order_open = found
    steps = stamps.diff().dropna().dt.total_seconds()
    rising = float((steps > 0).mean()) if len(steps) else 0.5
    guess = TimeGuess(settings, columns, round(0.5 + 0.5 * rising - 0.3 * order_open, 2), settings.get("zone") in
                      ("in_stamp", "UTC"), order_open, frame=frame)
    if "zone" not in settings:
        zone = _zone_in_words(top, columns)
        settings["zone"] = zone or "site"
        guess.zone_is_said = zone is not None
        if zone:
            guess.notes.append(f"the file speaks of the zone {zone}; check that its clock really follows it.")
    usual = steps[steps > 0].mode()
    if len(usual):
        step = float(usual.iloc[0])
        share = float((steps == step).mean())
        guess.notes.append(f"usual step {step:g} s ({share:.0%} of the steps).")
        if share > 0.9:
            settings["interval_s"] = step
    if len(stamps.dropna()) and stamps.dropna().dt.year.min() < 2005:
        settings["earliest_year"] = int(stamps.dropna().dt.year.min())
    if (steps < 0).any():
        guess.notes.append(f"stamps step back {int((steps < 0).sum())} time(s) in the sample.")
    if (steps == 0).any():
        guess.notes.append(f"stamps repeat {int((steps == 0).sum())} time(s) in the sample.")
    return guess


def _zone_in_words(top: str, columns: list[str]) -> str | None:
    words = f"{top} {' '.join(columns)}"
    if match := DAYS_AND_HOURS.search(words):       # "-1 day, 19:00" is five hours behind
        minutes = int(match.group(1)) * 1440 - int(match.group(2)) * 60 - int(match.group(3))
        return f"-{minutes // 60:02d}:{minutes % 60:02d}" if 0 < minutes <= 14 * 60 else None
    if match := OFFSET_WORD.search(words):
        return f"{match.group(1)}{int(match.group(2)):02d}:{match.group(3) or '00'}"
    letters = [zone for word, zone in ZONE_LETTERS.items()
               if any(re.search(rf"(?<![A-Za-z]){word}(?![A-Za-z])", column) for column in columns)]
    if letters:
        return letters[0]
    return next((zone for word, zone in ZONE_WORDS if re.search(rf"\b{word}\b", words, re.IGNORECASE)), None)


def _parsed(texts: list[str], form: str) -> pd.Series:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pd.to_datetime(pd.Series(texts, dtype="object"), format=form, errors="coerce")


def _formats_that_fit(texts: list[str], formats: list[str]) -> list[tuple[str, pd.Series]]:
    head = [text for text in texts if text][:20]
    fitting = [form for form in formats if head and _parsed(head, form).notna().all()]
    tried = [(form, _parsed(texts, form)) for form in fitting]
    return [(form, stamps) for form, stamps in tried if stamps.notna().mean() > 0.95]


def _best(fits: list[tuple[str, pd.Series]]) -> tuple[str, pd.Series, bool]:
    """Return the form whose stamps rise most evenly, and whether another one fits as well."""
    def unevenness(stamps: pd.Series) -> tuple[float, float]:
        steps = stamps.diff().dropna().dt.total_seconds()
        return (float((steps < 0).mean()), float((steps != steps.mode().iloc[0]).mean())) if len(steps) else (0.0, 0.0)

    ranked = sorted(fits, key=lambda fit: unevenness(fit[1]))
    def swapped(form: str) -> str:
        return form.replace("%d", "?").replace("%m", "%d").replace("?", "%m")

    rivals = [stamps for form, stamps in ranked[1:] if form == swapped(ranked[0][0])]
    open_order = bool(rivals) and unevenness(ranked[0][1]) == unevenness(rivals[0])
    return (*ranked[0], open_order)


def _one_column(table: SampleTable) -> tuple[pd.Series, dict[str, Any], list[str], bool] | None:
    combined = [f"{date} {time}" for date in DATE_FORMATS for time in TIME_FORMATS[:5]]
    combined += [f"{date}T{time}" for date in DATE_FORMATS[:2] for time in TIME_FORMATS[:3]]
    for column in table.columns[:12]:
        texts = table.texts(column)
        shown = [text for text in texts if text]
        if not shown or len(shown) < 0.8 * len(texts) or all(is_number(text) for text in shown[:50]):
            continue
        if all(ISO_WITH_OFFSET.match(text) for text in shown[:200]):
            stamps = pd.to_datetime(pd.Series(texts, dtype="object"), format="ISO8601", errors="coerce", utc=True)
            return stamps.dt.tz_localize(None), {"columns": [column], "zone": "in_stamp"}, [column], False
        if all(ISO.match(text) for text in shown[:200]) and len(shown[0]) > 10:
            return (pd.to_datetime(pd.Series(texts, dtype="object"), format="ISO8601", errors="coerce"),
                    {"columns": [column]}, [column], False)
        if fits := _formats_that_fit(texts, combined):
            form, stamps, order_open = _best(fits)
            return stamps, {"columns": [column], "format": form}, [column], order_open
    return None


def _two_columns(table: SampleTable) -> tuple[pd.Series, dict[str, Any], list[str], bool] | None:
    for place, column in enumerate(table.columns[:10]):
        texts = table.texts(column)
        if not any(texts) or not (dates := _formats_that_fit(texts, list(DATE_FORMATS))):
            continue
        is_plain_number = all(is_number(text) for text in texts[:50] if text)
        if is_plain_number and not all(re.match(r"^(19|20)\d{6}$", text) for text in texts[:50] if text):
            continue
        for other in table.columns[place + 1:place + 3]:
            forms = [form for form in TIME_FORMATS if form not in SHORT_TIMES or TIME_NAME.search(other)]
            if times := _formats_that_fit(table.texts(other), forms):
                joined = [f"{one} {two}" for one, two in zip(texts, table.texts(other), strict=True)]
                fits = [(f"{date} {times[0][0]}", _parsed(joined, f"{date} {times[0][0]}")) for date, _ in dates]
                form, stamps, order_open = _best(fits)
                used = [column, other]
                parts = next((name for name in table.columns if name.strip().lower() in ("ms", "msec", "millisecond")),
                             None)
                if parts is not None:
                    used, form = [*used, parts], f"{form} %g"
                    stamps = stamps + pd.to_timedelta(table.numbers(parts).fillna(0), unit="ms")
                return stamps, {"columns": used, "format": form}, used, order_open
        form, stamps, order_open = _best(dates)
        return stamps, {"columns": [column], "format": form}, [column], order_open
    return None


def _named_parts(table: SampleTable) -> dict[str, str]:
    """Return role -> column where the header names parts of a date."""
    parts: dict[str, str] = {}
    for column in table.columns:
        role = PART_NAMES.get(column.strip().lower())
        if role and role not in parts:
            parts[role] = column
    return parts


def _parts_by_range(table: SampleTable) -> dict[str, str]:
    """Return role -> column for a year in one of the first columns and what follows it, by the range of numbers."""
    numbers = [pd.to_numeric(pd.Series(table.texts(column)), errors="coerce") for column in table.columns[:12]]
    orders = (("year", "day_of_year", "month", "day", "hour", "minute"), ("year", "month", "day", "hour", "minute"),
              ("year", "day_of_year", "hhmm"))
    bounds = {"year": (1990, 2100), "day_of_year": (1, 366), "month": (1, 12), "day": (1, 31), "hour": (0, 24),
              "minute": (0, 59), "hhmm": (0, 2400)}
    for start in range(min(4, len(numbers))):
        for order in orders:
            columns = numbers[start:start + len(order)]
            if len(columns) == len(order) and all(
                    bool(column.between(*bounds[role]).all()) and bool((column % 1 == 0).all())
                    for role, column in zip(order, columns, strict=True)):
                parts = dict(zip(order, table.columns[start:start + len(order)], strict=True))
                if "month" in parts:
                    parts.pop("day_of_year", None)
                return parts
    return {}


_Found = tuple[pd.Series, dict[str, Any], list[str], bool]


def _year_in_first_line(table: SampleTable) -> tuple[_Found, dict[str, Any]] | None:
    """Return day of year and hour where the year stands once, in a first line of numbers above the rows."""
    if len(table.rows) < 3 or len(table.columns) < 3:
        return None
    head, body = table.rows[0], SampleTable(table.columns, table.rows[1:])
    at = next((place for place, cell in enumerate(head[:4]) if re.fullmatch(r"(19|20)\d\d", cell)), None)
    day, clock = (pd.to_numeric(pd.Series(body.texts(column)), errors="coerce") for column in table.columns[:2])
    if at is None or not (day.between(1, 366).all() and clock.between(0, 2400).all() and (clock % 100 < 60).all()
                          and (day % 1 == 0).all() and (clock.diff().dropna() > 0).mean() > 0.9):
        return None
    parts = {"day_of_year": table.columns[0], "hhmm": table.columns[1]}
    stamps = pd.Timestamp(f"{head[at]}-01-01") + pd.to_timedelta(day - 1, unit="D") + pd.to_timedelta(
        clock // 100 * 60 + clock % 100, unit="min")
    pattern = "^" + "".join(f"{re.escape(cell)}[^\\w.-]+" for cell in head[:at]) + "(?P<year>\\d{4})"
    return (stamps, {"parts": parts, "header_pattern": pattern}, list(parts.values()), False), {"preamble_lines": 1}


def _month_above(table: SampleTable, top: str) -> tuple[_Found, dict[str, Any]] | None:
    """Return day of the month and minute of the day where month and year stand once, above the rows."""
    match = re.search(r"^[ \t]*(?:(\d+)[ \t]+)?(1[0-2]|0?[1-9])[ \t]+((?:19|20)\d\d)\b", top, re.MULTILINE)
    if match is None or len(table.columns) < 4 or not len(table.rows):
        return None
    day, minute = (pd.to_numeric(pd.Series(table.texts(column)), errors="coerce") for column in table.columns[:2])
    if not (day.between(1, 31).all() and minute.between(0, 1439).all() and (day % 1 == 0).all()
            and (minute.diff().dropna() > 0).mean() > 0.9):
        return None
    parts = {"day": table.columns[0], "minute_of_day": table.columns[1]}
    stamps = pd.Timestamp(int(match.group(3)), int(match.group(2)), 1) + pd.to_timedelta(
        (day - 1) * 1440 + minute, unit="min")
    before = f"{match.group(1)}\\s+" if match.group(1) else ""
    pattern = f"^\\s*{before}(?P<month>\\d+)\\s+(?P<year>\\d{{4}})"
    return (stamps, {"parts": parts, "header_pattern": pattern}, list(parts.values()), False), {}


def _parts(table: SampleTable, parts: dict[str, str]) -> tuple[pd.Series, dict[str, Any], list[str], bool] | None:
    if "year" not in parts or not ({"day_of_year"} <= parts.keys() or {"month", "day"} <= parts.keys()):
        return None
    if "hour" not in parts and "hhmm" not in parts:
        beside = table.columns[table.columns.index(parts.get("day_of_year", parts.get("day", ""))) + 1:][:1]
        if beside and all(is_number(text) and float(text) <= 2400 for text in table.texts(beside[0])[:200] if text):
            parts["hhmm"] = beside[0]
    numbers = {role: pd.to_numeric(pd.Series(table.texts(column)), errors="coerce") for role, column in parts.items()}
    day = (numbers["day_of_year"] - 1 if "day_of_year" in numbers else numbers["day"] - 1)
    base = pd.to_datetime(numbers["year"].astype("Int64").astype(str) + "-" + (
        numbers["month"].astype("Int64").astype(str) if "month" in numbers else "1") + "-1", errors="coerce",
        format="%Y-%m-%d")
    hhmm = numbers.get("hhmm", 0)
    stamps = base + pd.to_timedelta(day, unit="D") + pd.to_timedelta(
        numbers.get("hour", 0) * 60 + numbers.get("minute", 0) + hhmm // 100 * 60 + hhmm % 100, unit="min")
    return stamps, {"parts": parts}, list(parts.values()), False


def _numbers(table: SampleTable) -> tuple[pd.Series, dict[str, Any], list[str], bool] | None:
    for column in table.columns[:4]:
        numbers = pd.to_numeric(pd.Series(table.texts(column)), errors="coerce")
        if not len(numbers) or numbers.isna().mean() > 0.05 or not (numbers.diff().dropna() >= 0).mean() > 0.95:
            continue
        for low, high, form, unit in ((1e9, 4e9, "epoch_s", "s"), (1e12, 4e12, "epoch_ms", "ms")):
            if numbers.between(low, high).mean() > 0.95:
                return pd.to_datetime(numbers, unit=unit), {"columns": [column], "format": form, "zone": "UTC"}, [
                    column], False
        if numbers.between(36_000, 60_000).mean() > 0.95 and (numbers % 1 != 0).any():
            stamps = pd.Timestamp("1899-12-30") + pd.to_timedelta((numbers * 86400).round(), unit="s")
            return stamps, {"columns": [column], "format": "spreadsheet_days"}, [column], False
    return None
