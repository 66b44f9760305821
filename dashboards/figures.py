"""Plotly figures as JSON that a page sets in itself: thinned, rounded, drawable without colour, offline."""

import json
from collections.abc import Sequence
from datetime import date

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from markupsafe import Markup

from dashboards.shown import UNIT_PRINTED, DeskUnits, clean
from dashboards.views import DAYS_SHOWN, FleetView, PowerPicture, SiteView, is_measuring
from dashboards.wording import desk
from diagnostics.results import WaterAccount
from diagnostics.units import convert

INK, PAPER, WATER, EARTH, BAND, GRID = "#1d262b", "#ffffff", "#2f6478", "#a4622b", "#e3ddcf", "#dcd7cb"
FAINT = "#6b757a"
_POINTS = 500           # a daily summary of many years is thinned evenly
_YEARLY_TICKS = 330     # days from which a tick needs its year
_PHONE_DAYS = 45        # days a narrow screen can show as bars; the table has them all
_SANS = "Verdana, 'DejaVu Sans', 'Liberation Sans', Arial, sans-serif"
# Summaries that cannot lie below nought: a riser takes no less than nothing to fill.
NEVER_BELOW = frozenset({"fill_volume"})
# Distinguishable in black and white: pattern first, colour second.
_FILLS: tuple[tuple[str, str], ...] = (
    ("", WATER), ("/", EARTH), (".", "#7d8b52"), ("x", "#6d5a7e"), ("-", "#8a8577"), ("\\", "#b98d3e"),
    ("|", "#47727a"), ("+", "#99566a"))
_DAY_MARKS: dict[str, tuple[str, str]] = {
    "tank_full": ("triangle-up-open", "tank full"), "stopped": ("x", "stopped"),
    "low_water": ("triangle-down-open", "low-water stop"), "silent": ("line-ew-open", "no readings"),
    "not_judged": ("diamond-open", "not judged")}


def figure_json(figure: go.Figure) -> Markup:
    """Return a figure as JSON that can stand inside a script element: no '<' can end it."""
    text = json.dumps(json.loads(figure.to_json()), separators=(",", ":"), ensure_ascii=True, sort_keys=True)
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))  # noqa: S704


def delivered_against_expected(view: SiteView) -> go.Figure:
    """Draw delivered water a day against expected with its 95 % band; states stand below as marks of their own."""
    days, unit = view.diagnosis.days.tail(DAYS_SHOWN), view.units.volume
    at = [pd.Timestamp(day).date().isoformat() for day in days.index]
    figure = _figure(300, f"{UNIT_PRINTED[unit]} a day")
    low, high, middle = (_values(days[name], unit) for name in
                         ("expected_low_m3", "expected_high_m3", "expected_m3"))
    for first, last in _runs(np.isfinite(days["expected_m3"].to_numpy(dtype=float))):
        figure.add_scatter(
            x=at[first:last] + at[first:last][::-1], y=high[first:last] + low[first:last][::-1], fill="toself",
            fillcolor=BAND, line={"width": 0}, mode="lines", hoverinfo="skip", name="95 % of expected",
            legendgroup="band", showlegend=first == 0)
    judged = days["judged"].to_numpy(dtype=bool)
    figure.add_bar(x=at, y=_values(days["delivered_m3"].where(judged), unit), name="delivered", width=0.75 * 864e5,
                   marker={"color": WATER, "line": {"width": 0}},
                   hovertemplate="%{x}<br>delivered %{y:.3g}<extra></extra>")
    unjudged = _values(days["seen_m3"].where(~judged), unit)
    if any(value is not None for value in unjudged):
        figure.add_bar(x=at, y=unjudged, name="seen, day not judged", width=0.75 * 864e5,
                       marker={"color": PAPER, "line": {"color": FAINT, "width": 1}},
                       hovertemplate="%{x}<br>seen %{y:.3g}, day not judged<extra></extra>")
    figure.add_scatter(x=at, y=middle, mode="lines", name="expected", line={"color": EARTH, "width": 2, "shape": "hvh"},
                       hovertemplate="%{x}<br>expected %{y:.3g}<extra></extra>", connectgaps=False)
    _mark_states(figure, days, at, max([value for value in high + middle if value is not None], default=1.0))
    _mark_services(figure, view, at)
    for place, finding in enumerate(view.open_findings[:3]):
        early = bool(at) and finding.onset.isoformat() < at[len(at) // 3]
        if not at or finding.onset.isoformat() < at[0]:
            continue
        _mark_onset(figure, finding.onset, short_label(finding.cause), "left" if early else "right", place)
    figure.update_layout(barmode="overlay", bargap=0)
    if len(at) > _PHONE_DAYS:
        figure.update_layout(meta={"phone": [_half_day(at[-_PHONE_DAYS], -1), _half_day(at[-1], 1)]})
    return _recent(figure, at)


def flow_against_power(picture: PowerPicture, units: DeskUnits) -> go.Figure:
    """Draw measured flow against power before and after the onset over the healthy curve."""
    figure = _figure(330, f"flow, {UNIT_PRINTED[units.flow]}", f"{picture.power_is}, W")
    since = f"since {picture.onset.day} {picture.onset:%b %Y}" if picture.onset else ""
    for power, flow, name, marker in (
            (picture.before_power_w, picture.before_flow_m3_s, "before" if picture.onset else "measured",
             {"symbol": "circle-open", "color": FAINT, "size": 5}),
            (picture.after_power_w, picture.after_flow_m3_s, since,
             {"symbol": "x-thin-open", "color": WATER, "size": 6, "line": {"width": 1.6, "color": WATER}})):
        if len(power):
            figure.add_scatter(x=_rounded(power, 4), y=_rounded(convert(flow, "m3_s", units.flow), 4), mode="markers",
                               name=name, marker=marker, hovertemplate="%{x:.0f} W<br>%{y:.3g}<extra></extra>")
    reached = 1.1 * float(np.max(np.concatenate((picture.before_power_w, picture.after_power_w)), initial=0.0))
    shown = picture.curve_power_w <= reached
    figure.add_scatter(x=_rounded(picture.curve_power_w[shown], 4), mode="lines", name="healthy",
                       y=_rounded(convert(picture.curve_flow_m3_s[shown], "m3_s", units.flow), 4),
                       line={"color": EARTH, "width": 2.5}, hoverinfo="skip")
    return figure


def evidence_over_time(view: SiteView, column: str, title: str, band: float | None, onset: date | None) -> go.Figure:
    """Draw one daily summary over time, with the band in which a sound site wanders."""
    values = view.diagnosis.summaries[column].dropna()
    values = values.clip(lower=0.0) if column in NEVER_BELOW else values
    values = values.iloc[np.linspace(0, len(values) - 1, min(len(values), _POINTS)).round().astype(int)]
    at = [pd.Timestamp(day).date().isoformat() for day in values.index]
    figure = _figure(190, title)
    if band is not None:
        figure.add_hrect(y0=-band, y1=band, fillcolor=BAND, line_width=0, layer="below")
    figure.add_hline(y=0.0, line={"color": EARTH, "width": 1.5})
    figure.add_scatter(x=at, y=_rounded(values.to_numpy(dtype=float), 3), mode="markers", showlegend=False,
                       marker={"symbol": "circle", "size": 4, "color": WATER},
                       hovertemplate="%{x}<br>%{y:.3g}<extra></extra>")
    if onset is not None and at and at[0] <= onset.isoformat():
        _mark_onset(figure, onset, "")
    figure.update_layout(margin={"t": 26, "b": 26}, yaxis={"title": None}, title={
        "text": title, "font": {"size": 12, "color": INK}, "x": 0, "xref": "paper", "y": 0.97})
    return _recent(figure, at)


def account_bars(accounts: Sequence[WaterAccount], view: SiteView) -> go.Figure:
    """Stack the lines of each month's water account; together they reach the expected volume."""
    unit = view.units.volume
    ordered = sorted(accounts, key=lambda account: account.first_day)
    months = [f"{account.first_day:%b %Y}" for account in ordered]
    figure = _figure(320, f"{UNIT_PRINTED[unit]} a month")
    codes: dict[tuple[str, str], list[float]] = {}
    for place, account in enumerate(ordered):
        for line in account.lines:
            codes.setdefault((line.kind, line.code), [0.0] * len(ordered))[place] += float(
                convert(line.volume_m3, "m3", unit))
    kinds = ("delivered", "state", "cause", "unexplained")
    for number, ((kind, code), volumes) in enumerate(sorted(codes.items(), key=lambda pair: kinds.index(pair[0][0]))):
        shape, colour = _FILLS[0] if kind == "delivered" else (
            ("", "#f3efe5") if kind == "unexplained" else _FILLS[1 + (number - 1) % (len(_FILLS) - 1)])
        figure.add_bar(
            x=months, y=_rounded(np.asarray(volumes), 4), name=account_label(kind, code),
            marker={"color": colour, "line": {"color": INK, "width": 0.8},
                    "pattern": {"shape": shape, "fgcolor": INK, "fgopacity": 0.55, "size": 6, "solidity": 0.25}},
            hovertemplate="%{x}<br>%{y:.4g}<extra>%{fullData.name}</extra>")
    figure.add_scatter(x=months, y=_rounded(convert([account.expected_m3 for account in ordered], "m3", unit), 4),
                       mode="markers", name="expected", marker={"symbol": "line-ew-open", "size": 34, "color": INK,
                                                                "line": {"width": 3, "color": INK}},
                       hovertemplate="%{x}<br>expected %{y:.4g}<extra></extra>")
    figure.update_layout(barmode="relative", bargap=0.45)
    figure.update_xaxes(type="category")
    return figure


def fleet_losses(fleet: FleetView) -> go.Figure:
    """Draw what the fleet's water of the month went to, the largest on top."""
    unit = fleet.units.volume
    rows = [row for row in fleet.lost if row.volume_m3 > 0.0][::-1]
    figure = _figure(max(170, 34 * len(rows) + 70), "", UNIT_PRINTED[unit])
    shapes = {"cause": ("/", EARTH), "measuring": ("x", "#8a8577"), "state": (".", "#7d8b52"),
              "unexplained": ("", "#f3efe5")}
    for kind, name in (("cause", "fault"), ("measuring", "not metered"), ("state", "normal condition"),
                       ("unexplained", "not explained")):
        part = [row for row in rows if kind == ("measuring" if is_measuring(row.code) else row.kind)]
        if not part:
            continue
        middle = convert([row.volume_m3 for row in part], "m3", unit)
        figure.add_bar(
            y=[account_label(row.kind, row.code) for row in part], x=_rounded(middle, 4),
            orientation="h", name=name,
            error_x={"type": "data", "symmetric": False, "color": INK, "thickness": 1.2, "width": 4,
                     "array": _rounded(np.maximum(convert([row.high_m3 for row in part], "m3", unit) - middle, 0), 4),
                     "arrayminus": _rounded(np.maximum(middle - convert([row.low_m3 for row in part], "m3", unit), 0),
                                            4)},
            marker={"color": shapes[kind][1], "line": {"color": INK, "width": 0.8},
                    "pattern": {"shape": shapes[kind][0], "fgcolor": INK, "fgopacity": 0.5, "size": 6,
                                "solidity": 0.25}},
            hovertemplate="%{y}<br>%{x:.4g}<extra></extra>")
    figure.update_layout(bargap=0.35, barmode="overlay")
    figure.update_yaxes(automargin=True, categoryorder="array",
                        categoryarray=[account_label(row.kind, row.code) for row in rows])
    return figure


def short_label(code: str) -> str:
    """Return the few words for a cause that tables and legends have room for."""
    return str(desk()["cause"].get(code, code.replace("_", " ").capitalize()))


def account_label(kind: str, code: str) -> str:
    """Return what a line of the water account is called."""
    words = desk()
    if kind in ("delivered", "unexplained"):
        return str(words["account"][kind])
    if kind == "state":
        return str(words["state"].get(code, code.replace("_", " ").capitalize()))
    return short_label(code)


def _figure(height: int, y_title: str, x_title: str = "") -> go.Figure:
    figure = go.Figure()
    figure.update_layout(
        template=None, height=height, autosize=True, dragmode=False, hovermode="closest",
        font={"family": _SANS, "size": 12, "color": INK}, paper_bgcolor=PAPER, plot_bgcolor=PAPER,
        margin={"l": 52, "r": 10, "t": 34, "b": 40}, showlegend=True,
        legend={"orientation": "h", "x": 0, "xanchor": "left", "y": 1.02, "yanchor": "bottom", "font": {"size": 11}},
        xaxis={"title": {"text": x_title}, "showgrid": False, "linecolor": INK, "ticks": "outside", "ticklen": 4,
               "automargin": True, "fixedrange": True},
        yaxis={"title": {"text": y_title}, "gridcolor": GRID, "zerolinecolor": INK, "automargin": True,
               "fixedrange": True, "rangemode": "tozero"})
    return figure


def _recent(figure: go.Figure, at: Sequence[str]) -> go.Figure:
    if at:
        long = (pd.Timestamp(at[-1]) - pd.Timestamp(at[0])).days > _YEARLY_TICKS
        figure.update_xaxes(type="date", tickformat="%b %Y" if long else "%-d %b",
                            range=[_half_day(at[0], -1), _half_day(at[-1], 1)])
    return figure


def _half_day(day: str, sign: int) -> str:
    return str((pd.Timestamp(day) + sign * pd.Timedelta("12h")).isoformat())


def _mark_states(figure: go.Figure, days: pd.DataFrame, at: Sequence[str], top: float) -> None:
    states = days["main_state"].to_numpy()
    for state, (symbol, name) in _DAY_MARKS.items():
        there = [at[place] for place in np.flatnonzero(states == state)]
        if there:
            figure.add_scatter(x=there, y=[-0.05 * top] * len(there), mode="markers", name=name, cliponaxis=False,
                               marker={"symbol": symbol, "size": 7, "color": INK, "line": {"width": 1.3,
                                                                                          "color": INK}},
                               hovertemplate="%{x}<br>" + name + "<extra></extra>")
    figure.update_yaxes(range=[-0.1 * top, 1.06 * top])


def _mark_services(figure: go.Figure, view: SiteView, at: Sequence[str]) -> None:
    """Put the service log on top of the picture: did a step coincide with somebody's work?"""
    zone = view.site.timezone
    entries = [(pd.Timestamp(event.when_utc).tz_convert(zone).date().isoformat(), clean(event.action).replace("_", " "))
               for event in view.service_events]
    entries = [(day, action) for day, action in entries if at and at[0] <= day <= at[-1]]
    if entries:
        figure.add_scatter(x=[day for day, _ in entries], y=[1.03] * len(entries), yaxis="y2", mode="markers",
                           name="service", marker={"symbol": "star", "size": 9, "color": PAPER,
                                                   "line": {"width": 1.3, "color": INK}},
                           text=[_as_text(action) for _, action in entries],
                           hovertemplate="%{x}<br>%{text}<extra></extra>", cliponaxis=False)
        figure.update_layout(yaxis2={"overlaying": "y", "range": [0, 1.06], "visible": False, "fixedrange": True})


def _mark_onset(figure: go.Figure, onset: date, label: str, anchor: str = "right", row: int = 0
                ) -> None:
    figure.add_shape(type="line", x0=onset.isoformat(), x1=onset.isoformat(), y0=0, y1=1, yref="paper",
                     line={"color": INK, "width": 1.2, "dash": "dot"})
    if label:
        figure.add_annotation(x=onset.isoformat(), y=1 - 0.09 * row, yref="paper", text=_as_text(label),
                              showarrow=False, xanchor=anchor, yanchor="top",
                              font={"size": 11}, bgcolor="rgba(255,255,255,0.8)")


def _as_text(label: str) -> str:
    """Plotly reads a little markup in texts: take its meaning away."""
    return label.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _runs(known: np.ndarray) -> list[tuple[int, int]]:
    """Return (first, past last) of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], known.astype(int), [0]))))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _values(series: "pd.Series[float]", unit: str) -> list[float | None]:
    return _rounded(convert(series.to_numpy(dtype=float), "m3", unit), 4)


def _rounded(values: np.ndarray, digits: int) -> list[float | None]:
    numbers = np.atleast_1d(np.asarray(values, dtype=float))
    with np.errstate(divide="ignore", invalid="ignore"):
        places = np.where(numbers == 0, 0, digits - 1 - np.floor(np.log10(np.abs(numbers))))
    return [None if not np.isfinite(value) else round(float(value), int(place))
            for value, place in zip(numbers, np.nan_to_num(places), strict=True)]
