"""Small pictures drawn as SVG in the page itself: the month of a site in a strip, the calendar of its days."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import pandas as pd
from markupsafe import Markup, escape

from dashboards.shown import number
from dashboards.wording import desk

_INK, _WATER, _EARTH = "#1d262b", "#2f6478", "#a4622b"


@dataclass(frozen=True, slots=True)
class CalendarDay:
    """One day of the calendar: sign, pattern and the words that say it."""

    day: date
    sign: str
    pattern: str
    says: str


@dataclass(frozen=True, slots=True)
class CalendarWeek:
    """One row of the calendar, Monday first; None where the table has no day."""

    label: str
    days: tuple[CalendarDay | None, ...]


def month_strip(days: pd.DataFrame, as_of: date, *, count: int = 30, width: int = 300, height: int = 56) -> Markup:
    """Draw the last days as bars under a stepped line; unknown days carry a question mark, silent ones a dash."""
    wanted = [as_of - timedelta(days=back) for back in range(count - 1, -1, -1)]
    rows = {pd.Timestamp(day).date(): row for day, row in zip(days.index, days.to_dict("records"), strict=True)}
    top = max([1e-9] + [value for day in wanted if day in rows for value in (
        _known(rows[day]["expected_m3"]), _known(rows[day]["seen_m3"]))])
    step, base = width / count, height - 10.0
    parts: list[str] = []
    line: list[str] = []
    for place, day in enumerate(wanted):
        x, row = place * step, rows.get(day)
        if row is None or row["main_state"] == "silent":
            parts.append(_text(x + step / 2, base, "–"))
            line.append("")
            continue
        got = row["delivered_m3"] if row["judged"] else row["seen_m3"]
        tall = _known(got) / top * (base - 4)
        fill = _WATER if row["judged"] else "none"
        parts.append(f'<rect x="{x + 0.12 * step:.1f}" y="{base - tall:.1f}" width="{0.76 * step:.1f}" '
                     f'height="{tall:.1f}" fill="{fill}" stroke="{_WATER}" stroke-width=".7"/>')
        sign = {"tank_full": "F", "stopped": "×", "low_water": "w"}.get(row["main_state"], "")
        sign = sign or ("" if row["judged"] else "?")
        if sign:
            parts.append(_text(x + step / 2, height - 0.5, sign))
        should = row["expected_m3"]
        line.append("" if not math.isfinite(should) else
                    f"{x:.1f},{base - should / top * (base - 4):.1f} {x + step:.1f},"
                    f"{base - should / top * (base - 4):.1f}")
    strokes = "".join(f'<polyline points="{points}" fill="none" stroke="{_EARTH}" stroke-width="1.6"/>'
                      for points in _unbroken(line))
    says = escape(_strip_says(rows, wanted))
    return Markup(  # noqa: S704
        f'<svg class="strip" viewBox="0 0 {width} {height}" role="img" aria-label="{says}">'
        f'<line x1="0" x2="{width}" y1="{base}" y2="{base}" stroke="{_INK}" stroke-width=".8"/>'
        + "".join(parts) + strokes + "</svg>")


def calendar(days: pd.DataFrame) -> tuple[CalendarWeek, ...]:
    """Lay the days out by week; each day says its state, and why it is not judged where it is not."""
    words = desk()["day_state"]
    rows = {pd.Timestamp(day).date(): row for day, row in zip(days.index, days.to_dict("records"), strict=True)}
    if not rows:
        return ()
    first, last = min(rows), max(rows)
    monday = first - timedelta(days=first.weekday())
    weeks = []
    while monday <= last:
        week: list[CalendarDay | None] = []
        for offset in range(7):
            day = monday + timedelta(days=offset)
            week.append(_calendar_day(day, rows[day], words) if day in rows else None)
        label = f"{monday.day} {monday:%b}" + (f" {monday.year}" if monday.month == 1 and monday.day <= 7 else "")
        weeks.append(CalendarWeek(label, tuple(week)))
        monday += timedelta(days=7)
    return tuple(weeks)


def _calendar_day(day: date, row: dict[str, object], words: dict[str, dict[str, str]]) -> CalendarDay:
    state = str(row["main_state"])
    state = state if state in words else "not_judged"
    if not row["judged"] and state not in ("silent", "not_judged"):
        state = "not_judged"
    says = f"{day.isoformat()}: {words[state]['word']}"
    if not row["judged"] and row["reason"] and state != "silent":
        says += f" ({row['reason']})"
    if row["judged"]:
        says += f", {number(float(str(row['delivered_m3'])), 3)} of {number(float(str(row['expected_m3'])), 3)} m³"
    return CalendarDay(day, words[state]["sign"], words[state]["pattern"], says)


def _known(value: object) -> float:
    number_ = float(str(value))
    return number_ if math.isfinite(number_) else 0.0


def _text(x: float, y: float, sign: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="9" text-anchor="middle" fill="{_INK}">{sign}</text>'


def _unbroken(points: Sequence[str]) -> list[str]:
    lines: list[list[str]] = [[]]
    for point in points:
        if point:
            lines[-1].append(point)
        elif lines[-1]:
            lines.append([])
    return [" ".join(line) for line in lines if line]


def _strip_says(rows: dict[date, dict[str, object]], wanted: Sequence[date]) -> str:
    judged = [rows[day] for day in wanted if day in rows and rows[day]["judged"]]
    got = sum(_known(row["delivered_m3"]) for row in judged)
    should = sum(_known(row["expected_m3"]) for row in judged)
    return (f"Last {len(wanted)} days: {number(got, 3)} of {number(should, 3)} m³ expected, "
            f"{len(judged)} days judged.")
