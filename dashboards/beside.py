"""What sites say of each other, as short rows: events of several sites, neighbours beside a finding, rates."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from dashboards.figures import short_label
from dashboards.shown import UNIT_PRINTED, DeskUnits, day_words, number, volume
from dashboards.wording import desk
from diagnostics.fleet_context import FleetContext, FleetEvent, Rate
from diagnostics.units import convert

_NARROW = "\u202f"
EVENT_TITLE: dict[str, str] = {"dust": "Dust over several sites", "falling_groundwater": "Groundwater falling"}
PART_TITLE: dict[str, str] = {"module": "Module", "drive": "Drive", "pump": "Pump model", "family": "Kind of pump",
                              "installer": "Installer"}
OUTCOME_WORD: dict[str, str] = {"supports": "for it", "speaks against": "against it", "local": "this site alone",
                                "shared": "one event"}


@dataclass(frozen=True, slots=True)
class EventRow:
    """One event of several sites in words."""

    title: str
    where: str
    sites: tuple[tuple[str, str], ...]
    began: str
    size: str
    lost: str
    sure: float
    is_open: bool
    says: str


@dataclass(frozen=True, slots=True)
class RateRow:
    """Findings of one model or installer per pump-year."""

    part: str
    name: str
    counted: str
    rate: str
    interval: str
    says: str
    stands_out: bool


def event_rows(context: FleetContext, names: Mapping[str, str], units: DeskUnits | None = None) -> list[EventRow]:
    """Return one row an event, the latest first; `names` gives each site's name for people."""
    return [_event_row(event, names, units or DeskUnits()) for event in context.events]


def _event_row(event: FleetEvent, names: Mapping[str, str], units: DeskUnits) -> EventRow:
    first, last = day_words(event.first_day), day_words(event.onset_high)
    return EventRow(
        EVENT_TITLE[event.kind], event.where, tuple((one, names.get(one, one)) for one in event.sites),
        first if first == last else f"{first} to {last}", _size(event, units),
        "–" if event.water_lost_m3_day <= 0.0 else f"{volume(event.water_lost_m3_day, units.volume, 2)} a day",
        event.confidence, event.is_open, event.says)


def _size(event: FleetEvent, units: DeskUnits) -> str:
    if event.size_unit == "1":
        return f"{_pair(100.0 * event.size_low, 100.0 * event.size_high)}{_NARROW}%"
    unit = {"m": units.length, "m3": units.volume}.get(event.size_unit, event.size_unit)
    low, high = (value if unit == event.size_unit else float(convert(value, event.size_unit, unit))
                 for value in (event.size_low, event.size_high))
    return f"{_pair(low, high)}{_NARROW}{UNIT_PRINTED.get(unit, unit)}"


def _pair(low: float, high: float) -> str:
    ends = number(low, 2), number(high, 2)
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"


def rate_rows(rates: Iterable[Rate], *, at_least: int = 0) -> list[RateRow]:
    """Return rates with their exact intervals; `at_least` leaves out what was found less often."""
    return [RateRow(PART_TITLE[one.part], _name(one), f"{one.findings} in {number(one.pump_years, 2)} pump-years, "
                    f"{one.sites} site{'' if one.sites == 1 else 's'}", number(one.rate, 2, finest=2),
                    f"{number(one.low, 2, finest=2)} to {number(one.high, 2, finest=2)}", one.says, one.stands_out)
            for one in rates if one.findings >= at_least]


def _name(one: Rate) -> str:
    return str(desk()["family"].get(one.name, one.name)) if one.part == "family" else one.name


def beside_says(context: FleetContext, site_id: str) -> list[tuple[str, str, str]]:
    """Return (finding, outcome in words, sentence) of what other sites say of a site's findings and of its readings."""
    exchanged = [("Readings of two sites", "check first", f"{one.says} {one.check}") for one in context.exchanged
                 if site_id in one.sites]
    return exchanged + [(short_label(one.cause), OUTCOME_WORD[one.outcome], one.says) for one in context.beside
                        if one.site_id == site_id]
