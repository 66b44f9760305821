"""What a site's sensors could prove, as rows of short words for a terminal and for the site's page."""

from dataclasses import dataclass

from dashboards.figures import short_label
from dashboards.shown import UNIT_PRINTED, DeskUnits, day_words, number
from diagnostics.detectability import Detectability, Smallest, WhatCanBeProved
from diagnostics.units import convert

NOT_AT_ALL = "at no size"
TOGETHER = "†"
_PERCENT = "\u202f%"


@dataclass(frozen=True, slots=True)
class ProvableRow:
    """One cause: what its size counts, the smallest proved after each span, with what else, and what splits them."""

    cause: str
    size_is: str
    by_span: tuple[str, ...]
    together_with: str
    looks_like: str
    split_by: str


@dataclass(frozen=True, slots=True)
class SensorRow:
    """One sensor that could be added: the mean smallest share of water, before and with it, and what it lets name."""

    label: str
    before: str
    after: str
    newly_named: str


def spans_of(answer: Detectability) -> list[int]:
    """Return the spans that were asked for, the shortest first. [days]."""
    return sorted({row.days for row in answer.causes})


def provable_rows(answer: Detectability, units: DeskUnits | None = None) -> list[ProvableRow]:
    """Return one row a cause, in the order in which they were asked for."""
    units = units or DeskUnits()
    by_cause: dict[str, dict[int, WhatCanBeProved]] = {}
    for row in answer.causes:
        by_cause.setdefault(row.cause, {})[row.days] = row
    return [_row(code, by_span, spans_of(answer), units) for code, by_span in by_cause.items()]


def _row(code: str, by_span: dict[int, WhatCanBeProved], spans: list[int], units: DeskUnits) -> ProvableRow:
    middle = by_span[30] if 30 in by_span else by_span[max(by_span)]
    known = [found for row in by_span.values() for found in (row.named, row.together) if found is not None]
    names = [short_label(other.cause).lower() for other in middle.confused_with if other.probability >= 0.05]
    together = dict.fromkeys(short_label(other).lower() for row in by_span.values() if row.together and not row.named
                             for other in row.together.together if other != code)
    split = next((other.split_by for other in middle.confused_with if other.split_by and other.probability >= 0.05), "")
    return ProvableRow(short_label(code), known[0].size_means.removeprefix("metres ") if known else "",
                       tuple(_cell(by_span.get(span), units) for span in spans), " or ".join(together),
                       ", ".join(names) or "nothing else", split)


def _cell(row: WhatCanBeProved | None, units: DeskUnits) -> str:
    if row is None:
        return "–"
    if row.named is not None:
        return _size(row.named, units)
    if row.together is not None:
        return f"{_size(row.together, units)} {TOGETHER}"
    return NOT_AT_ALL


def _size(found: Smallest, units: DeskUnits) -> str:
    if found.size_unit == "1":
        size = f"{number(100.0 * found.size, 2)}{_PERCENT}"
    else:
        unit = {"m": units.length, "m3": units.volume}.get(found.size_unit, found.size_unit)
        value = found.size if unit == found.size_unit else float(convert(found.size, found.size_unit, unit))
        size = f"{number(value, 2)}\u202f{UNIT_PRINTED.get(unit, unit)}"
    return size if found.water_share is None else f"{size}, costs {number(100.0 * found.water_share, 2)}{_PERCENT}"


def sensor_rows(answer: Detectability) -> list[SensorRow]:
    """Return one row a sensor that could be added, the most helpful first."""
    return [SensorRow(gain.label, f"{number(100.0 * gain.mean_share_before, 2)}{_PERCENT}",
                      f"{number(100.0 * gain.mean_share_after, 2)}{_PERCENT}",
                      ", ".join(short_label(code).lower() for code in gain.newly_named) or "–")
            for gain in answer.sensors]


def best_sensor_says(answer: Detectability) -> str:
    """Say in one sentence which sensor would help most."""
    if not answer.sensors:
        return ""
    best = answer.sensors[0]
    if not answer.best_sensor:
        return "None of the sensors weighed would let smaller faults of the pump system be proved by name."
    names = [short_label(code).lower() for code in best.newly_named]
    also = f"; it lets these be named at all: {', '.join(names)}" if names else ""
    return (f"{best.label[0].upper()}{best.label[1:]} would help most: the mean smallest loss that can be named goes "
            f"from {number(100.0 * best.mean_share_before, 2)}{_PERCENT} of the water to "
            f"{number(100.0 * best.mean_share_after, 2)}{_PERCENT}{also}.")


def rests_on(answer: Detectability) -> str:
    """Say what the table rests on."""
    return (f"Reckoned for a fault that comes at once on the otherwise sound site, from its own record of "
            f"{day_words(answer.first_day)} to {day_words(answer.last_day)} ({answer.judged_days} judged days), with "
            f"its sensors, weather, gaps and logger interval. Proved means a posterior of "
            f"{number(answer.posterior, 2)} or more, in {number(10 * answer.often, 2)} of 10 such faults.")
