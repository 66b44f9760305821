"""The one jinja environment of pages and letters: autoescape always on, undefined names are errors."""

import re
from datetime import date, datetime
from functools import lru_cache
from importlib import resources
from zoneinfo import ZoneInfo

from jinja2 import Environment, PackageLoader, StrictUndefined, pass_context
from jinja2.runtime import Context
from markupsafe import Markup

from dashboards import shown
from dashboards.wording import desk
from diagnostics.units import convert


@lru_cache(maxsize=1)
def environment() -> Environment:
    """Return the environment; everything printed is escaped unless it was made as markup here."""
    made = Environment(loader=PackageLoader("dashboards", "templates"), autoescape=True, undefined=StrictUndefined,
                       trim_blocks=True, lstrip_blocks=True)
    made.filters.update(
        clean=shown.clean, spoken=_spoken, chance=_chance, number=shown.number, percent=shown.percent,
        with_unit=shown.with_unit, hours=shown.hours, confidence_word=shown.confidence_word, volume=shown.volume,
        in_volume=_in_volume, fixed=_fixed, whole=_whole, long_date=_long_date, short_date=_short_date, stamp=_stamp,
        local_stamp=_local_stamp, local_day=_local_day, loss=shown.loss, volume_number=shown.volume_number)
    return made


@pass_context
def _spoken(context: Context, text: object) -> str:
    """Clean a sentence of the diagnosis, put words in the place of codes, and figures into the page's unit."""
    short = desk()["cause"]
    worded = _codes().sub(lambda found: str(short[found.group()]).lower(), shown.clean(text)).replace("?.", "?")
    return shown.in_desk_words(worded, context.get("unit_code", "m3"), context.get("length_code", "m"))


@lru_cache(maxsize=1)
def _codes() -> re.Pattern[str]:
    return re.compile(r"\b(" + "|".join(sorted((code for code in desk()["cause"] if "_" in code), key=len,
                                               reverse=True)) + r")\b")


def _chance(probability: float) -> str:
    """Print a probability; nothing that was inferred is ever 0 or 100 %."""
    return f"{min(max(round(100.0 * probability), 1), 99)}\u202f%"


def _in_volume(value_m3: float, unit: str) -> float:
    return float(convert(value_m3, "m3", unit))


def _fixed(value: float, places: int) -> str:
    return f"{value + 0.0:,.{places}f}".replace(",", "\u202f").replace("-", "−")


def _whole(value: int) -> str:
    return _fixed(float(value), 0)


def _long_date(when: date) -> str:
    return f"{when.day} {when:%B %Y}"


def _short_date(when: date) -> str:
    return shown.day_words(when)


def _stamp(when: datetime) -> str:
    return f"{when.day} {when:%b %Y, %H:%M} UTC"


def _local_stamp(when: datetime, timezone: str) -> str:
    local = when.astimezone(ZoneInfo(timezone))
    return f"{local.day} {local:%b %Y, %H:%M} ({timezone} time)"


def _local_day(when: datetime, timezone: str) -> date:
    return when.astimezone(ZoneInfo(timezone)).date()


@lru_cache(maxsize=4)
def style(name: str) -> Markup:
    """Return one of our own style sheets, to be set into the page."""
    return Markup(resources.files("dashboards").joinpath("style", name).read_text(encoding="utf-8"))  # noqa: S704


def html_page(template: str, **values: object) -> str:
    """Render one template."""
    return environment().get_template(template).render(style=style, **values)
