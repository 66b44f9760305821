"""Numbers as people read them: rounded by what is known, with the unit beside them, converted at this one door."""

import math
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from diagnostics.units import convert

# What a page prints behind a number for a unit ending; endings not listed print as they are.
UNIT_PRINTED: dict[str, str] = {
    "m3": "m³", "l": "l", "gal_us": "US gal", "gal_imp": "imp. gal", "m3_s": "m³/s", "m3_h": "m³/h", "l_s": "l/s",
    "l_min": "l/min", "gpm_us": "US gpm", "gpm_imp": "imp. gpm", "w_m2": "W/m²", "kwh_m2": "kWh/m²", "c": "°C",
    "f": "°F", "pct": "%", "ratio": "", "deg": "°", "ohm": "Ω", "w": "W", "kw": "kW", "hp": "hp", "v": "V", "a": "A",
    "m": "m", "ft": "ft", "mm": "mm", "pa": "Pa", "kpa": "kPa", "bar": "bar", "psi": "psi", "rpm": "rpm",
    "mm2": "mm²", "h": "h", "days": "days", "K": "K", "s2_m5": "s²/m⁵", "m3_day": "m³/day", "per_k": "/K",
}
# Units of which nobody reads more than two decimal places in the field.
_FINE_ENOUGH = frozenset({"m", "c", "v", "a", "w", "pct", "deg", "h", "days", "K", "rpm", "w_m2", "kwh_m2", "m3_day"})
_FLOW_WITH_VOLUME: dict[str, str] = {"m3": "l_min", "l": "l_min", "gal_us": "gpm_us", "gal_imp": "gpm_imp"}
_NARROW_SPACE = "\u202f"
_NOTHING = 1e-9             # below it a number is left over from arithmetic, nothing that anybody measured
_PERCENT_PLACES = 1
_FINEST_PLACES: dict[str, int] = {"m3": 2}      # volumes finer than 10 l are nothing at a well; other units are smaller
_CUBIC_METRES = re.compile(r"(?<![\w.,−-])([−-]?\d+(?:\.\d+)?)((?: to | and |–)(\d+(?:\.\d+)?))?\s?m3\b(?![/^*])")
_METRES = re.compile(r"(?<![\w.,−-])([−+-]?\d+(?:\.\d+)?)((?: to | and |–)(\d+(?:\.\d+)?))?\s?m\b(?![/^*³²])")
_DEGREES = re.compile(r"(?<![\w.,−-])([−-]?\d+(?:\.\d+)?)\s?degC\b")
_PER_AREA = re.compile(r"(?<=W)(h?)/m2\b")
_BARE_CUBIC = re.compile(r"(?<=\d )m3(?![\w^*])")
_NO_PERCENT = re.compile(r"(?<![\d.,])[+−-]?0(?:\.0+)?(\s?%)")
_ISO_DAY = re.compile(r"(?<![\w-])(\d{4})-(\d{2})-(\d{2})(?![\w-])")
_TURNING_MARKS = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\ufeff"


@dataclass(frozen=True, slots=True)
class DeskUnits:
    """Units in which the service desk reads its pages."""

    volume: str = "m3"
    length: str = "m"

    @property
    def flow(self) -> str:
        """Return the flow unit that goes with the volume unit."""
        return _FLOW_WITH_VOLUME.get(self.volume, "l_min")

    def of(self, unit: str) -> str:
        """Return the desk's unit for a quantity held under an SI ending; endings without one stay as they are."""
        return {"m": self.length, "m3": self.volume, "m3_s": self.flow, "pa": self.pressure,
                "c": self.temperature}.get(unit, unit)

    @property
    def pressure(self) -> str:
        """Return the pressure unit on the gauges of a crew that reads lengths in this unit."""
        return "psi" if self.length == "ft" else "bar"

    @property
    def temperature(self) -> str:
        """Return the temperature unit that goes with the volume unit."""
        return "f" if self.volume == "gal_us" else "c"


def significant(value: float, digits: int = 2) -> float:
    """Round to a number of significant digits; 0 and unknown stay what they are."""
    if not math.isfinite(value) or value == 0.0:
        return value
    return round(value, digits - 1 - math.floor(math.log10(abs(value))))


def number(value: float | None, digits: int = 3, *, decimal: str = ".", thousands: str = _NARROW_SPACE,
           finest: int | None = None) -> str:
    """Print a number with so many significant digits, `finest` decimal places at most; a dash where not known."""
    if value is None or math.isnan(value):
        return "–"
    if math.isinf(value):
        return "∞" if value > 0 else "−∞"
    rounded = 0.0 if abs(value) < _NOTHING else significant(float(value), digits)
    if finest is not None:
        rounded = round(rounded, finest)
    if rounded == 0.0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(rounded))))
    text = f"{rounded:,.{places}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")     # what is known stands in the interval beside it, not in noughts
    return text.replace(",", "\0").replace(".", decimal).replace("\0", thousands).replace("-", "−")


def volume(value_m3: float | None, unit: str = "m3", digits: int = 3) -> str:
    """Print a volume held in cubic metres in the unit asked for, with the unit's name."""
    if value_m3 is None or math.isnan(value_m3):
        return "–"
    return f"{volume_number(value_m3, unit, digits)}{_NARROW_SPACE}{UNIT_PRINTED[unit]}"


def volume_number(value_m3: float | None, unit: str = "m3", digits: int = 3) -> str:
    """Print a volume held in cubic metres in the unit asked for, without the unit's name."""
    if value_m3 is None:
        return "–"
    return number(float(convert(value_m3, "m3", unit)), digits, finest=_FINEST_PLACES.get(unit, 0))


def in_between(low: float, high: float, digits: int = 2) -> tuple[str, str]:
    """Print both ends of an interval to the places that its width bears out, never finer."""
    places = _places(low, high, digits)
    return number(round(low, places) + 0.0, 12), number(round(high, places) + 0.0, 12)


def within(value: float, low: float, high: float, digits: int = 2) -> str:
    """Print a value to the places that the interval around it bears out."""
    return number(round(value, _places(low, high, digits)) + 0.0, 12)


def _places(low: float, high: float, digits: int) -> int:
    """Keep two digits of the half width where it begins below 3.55, otherwise one (a common rounding rule)."""
    half = abs(high - low) / 2.0
    largest = max(abs(low), abs(high))
    if not math.isfinite(largest) or largest < _NOTHING:
        return 0
    if not math.isfinite(half) or half < 1e-6 * largest:
        return digits - 1 - math.floor(math.log10(largest))
    lead = math.floor(math.log10(half))
    return (1 if half / 10.0**lead < 3.55 else 0) - lead


def loss(value_m3: float, low_m3: float, high_m3: float, unit: str = "m3") -> str:
    """Print a volume with its interval; an interval that vanishes by rounding is left off."""
    if math.isnan(value_m3):
        return "–"
    middle, low, high = (float(convert(part, "m3", unit)) for part in (value_m3, low_m3, high_m3))
    if not (math.isfinite(low) and math.isfinite(high)):
        return volume(value_m3, unit, 2)
    finest = _FINEST_PLACES.get(unit, 0)
    ends = tuple(number(end, 2, finest=finest) for end in (low, high))
    shown = f"{number(middle, 2, finest=finest)}{_NARROW_SPACE}{UNIT_PRINTED[unit]}"
    return f"about {shown}" if ends[0] == ends[1] else f"{shown} ({ends[0]} to {ends[1]})"


def day_words(when: date) -> str:
    """Print a day with its short month, as on every page."""
    return f"{when.day} {when:%b %Y}"


def in_desk_words(text: str, unit: str = "m3", length: str = "m") -> str:
    """
    Put a sentence of the diagnosis into the desk's units, its way of writing days, and 0 % without a sign.

    The diagnosis speaks in cubic metres, metres, degrees Celsius and ISO days; figures keep the significant digits
    they had, three at most.
    """
    def volumes(found: re.Match[str]) -> str:
        first, _, second = found.groups()
        shown = _as_precise(first, unit)
        if second is not None:
            shown += found.group(2).replace(second, "") + _as_precise(second, unit)
        return f"{shown}{_NARROW_SPACE}{UNIT_PRINTED[unit]}"

    def lengths(found: re.Match[str]) -> str:
        first, _, second = found.groups()
        shown = _length_as_precise(first)
        if second is not None:
            shown += found.group(2).replace(second, "") + _length_as_precise(second)
        return f"{shown}{_NARROW_SPACE}{UNIT_PRINTED['ft']}"

    def days(found: re.Match[str]) -> str:
        try:
            return day_words(date.fromisoformat(found.group()))
        except ValueError:
            return found.group()

    def degrees(found: re.Match[str]) -> str:
        warm = float(convert(float(found.group(1).replace("−", "-")), "c", temperature))
        return f"{warm:.0f}{_NARROW_SPACE}{UNIT_PRINTED[temperature]}"

    temperature = "f" if unit == "gal_us" else "c"
    text = _BARE_CUBIC.sub("m³", _CUBIC_METRES.sub(volumes, text))
    if length == "ft":
        text = _METRES.sub(lengths, text)
    text = _PER_AREA.sub(r"\1/m²", _DEGREES.sub(degrees, text))
    return _NO_PERCENT.sub(r"0\1", _ISO_DAY.sub(days, text))


def _length_as_precise(figure: str) -> str:
    value = float(figure.replace("−", "-"))
    given = len(figure.replace(".", "").lstrip("−-+0")) or 1
    shown = number(float(convert(value, "m", "ft")), min(max(given, 2), 3), finest=1)
    return f"+{shown}" if figure.startswith("+") else shown


def _as_precise(figure: str, unit: str) -> str:
    value = float(figure.replace("−", "-"))
    given = len(figure.replace(".", "").lstrip("−-0")) or 1
    return volume_number(value, unit, min(max(given, 2), 4 if unit == "m3" else 3))


def percent(ratio: float | None, digits: int = 2) -> str:
    """Print a ratio as per cent."""
    return ("–" if ratio is None or math.isnan(ratio) else
            f"{number(100.0 * ratio, digits, finest=_PERCENT_PLACES)}{_NARROW_SPACE}%")


def with_unit(value: float | None, unit: str, digits: int = 3) -> str:
    """Print a value with the unit ending it is held in."""
    if unit in ("ratio", "1"):
        return percent(value, digits)
    printed = UNIT_PRINTED.get(unit, unit.replace("_", " "))
    shown = number(value, digits, finest=2 if unit in _FINE_ENOUGH else None)
    return shown + (_NARROW_SPACE + printed if printed else "")


def in_desk_unit(value: float, unit: str, units: DeskUnits, digits: int = 3) -> str:
    """Print a value held in SI in the desk's own unit."""
    own = units.of(unit)
    return with_unit(float(convert(value, unit, own)) if own != unit else value, own, digits)


def hours(value: float) -> str:
    """Print a span of hours as a crew reads it."""
    if math.isnan(value):
        return "not known"
    if math.isinf(value):
        return "not falling"
    if value < 1.0:
        return "may be empty now"
    return f"{value:.0f} h" if value < 96.0 else f"{value / 24.0:.0f} days"


def confidence_word(probability: float) -> str:
    """Put a probability into a word; the number stands beside it on every page."""
    for limit, word in ((0.95, "almost certain"), (0.8, "very likely"), (0.6, "likely"), (0.4, "about even"),
                        (0.2, "possible")):
        if probability >= limit:
            return word
    return "unlikely"


def clean(text: object) -> str:
    """
    Take out of a text from outside what could break a line or turn the reading direction.

    Control characters become spaces; embedding, override and isolate marks, which could make a page read backwards,
    are dropped. Letters of right-to-left scripts and their plain direction marks stay.
    """
    kept = (" " if unicodedata.category(char) in ("Cc", "Zl", "Zp") else char for char in str(text)
            if char not in _TURNING_MARKS)
    return re.sub(r"\s+", " ", "".join(kept)).strip()


def great_circle_km(one: Mapping[str, float], other: Mapping[str, float]) -> float:
    """Distance between two places given by latitude_deg and longitude_deg, on a sphere of 6371 km."""
    lat_1, lat_2 = math.radians(one["latitude_deg"]), math.radians(other["latitude_deg"])
    d_lon = math.radians(other["longitude_deg"] - one["longitude_deg"])
    half = math.sin((lat_2 - lat_1) / 2) ** 2 + math.cos(lat_1) * math.cos(lat_2) * math.sin(d_lon / 2) ** 2
    return 2 * 6371.0 * math.asin(math.sqrt(half))
