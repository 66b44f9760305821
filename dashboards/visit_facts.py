"""What stands on a visit sheet beside the findings: tests, meters healthy and with each cause, proof wanted."""

import math
import re
from dataclasses import dataclass

import pandas as pd

from dashboards.facts import title_of
from dashboards.figures import short_label
from dashboards.shown import UNIT_PRINTED, DeskUnits, clean, number, percent, with_unit
from dashboards.views import SiteView
from dashboards.wording import desk
from diagnostics.causes import CAUSES
from diagnostics.causes.cause import JETS, SUBMERSIBLE
from diagnostics.meter_readings import MeterReadings, Readings, Told, meter_readings
from diagnostics.results import Finding
from diagnostics.units import convert

# A reading differs where hand-held meters of the trade tell it (design values of practice): share, and the least step.
_TELLS: dict[str, tuple[float, float]] = {
    "voltage_v": (0.025, 0.5), "current_a": (0.04, 0.1), "flow_m3_s": (0.05, 0.0), "water_level_m": (0.0, 0.5),
    "pressure_pa": (0.06, 7e3), "speed_rpm": (0.02, 20.0)}
# Words by which a test shows what it costs in time and tools, the cheapest first.
_COST_WORDS = (("ask", "ring", "phone", "photo"), ("look", "listen", "see "), ("wipe", "wash", "clean"), ("dip",),
               ("bucket", "stopwatch"), ("gauge", "shut-in", "pressure"),
               ("clamp", "volt", "amp", "current", "measure"),
               ("insulation", "winding", "megger"), ("lift", "pull"))
_NO_DISTANCE = frozenset({"cycling", "fill_volume", "night_loss", "night_flow", "night_current", "night_voltage"})
_AS_DESCRIBED = 0.01        # a shift that no meter of the trade shows


@dataclass(frozen=True, slots=True)
class Test:
    """One test on a visit sheet: `splits` names the rival that it would settle, `readings` what that rival shows."""

    splits: str
    says: str
    readings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MeterCell:
    """One figure with its unit; `differs` where a hand-held meter would tell it from the healthy one."""

    says: str
    differs: bool = False


@dataclass(frozen=True, slots=True)
class MeterRow:
    """One meter at one sun."""

    meter: str
    cells: tuple[MeterCell, ...]


@dataclass(frozen=True, slots=True)
class MeterTable:
    """The table of a finding: a column for the healthy site and one for each state set beside it."""

    columns: tuple[str, ...]
    sections: tuple[tuple[str, tuple[MeterRow, ...]], ...]
    notes: tuple[str, ...]
    alike: tuple[str, ...]          # causes that these meters do not tell from the finding
    repaired: str                   # what the water meter should show again


def meter_table(view: SiteView, finding: Finding | None) -> MeterTable | None:
    """Return what the crew's meters should show; None where the chain is not known well enough to say."""
    noon = pd.Timestamp(view.as_of).tz_localize(view.site.timezone) + pd.Timedelta(hours=12)
    found = meter_readings(view.site, finding, view.diagnosis.intervals, noon.tz_convert("UTC"))
    if found is None:
        return None
    told, alike = _told_apart(found)
    sections = [(f"Sun {number(sun.irradiance_w_m2, 3)} W/m²", tuple(
        row for field_, name in _meters(view)
        if (row := _row(name, [getattr(one, when) for one in told], field_, view.units)) is not None))
        for when, sun in (("strong", told[0].strong), ("weak", told[0].weak))]
    sections.append(("Before the start", _rest(view, told)))
    return MeterTable(tuple(_column(one) for one in told), tuple(kept for kept in sections if kept[1]),
                      _notes(found, view.units), alike, _repaired(view, found))


def _told_apart(found: MeterReadings) -> tuple[tuple[Told, ...], tuple[str, ...]]:
    """Leave out rivals whose every reading is the finding's own; name them."""
    healthy, rest = found.told[0], found.told[1:]
    kept = list(rest[:1])
    alike = []
    for rival in rest[1:]:
        same = rival.standing == rest[0].standing and not any(
            _differs(field_, getattr(getattr(rival, when), field_), getattr(getattr(rest[0], when), field_))
            for when in ("strong", "weak") for field_ in _TELLS)
        if same:
            alike.append(short_label(rival.of))
        else:
            kept.append(rival)
    return (healthy, *kept), tuple(alike)


def _meters(view: SiteView) -> list[tuple[str, str]]:
    family = view.site.pump.family
    meters = [("voltage_v", "Array volts at the drive"), ("current_a", "Array amps"), ("flow_m3_s", "Flow")]
    if family in SUBMERSIBLE | JETS:
        meters.append(("water_level_m", "Water level while it pumps"))
    meters.append(("pressure_pa", "Gauge at the wellhead" if family in SUBMERSIBLE | JETS else "Gauge at the pump"))
    return [*meters, ("speed_rpm", "Pump speed")]


def _row(meter: str, readings: list[Readings], field_: str, units: DeskUnits) -> MeterRow | None:
    values = [getattr(one, field_) for one in readings]
    if not math.isfinite(values[0]):
        return None
    return MeterRow(meter, tuple(MeterCell(_shown(value, field_, units), bool(place) and _differs(
        field_, value, values[0])) for place, value in enumerate(values)))


def _rest(view: SiteView, told: tuple[Told, ...]) -> tuple[MeterRow, ...]:
    healthy = told[0]
    starts = [one.starts_at_w_m2 for one in told]
    rows = []
    if math.isfinite(starts[0]):
        rows.append(MeterRow("Sun at which water starts", tuple(MeterCell(
            "no water" if math.isnan(start) else f"about {with_unit(start, 'w_m2', 2)}",
            bool(place) and not abs(start - starts[0]) <= 0.15 * starts[0] + 20.0)
            for place, start in enumerate(starts))))
    if view.site.pump.family in SUBMERSIBLE | JETS:
        rows.append(MeterRow("Water level at rest", tuple(MeterCell(
            _shown(one.rest_level_m, "water_level_m", view.units),
            _differs("water_level_m", one.rest_level_m, healthy.rest_level_m)) for one in told)))
    return tuple(rows)


def _column(told: Told) -> str:
    if not told.of:
        return "Healthy"
    name = short_label(told.of)
    name = name if name[1:2].isupper() else name[:1].lower() + name[1:]
    return f"On the logger, if {name}" if told.on_logger else (
        f"While it stands, if {name}" if told.standing else f"If {name}")


def _shown(value: float, field_: str, units: DeskUnits) -> str:
    if not math.isfinite(value):
        return "–"
    if field_ == "flow_m3_s":
        return with_unit(float(convert(value, "m3_s", units.flow)), units.flow, 2)
    if field_ == "water_level_m":
        return with_unit(float(convert(value, "m", units.length)), units.length, 3)
    if field_ == "pressure_pa":
        return with_unit(float(convert(value, "pa", units.pressure)), units.pressure, 2)
    return with_unit(value, {"voltage_v": "v", "current_a": "a", "speed_rpm": "rpm"}[field_], 3)


def _differs(field_: str, value: float, other: float) -> bool:
    if math.isnan(value) or math.isnan(other):
        return math.isnan(value) != math.isnan(other)
    share, step = _TELLS[field_]
    return abs(value - other) > max(share * max(abs(value), abs(other)), step, 1e-12)


def _notes(found: MeterReadings, units: DeskUnits) -> tuple[str, ...]:
    healthy = found.told[0]
    strong, weak = (f"{number(one.irradiance_w_m2, 3)} W/m² (cells near {_warm(one.cell_temperature_c, units)})"
                    for one in (healthy.strong, healthy.weak))
    notes = [f"In steady sun measured in the plane of the array, tank calling: {strong} and {weak}. Amps go with the "
             "sun: take them in proportion at another sun; water does not."]
    if math.isfinite(found.open_circuit_v):
        notes.append(f"Array isolated in the stronger sun: {with_unit(found.open_circuit_v, 'v', 3)}.")
    if math.isfinite(found.volts_per_10_k) and abs(found.volts_per_10_k) >= 0.05:
        degrees = "18\u202f°F" if units.temperature == "f" else "10\u202f°C"
        way = "less" if found.volts_per_10_k < 0.0 else "more"
        notes.append(f"Cells {degrees} hotter: {with_unit(abs(found.volts_per_10_k), 'v', 2)} {way}.")
    if math.isfinite(found.flow_half_width):
        notes.append(f"The healthy flow is known to ±{number(100.0 * found.flow_half_width, 2)}\u202f% (95 %).")
    if math.isfinite(found.logged_flow_m3_s):
        notes.append(f"Near the stronger sun the logger lately showed "
                     f"{_shown(found.logged_flow_m3_s, 'flow_m3_s', units)}.")
    if len(found.told) > 2:
        notes.append("A rival is taken as large as it must be to cost the same water.")
    if len(found.told) > 1:
        notes.append("Bold: a hand-held meter would tell it from healthy.")
    return tuple(notes)


def _warm(temperature_c: float, units: DeskUnits) -> str:
    return f"{float(convert(temperature_c, 'c', units.temperature)):.0f}\u202f{UNIT_PRINTED[units.temperature]}"


def _repaired(view: SiteView, found: MeterReadings) -> str:
    """Say what the water meter should show again, where a finding holds the water back."""
    if len(found.told) < 2 or found.told[1].on_logger:
        return ""
    sound, now = found.told[0].strong, found.told[1].strong
    if not now.flow_m3_s < 0.97 * sound.flow_m3_s:
        return ""
    back, held = (_shown(one.flow_m3_s, "flow_m3_s", view.units) for one in (sound, now))
    return (f"In sun of {number(sound.irradiance_w_m2, 3)} W/m² with the tank calling: the water meter back at about "
            f"{back} (now about {held}).")


def tests_of_rivals(finding: Finding) -> list[Test]:
    """Return the tests that split off the rivals, the cheapest first, each with what the rival itself would show."""
    names, own = desk()["cause"], _plain(finding.next_test)
    tests = []
    for rival in finding.rivals:
        says = clean(rival.split_by)
        cause = CAUSES.get(rival.cause)
        readings = tuple(clean(reading) for reading in cause.readings) if cause else ()
        if not says and not readings:
            continue
        if not says or _plain(says) == own:
            says = "The first test splits it off." if says else clean(cause.test) if cause else ""
        tests.append(Test(str(names.get(rival.cause, rival.cause)), says, readings))
    return sorted(tests, key=lambda test: _cost(test.says))


def _plain(text: str) -> str:
    return clean(text).rstrip(".").lower()


def _cost(says: str) -> int:
    lowered = says.lower()
    first = re.split(r"[.;:]", lowered)[0]
    costs = [place for place, words in enumerate(_COST_WORDS) if any(word in first for word in words)]
    return max(costs, default=len(_COST_WORDS) // 2)


def proof_wanted(finding: Finding) -> list[str]:
    """State beforehand what the data must show after the repair, so that nobody bends it afterwards."""
    lines = ["Daily water back inside the band of expected on the first clear days with the tank calling."]
    lines += [f"{title_of(clean(row.check))}: from {_off(row.value, row.unit, row.check)} back to about "
              f"{_off(row.healthy, row.unit, row.check)}." for row in finding.evidence
              if row.outcome == "supports" and row.value is not None and row.healthy is not None
              and row.value != row.healthy][:3]
    return [*lines, "If no clear day comes, the repair stays “not yet proven”."]


def _off(value: float, unit: str, check: str) -> str:
    """Print a shift of a summary: most ratios are distances from the site's description, some shares of time."""
    if unit not in ("ratio", "1") or check.endswith("_share") or check in _NO_DISTANCE:
        return with_unit(value, unit, 2)
    if abs(value) < _AS_DESCRIBED:
        return "as described"
    return f"{percent(abs(value))} {'above' if value > 0.0 else 'below'} the description"
