"""The letter's picture: one bar a day, a short line where it should be; readable in black and white."""

import io
from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

_INK, _WATER, _LINE, _FAINT = "#1d262b", "#5d7f8c", "#1d262b", "#c9c4b8"


@dataclass(frozen=True, slots=True)
class DayBar:
    """One day of the picture in the owner's unit; None is "not known"."""

    day: int
    delivered: float | None
    should_be: float | None
    tank_full: bool = False


@dataclass(frozen=True, slots=True)
class PictureWords:
    """The few words the picture carries."""

    unit: str
    should_be: str
    tank_full: str
    no_readings: str
    decimal: str
    thousands: str


def letter_picture(bars: Sequence[DayBar], words: PictureWords) -> bytes:
    """Draw the month as PNG bytes; the same input gives the same bytes."""
    figure = Figure(figsize=(6.0, 2.6), dpi=120, facecolor="white")
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.105, 0.2, 0.88, 0.6))
    known = [bar for bar in bars if bar.delivered is not None]
    axes.bar([bar.day for bar in known], [bar.delivered or 0.0 for bar in known], width=0.72, color=_WATER,
             edgecolor=_INK, linewidth=0.6)
    for bar in bars:
        if bar.should_be is not None:
            axes.plot([bar.day - 0.46, bar.day + 0.46], [bar.should_be, bar.should_be], color=_LINE, linewidth=2.0,
                      solid_capstyle="butt")
    top = max([1e-9, *(bar.delivered or 0.0 for bar in bars), *(bar.should_be or 0.0 for bar in bars)]) * 1.08
    axes.set_ylim(0.0, top)
    axes.set_xlim(0.3, max(bar.day for bar in bars) + 0.7)
    for bar in bars:
        if bar.delivered is None:
            axes.text(bar.day, top * 0.03, "?", ha="center", va="bottom", fontsize=11, color=_INK)
        if bar.tank_full:
            axes.plot([bar.day], [-0.055 * top], marker="o", markersize=4.2, color=_INK, clip_on=False)
    _dress(axes, words, len(bars))
    _legend(figure, words, bars)
    held = io.BytesIO()
    figure.savefig(held, format="png", metadata={"Software": None})
    return held.getvalue()


def _dress(axes, words: PictureWords, days: int) -> None:  # type: ignore[no-untyped-def]
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(_INK)
    axes.set_axisbelow(True)
    axes.yaxis.grid(True, color=_FAINT, linewidth=0.7)
    axes.yaxis.set_major_locator(MaxNLocator(nbins=4, steps=[1, 2, 2.5, 5, 10]))
    axes.yaxis.set_major_formatter(FuncFormatter(
        lambda value, _: f"{value:,.6g}".replace(",", "\0").replace(".", words.decimal).replace("\0", words.thousands)))
    axes.tick_params(axis="both", length=0, labelsize=9, colors=_INK)
    axes.set_xticks([day for day in (1, 5, 10, 15, 20, 25, 30) if day <= days])
    axes.tick_params(axis="x", pad=11)
    axes.set_title(words.unit, loc="left", fontsize=9.5, color=_INK, x=-0.1, pad=6)


def _legend(figure: Figure, words: PictureWords, bars: Sequence[DayBar]) -> None:
    parts = [f"▬ {words.should_be}"] if any(bar.should_be is not None for bar in bars) else []
    parts += [f"● {words.tank_full}"] if any(bar.tank_full for bar in bars) else []
    parts += [f"? {words.no_readings}"] if any(bar.delivered is None for bar in bars) else []
    figure.text(0.985, 0.9, "    ".join(parts), ha="right", fontsize=9.5, color=_INK)
