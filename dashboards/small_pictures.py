"""Small pictures drawn as SVG in the page itself: the month of a site in a strip, the calendar of its days."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import pandas as pd
from markupsafe import Markup, escape

from dashboards.shown import day_words, in_desk_words, volume, volume_number
from dashboards.wording import desk

_STEP, _BASE, _HEIGHT = 20, 92, 112     # of the strip, in its own units: a day, the ground line, the whole


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


def month_strip(days: pd.DataFrame, as_of: date, *, count: int = 30, unit: str = "m3") -> Markup:
    """
    Draw the last days as bars under a stepped line, in few bytes: a desk may show hundreds of these.

    Days not judged are hollow and carry a question mark, silent ones a dash.
    """
    wanted = [as_of - timedelta(days=back) for back in range(count - 1, -1, -1)]
    recent = days.tail(2 * count)
    rows = {pd.Timestamp(day).date(): row for day, row in zip(recent.index, recent.to_dict("records"), strict=True)}
    top = max([1e-9] + [value for day in wanted if day in rows for value in (
        _known(rows[day]["expected_m3"]), _known(rows[day]["seen_m3"]))])
    scale = (_BASE - 8) / top
    judged, hollow, line, signs = "", "", "", ""
    on_line = False
    for place, day in enumerate(wanted):
        x, row = place * _STEP, rows.get(day)
        silent = row is None or row["main_state"] == "silent"
        should = math.nan if row is None or silent else float(row["expected_m3"])
        if math.isfinite(should):
            line += f"{'V' if on_line else f'M{x} '}{_BASE - should * scale:.0f}h{_STEP}"
        on_line = math.isfinite(should)
        if row is None or silent:
            signs += _sign(x, _BASE - 2, "–")
            continue
        tall = _known(row["delivered_m3"] if row["judged"] else row["seen_m3"]) * scale
        bar = f"M{x + 2} {_BASE}v-{tall:.0f}h{_STEP - 4}v{tall:.0f}" if tall >= 0.5 else ""
        judged, hollow = (judged + bar, hollow) if row["judged"] else (judged, hollow + bar)
        sign = {"tank_full": "F", "stopped": "×", "low_water": "w"}.get(row["main_state"], "")
        sign = sign or ("" if row["judged"] else "?")
        signs += _sign(x, _HEIGHT - 1, sign) if sign else ""
    return Markup(  # noqa: S704
        f'<svg class="strip" viewBox="0 0 {count * _STEP} {_HEIGHT}" role="img" '
        f'aria-label="{escape(_strip_says(rows, wanted, unit))}">'
        f'<path class="b" d="{judged}"/><path class="u" d="{hollow}"/>'
        f'<path class="e" d="{line}"/><path class="k" d="M0 {_BASE}h{count * _STEP}"/>{signs}</svg>')


def calendar(days: pd.DataFrame, unit: str = "m3") -> tuple[CalendarWeek, ...]:
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
            week.append(_calendar_day(day, rows[day], words, unit) if day in rows else None)
        label = f"{monday.day} {monday:%b}" + (f" {monday.year}" if monday.month == 1 and monday.day <= 7 else "")
        weeks.append(CalendarWeek(label, tuple(week)))
        monday += timedelta(days=7)
    return tuple(weeks)


def _calendar_day(day: date, row: dict[str, object], words: dict[str, dict[str, str]], unit: str) -> CalendarDay:
    state = str(row["main_state"])
    state = state if state in words else "not_judged"
    if not row["judged"] and state not in ("silent", "not_judged"):
        state = "not_judged"
    says = f"{day_words(day)}: {words[state]['word']}"
    if not row["judged"] and row["reason"] and state != "silent":
        says += f" ({in_desk_words(str(row['reason']), unit)})"
    if row["judged"]:
        says += (f", {volume_number(float(str(row['delivered_m3'])), unit)} of "
                 f"{volume(float(str(row['expected_m3'])), unit)}")
    return CalendarDay(day, words[state]["sign"], words[state]["pattern"], says)


def _known(value: object) -> float:
    number_ = float(str(value))
    return number_ if math.isfinite(number_) else 0.0


def _sign(x: float, y: float, sign: str) -> str:
    return f'<text x="{x + _STEP / 2:.0f}" y="{y}">{sign}</text>'


def _strip_says(rows: dict[date, dict[str, object]], wanted: Sequence[date], unit: str) -> str:
    judged = [rows[day] for day in wanted if day in rows and rows[day]["judged"]]
    got = sum(_known(row["delivered_m3"]) for row in judged)
    should = sum(_known(row["expected_m3"]) for row in judged)
    return (f"Last {len(wanted)} days: {volume_number(got, unit)} of {volume(should, unit)} expected, "
            f"{len(judged)} days judged.")
