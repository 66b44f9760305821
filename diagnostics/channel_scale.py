"""
Channels that are not what their name says: in another unit, in each other's place, a code for "no value" among them.

What the water path, the array or the weather can do to a reading is weighed elsewhere. Here stand only the cases that
no state of the plant can make: more water than the power can lift, a fiftieth of the sun for weeks, a voltage that
follows the light. A channel that cannot be what it is called is not read on, and the finding says what it looks like.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.chain.sun import sun_position
from diagnostics.clock_mend import as_numbers
from diagnostics.quality.clock import constant_spans
from diagnostics.quality.suspicions import WRONG_UNITS
from diagnostics.quantities import CHANNELS
from diagnostics.readings import Mask, SiteReadings
from diagnostics.site import Site
from diagnostics.units import convert

Vector = NDArray[np.float64]
Flags = NDArray[np.bool_]

IRRADIANCE = ("poa_irradiance_w_m2", "global_horizontal_irradiance_w_m2")
LEAST_DAYS = 3
CODE_LEAST = 3                      # the same odd value so often is a code, not a spike
CODE_BEYOND = 3.0                   # times the greatest of the other values
CODE_BELOW = 0.3                    # of the other values' span, below nothing and below all of them
_CANNOT_BE = int(Mask.OUT_OF_RANGE | Mask.IMPOSSIBLE | Mask.NEGATIVE_FLOW)
LIGHT_LOW, LIGHT_HIGH = 0.2, 2.5    # daily top over a clear sky: soiling, cloud and cloud edges stay within
FLOW_HIGH, FLOW_LOW = 1.6, 0.45     # metered over due: what wrong sheets and instruments explain stays within
FLOW_TOO_HIGH = 3.0                 # more than this over due is no pump, whatever its sheet
NEAR = 0.12                         # distance to a known factor that counts as that factor
EVEN_WITHIN = 0.15                  # a factor is the same at every power; no loss of water is

# Reading over truth where a unit was mistaken, beside those of `WRONG_UNITS`.
_MORE_FLOW = (("l/min read as m3/s", "m3_s", "l_min"), ("l/s read as m3/s", "m3_s", "l_s"),
              ("m3/h read as m3/s", "m3_s", "m3_h"), ("gal/min read as m3/s", "m3_s", "gpm_us"),
              ("l/h read as l/min", "l_min", "l_h"), ("m3/day read as m3/h", "m3_h", "m3_day"))
_PULSES = (("a pulse worth ten times less than written", 10.0), ("a pulse worth ten times more than written", 0.1),
           ("a pulse worth a hundred times less than written", 100.0),
           ("a pulse worth a hundred times more than written", 0.01))
_LIGHT_FACTORS = (("kW/m2 read as W/m2", "w_m2", "kw_m2"),)
_LIGHT_OTHER = (("mW/cm2 read as W/m2", 0.1), ("W/m2 read as mW/cm2", 10.0), ("W/m2 read as kW/m2", 1000.0),
                ("BTU/(h ft2) read as W/m2", 1.0 / 3.1546))


@dataclass(frozen=True, slots=True)
class Misread:
    """
    Rows of one channel that cannot be what they are called.

    `factor` is the reading over what it should be, NaN where nobody can tell; `rows` are the rows not to be read on.
    """

    cause: str
    channel: str
    rows: Flags
    says: str
    value: float
    healthy: float
    unit: str
    size: float
    confidence: float
    group: tuple[str, ...]
    first: int                      # row of the onset
    last: int                       # last row seen
    n_samples: int
    mend: str = ""
    other: str = ""                 # the channel it was exchanged with
    alternatives: tuple[str, ...] = field(default_factory=tuple)


def codes_for_no_value(readings: SiteReadings) -> dict[str, tuple[float, Flags]]:
    """
    Find values that repeat exactly and lie far away from all others of their channel.

    Parameters
    ----------
    readings : SiteReadings
        As read.

    Returns
    -------
    codes : dict of str to (value, rows)
        By channel, in its canonical unit.
    """
    found: dict[str, tuple[float, Flags]] = {}
    for channel in readings.values.columns:
        values = as_numbers(readings, str(channel))
        known = values[np.isfinite(values)]
        if known.size < 50:
            continue
        ends = [float(known.min()), float(known.max())]
        rows = np.zeros(len(values), dtype=bool)
        for end in ends:
            same = values == end
            rest = known[known != end]
            same &= (readings.masks[channel].to_numpy(dtype=np.int64) & _CANNOT_BE) != 0     # what can be is no code
            if same.sum() < CODE_LEAST or rest.size < 20 or same.sum() > 0.8 * known.size:
                continue
            reach = float(np.max(np.abs(rest)))
            low = float(np.min(rest))
            span = max(float(np.max(rest)) - low, 1e-12)
            beyond = end > CODE_BEYOND * max(reach, 1e-12) or (end < 0.0 and end < low - CODE_BELOW * span)
            if beyond and reach > 0.0:
                rows |= same
                found[str(channel)] = (end, rows)
    return found


def exchanged_pairs(site: Site, readings: SiteReadings) -> list[tuple[str, str, Flags]]:
    """
    Find pairs of columns that hold each other's readings.

    A day is exchanged if its readings stand far from the sheet as they are and near it crosswise.

    Parameters
    ----------
    site : Site
        Sheets that say how great each reading should be.
    readings : SiteReadings
        At their true times.

    Returns
    -------
    pairs : list of (channel, channel, rows)
        Each channel in one pair at most.
    """
    elevation, day = _elevation(site, readings), _day(readings, site)
    usual = _usual_sizes(site, elevation)
    found: list[tuple[str, str, Flags]] = []
    for one, other, by_sun in (("array_voltage_v", "array_current_a", True),
                               ("poa_irradiance_w_m2", "array_voltage_v", True),
                               ("poa_irradiance_w_m2", "array_current_a", True),
                               ("water_level_m", "tank_level_m", False)):
        taken = {name for pair in found for name in pair[:2]}
        if one in taken or other in taken or one not in usual or other not in usual:
            continue
        rows = _crosswise(as_numbers(readings, one), as_numbers(readings, other), usual[one], usual[other],
                          elevation > 15.0 if by_sun else np.ones(len(day), dtype=bool), day)
        if rows.any():
            found.append((one, other, rows))
    return found


def _usual_sizes(site: Site, elevation: Vector) -> dict[str, Vector]:
    share = np.clip(np.sin(np.radians(elevation)), 0.15, 1.0)
    level = np.ones(len(share))
    sizes = {"poa_irradiance_w_m2": 700.0 * share}
    if site.array is not None:
        sizes["array_voltage_v"] = site.array.module.vmp_v * site.array.modules_in_series * level
        sizes["array_current_a"] = 0.7 * site.array.module.imp_a * site.array.strings_in_parallel * share
    if site.well.static_water_level_m > 2.0:
        sizes["water_level_m"] = site.well.static_water_level_m * level
    if site.tank is not None:
        sizes["tank_level_m"] = 0.6 * site.tank.full_level_m * level
    return sizes


def _crosswise(one: Vector, other: Vector, usual_one: Vector, usual_other: Vector, asked: Flags,
               day: NDArray[np.int64]) -> Flags:
    """Say on which rows two channels fit each other's usual size far better than their own."""
    none = np.zeros(len(day), dtype=bool)
    # With the pump at rest a current is nothing, and says nothing.
    least = 0.04 * np.minimum(usual_one, usual_other)
    use = asked & np.isfinite(one) & np.isfinite(other) & (one > least) & (other > least)
    if not use.any():
        return none
    a, b, x, y = one[use], other[use], usual_one[use], usual_other[use]
    as_is = np.abs(np.log(a / x)) + np.abs(np.log(b / y))
    crossed = np.abs(np.log(b / x)) + np.abs(np.log(a / y))
    frame = pd.DataFrame({"day": day[use], "as_is": as_is, "crossed": crossed}).groupby("day")
    table = frame.median()[frame.size() >= 4]
    if len(table) < LEAST_DAYS:
        return none
    odd = (table["crossed"] < 0.4 * table["as_is"]) & (table["as_is"] > 1.5)
    steady = odd.astype(float).rolling(3, center=True, min_periods=1).median() > 0.5     # one odd day is no wiring
    by_day = steady.reindex(range(int(day[-1]) + 1)).astype("float64").ffill().bfill().fillna(0.0)
    return np.asarray(by_day.to_numpy()[day] > 0.5, dtype=np.bool_)


def misread_light(site: Site, readings: SiteReadings) -> list[Misread]:
    """
    Name irradiance channels whose daily top stands far off a clear sky for days.

    Parameters
    ----------
    site : Site
        Place.
    readings : SiteReadings
        At their true times.

    Returns
    -------
    misread : list of Misread
        unit_mistake where the factor is one between units, irradiance_sensor_fault else.
    """
    elevation, day = _elevation(site, readings), _day(readings, site)
    found: list[Misread] = []
    for channel in IRRADIANCE:
        light = as_numbers(readings, channel)
        sunny = np.isfinite(light) & (elevation > 25.0)
        if not sunny.any():
            continue
        over_clear = light[sunny] / (1080.0 * np.sin(np.radians(elevation[sunny])) ** 1.15)
        by_day = pd.Series(over_clear).groupby(day[sunny])
        top = by_day.quantile(0.9)[by_day.size() >= 4]
        if len(top) < LEAST_DAYS:
            continue
        level = pd.Series(np.log(np.maximum(top.to_numpy(dtype=np.float64), 1e-6)), index=top.index)
        for first, last in constant_spans(level, jump_min=1.0, least_days=LEAST_DAYS):
            part = top.iloc[first:last]
            ratio = float(np.quantile(part, 0.85))
            flat = _at_one_value(light, sunny & (day >= part.index[0]) & (day <= part.index[-1]))
            if LIGHT_LOW <= ratio <= LIGHT_HIGH and not flat:
                continue
            if len(part) < 5 and ratio > 0.02 and not flat:
                continue            # a few black days are weather
            begin, end = _rows_of(day, int(part.index[0]), int(part.index[-1]), whole=(first == 0, last == len(top)))
            found.append(_light_found(channel, ratio, flat, begin, end, len(day), int(by_day.size().sum())))
    return found


def _light_found(channel: str, ratio: float, flat: bool, begin: int, end: int, count: int, samples: int) -> Misread:
    rows = np.zeros(count, dtype=bool)
    rows[begin:end] = True
    factors = [(says, _factor(read_as, meant)) for says, read_as, meant in _LIGHT_FACTORS] + list(_LIGHT_OTHER)
    near = [] if flat or ratio <= 0.0 else [
        (says, factor) for says, factor in factors if abs(np.log(ratio / factor)) < np.log(1.35)]
    label = "Irradiance"
    if near:
        says, factor = near[0]
        text = (f"{label} stands at {ratio:.3g} times a clear sky at its best: that is {says} (factor {factor:.4g}). "
                "It is not read on.")
        sure = 0.9 if factor in (0.001, 1000.0) else 0.7        # another column may lie near a factor of ten by chance
        return Misread("unit_mistake", channel, rows, text, ratio, 1.0, "1", factor, sure,
                       ("unit_mistake", "irradiance_sensor_fault", "swapped_channels"), begin, end - 1, samples,
                       "Write the unit that the file has for this column in the logger's profile.")
    how = ("stands at one value by day" if flat and ratio > 0.02 else "reads nothing by day" if ratio <= 0.02 else
           f"stands at {ratio:.3g} times a clear sky at its best")
    text = f"{label} {how}: no weather does that. It is not read on."
    return Misread("irradiance_sensor_fault", channel, rows, text, ratio, 1.0, "1", abs(1.0 - ratio), 0.9,
                   ("irradiance_sensor_fault", "swapped_channels", "unit_mistake"), begin, end - 1, samples,
                   "Check the sensor's wire, and that the profile reads the right column in the right unit.")


def misread_electrical(site: Site, readings: SiteReadings) -> list[Misread]:
    """
    Name array channels that are a thousandfold off their sheet, or say nothing while water flows in the sun.

    Parameters
    ----------
    site : Site
        Sheet of the array.
    readings : SiteReadings
        At their true times.

    Returns
    -------
    misread : list of Misread
        A drive may hold the array far from its sheet, so only powers of a thousand and dead sensors are told here.
    """
    if site.array is None:
        return []
    sheet = {"array_voltage_v": site.array.module.vmp_v * site.array.modules_in_series,
             "array_current_a": 0.6 * site.array.module.imp_a * site.array.strings_in_parallel,
             "array_power_w": 0.6 * site.array.nominal_power_w}
    flow, day = as_numbers(readings, "flow_m3_s"), _day(readings, site)
    with np.errstate(invalid="ignore"):
        top = float(np.nanpercentile(flow, 98.0)) if np.isfinite(flow).any() else 0.0
        runs = (_elevation(site, readings) > 25.0) & (flow > 0.3 * top) & (top > 0.0)
    found = []
    for channel, whole in sheet.items():
        values = as_numbers(readings, channel)
        use = runs & np.isfinite(values)
        size = pd.Series(np.abs(values[use]) / whole).groupby(day[use])
        by_day = size.median()[size.size() >= 4]
        if len(by_day) < LEAST_DAYS:
            continue
        level = pd.Series(np.log(np.maximum(by_day.to_numpy(dtype=np.float64), 1e-7)), index=by_day.index)
        for first, last in constant_spans(level, jump_min=1.5, least_days=LEAST_DAYS):
            part = by_day.iloc[first:last]
            ratio = float(part.median())
            inside = use & (day >= part.index[0]) & (day <= part.index[-1])
            flat = _at_one_value(values, inside)
            if 0.03 < ratio < 30.0 and not flat:
                continue
            begin, end = _rows_of(day, int(part.index[0]), int(part.index[-1]), whole=(first == 0, last == len(level)))
            found.append(_electrical_found(channel, ratio, flat, begin, end, len(day), int(inside.sum())))
    return found


def _electrical_found(channel: str, ratio: float, flat: bool, begin: int, end: int, count: int, samples: int
                      ) -> Misread:
    rows = np.zeros(count, dtype=bool)
    rows[begin:end] = True
    label = CHANNELS[channel].label
    names = {"array_voltage_v": ("mV", "V"), "array_current_a": ("mA", "A"), "array_power_w": ("W", "kW")}[channel]
    for factor, says in ((1000.0, f"{names[0]} read as {names[1]}"), (0.001, f"{names[1]} read as {names[0]}")):
        if not flat and abs(np.log(max(ratio, 1e-9) / factor)) < np.log(5.0):
            return Misread(
                "unit_mistake", channel, rows, f"{label} is {ratio:.3g} times what the sheet says while the pump runs: "
                f"that is {says} (factor {factor:g}). It is not read on.", ratio, 1.0, "1", factor, 0.9,
                ("unit_mistake", "electrical_sensor_fault"), begin, end - 1, samples,
                "Write the unit of the file for this column in the logger's profile.")
    how = "stands at one value" if flat and ratio > 0.03 else "reads next to nothing" if ratio <= 0.03 else (
        f"is {ratio:.3g} times what the sheet says")
    return Misread(
        "electrical_sensor_fault", channel, rows, f"{label} {how} by day while water flows. It is not read on.", ratio,
        1.0, "1", abs(1.0 - min(ratio, 10.0)), 0.9, ("electrical_sensor_fault", "swapped_channels", "unit_mistake"),
        begin, end - 1, samples, "Check the sensor's wires, and that the profile reads the right column.")


def misread_flow(site: Site, readings: SiteReadings, due_m3_s: Vector) -> list[Misread]:
    """
    Name spans over which the meter shows what no water path can make, or is no rate at all.

    Parameters
    ----------
    site : Site
        For its local days.
    readings : SiteReadings
        At their true times.
    due_m3_s : ndarray, shape (n,)
        Healthy flow at the measured power, else at the measured sun. [m3/s]

    Returns
    -------
    misread : list of Misread
        A factor below one is told only where it is the same at every power and one between units: a loss of water
        never is.
    """
    flow, day = as_numbers(readings, "flow_m3_s"), _day(readings, site)
    if not np.isfinite(flow).any():
        return []
    total = _no_rate(readings, flow, due_m3_s)
    if total is not None:
        return [total]
    most = float(np.nanmax(due_m3_s)) if np.isfinite(due_m3_s).any() else 0.0
    use = np.isfinite(due_m3_s) & (due_m3_s > 0.2 * most) & (flow > 0.0) & (most > 0.0)
    frame = pd.DataFrame({"day": day[use], "log": np.log(flow[use] / due_m3_s[use]), "due": due_m3_s[use]})
    grouped = frame.groupby("day")
    level = grouped["log"].median()[grouped.size() >= 4]
    if len(level) < LEAST_DAYS:
        return []
    found = []
    for first, last in constant_spans(level, jump_min=float(np.log(1.5)), least_days=LEAST_DAYS):
        part = level.iloc[first:last]
        ratio = float(np.exp(part.median()))
        if FLOW_LOW <= ratio <= FLOW_HIGH:
            continue
        inside = frame[(frame["day"] >= part.index[0]) & (frame["day"] <= part.index[-1])]
        even = _even(inside, most)
        near = _near_factors(ratio)
        too_high = ratio >= FLOW_TOO_HIGH
        if not too_high and not (near and even):
            continue
        begin, end = _rows_of(day, int(part.index[0]), int(part.index[-1]), whole=(first == 0, last == len(level)))
        found.append(_flow_found(ratio, near if even or too_high else [], begin, end, len(day), len(inside)))
    return found


def _flow_found(ratio: float, near: list[tuple[str, float]], begin: int, end: int, count: int,
                samples: int) -> Misread:
    rows = np.zeros(count, dtype=bool)
    rows[begin:end] = True
    seen = f"The meter shows {ratio:.3g} times the water that is due at the same power"
    if near:
        words = ", or ".join(f"{says} ({factor:.4g})" for says, factor in near[:4])
        text = f"{seen}, at every power alike: that would be {words}. It is not read on."
        sure = 0.9 if abs(np.log(ratio / near[0][1])) < 0.08 else 0.75
        return Misread("unit_mistake", "flow_m3_s", rows, text, ratio, 1.0, "1", near[0][1], sure,
                       ("unit_mistake", "meter_over_reading" if ratio > 1.0 else "meter_under_reading"), begin, end - 1,
                       samples, "Write the unit of the file in the logger's profile, or the right volume of a pulse "
                       "in the site file.", alternatives=tuple(says for says, _ in near))
    text = f"{seen}: no pump does that. It is not read on."
    return Misread("unit_mistake", "flow_m3_s", rows, text, ratio, 1.0, "1", round(ratio, 3), 0.6,
                   ("unit_mistake", "meter_over_reading"), begin, end - 1, samples,
                   "Compare the unit in the logger's profile and the volume of a pulse with the meter's face.")


def _no_rate(readings: SiteReadings, flow: Vector, due: Vector) -> Misread | None:
    """Recognise a total that was read as a rate, a rate that was read as a total, and a meter that shows one value."""
    everything = np.ones(len(flow), dtype=bool)
    known = flow[np.isfinite(flow)]
    steps = np.diff(known)
    moves = np.abs(steps) > 0.0
    count = int(moves.sum())

    def found(cause: str, text: str, value: float, group: tuple[str, ...], mend: str) -> Misread:
        return Misread(cause, "flow_m3_s", everything, text + " It is not read on.", value, 0.0, "1", value, 0.9,
                       group, 0, len(flow) - 1, len(known), mend)

    if count >= 50 and known.size >= 100 and float((steps < 0.0).sum()) <= 0.01 * count and float(known.min()) > 0.0:
        return found("unit_mistake", f"The column read as flow only ever rises ({count} steps, "
                     f"{int((steps < 0.0).sum())} down): it is the total of the meter, not its rate.", 1.0,
                     ("unit_mistake", "swapped_channels"),
                     "Map the column to meter_total_m3 with meter = \"totaliser\" in the logger's profile.")
    total = as_numbers(readings, "meter_total_m3")
    if np.isfinite(total).any():
        changes = np.diff(total[np.isfinite(total)])
        changes = changes[changes != 0.0]
        share = float((changes < 0.0).mean()) if changes.size >= 50 else 0.0
        if share > 0.15:
            return found("unit_mistake", f"The column read as the meter's total falls in {share:.0%} of its steps: it "
                         "is a rate, not a total.", share, ("unit_mistake", "totaliser_reset", "swapped_channels"),
                         "Map the column to flow_m3_s with its unit in the logger's profile.")
    if known.size >= 200 and float(known.max()) > 0.0 and float((known == np.median(known)).mean()) > 0.97 and float(
            np.median(known)) > 0.0 and np.isfinite(due).any():
        return found("meter_stopped", "The meter shows one and the same flow day and night.", 1.0,
                     ("meter_stopped", "meter_over_reading", "swapped_channels"),
                     "Check the meter's cable and that the profile reads the right column.")
    return None


def _near_factors(ratio: float) -> list[tuple[str, float]]:
    pairs = [(says, _factor(read_as, meant)) for says, read_as, meant in (*WRONG_UNITS["flow_m3_s"], *_MORE_FLOW)]
    near = [(says, factor) for says, factor in (*pairs, *_PULSES) if abs(np.log(ratio / factor)) < np.log1p(NEAR)]
    return sorted(near, key=lambda item: abs(np.log(ratio / item[1])))


def _even(frame: pd.DataFrame, most: float) -> bool:
    """Say whether the ratio is the same at low and at high flow."""
    bins = np.digitize(frame["due"].to_numpy() / most, [0.45, 0.7])
    medians = frame["log"].groupby(bins).median()[frame["log"].groupby(bins).size() >= 12]
    return len(medians) >= 2 and float(medians.max() - medians.min()) < EVEN_WITHIN


def _factor(read_as: str, meant: str) -> float:
    return float(convert(1.0, read_as, meant))


def _at_one_value(values: Vector, where: Flags) -> bool:
    chosen = values[where]
    return chosen.size >= 30 and float((chosen == np.median(chosen)).mean()) > 0.9


def _elevation(site: Site, readings: SiteReadings) -> Vector:
    sun = sun_position(readings.mid_interval_utc(), site.latitude_deg, site.longitude_deg, site.altitude_m)
    return np.asarray(sun.elevation_deg, dtype=np.float64)


def _day(readings: SiteReadings, site: Site) -> NDArray[np.int64]:
    local = readings.mid_interval_utc().tz_convert(site.timezone).tz_localize(None).normalize()
    return np.asarray((local - local[0]) // pd.Timedelta(days=1), dtype=np.int64)


def _rows_of(day: NDArray[np.int64], first: int, last: int, *, whole: tuple[bool, bool]) -> tuple[int, int]:
    begin = 0 if whole[0] else int(np.searchsorted(day, first))
    end = len(day) if whole[1] else int(np.searchsorted(day, last, side="right"))
    return begin, end


def withheld(readings: SiteReadings, channel: str, rows: Flags, bit: Mask = Mask.OUT_OF_RANGE) -> SiteReadings:
    """Return the readings with rows of one channel masked so that nothing is read from them."""
    masks = readings.masks.copy()
    bits = masks[channel].to_numpy(dtype=np.uint16, copy=True)
    bits[rows] |= np.uint16(int(bit))
    masks[channel] = bits
    return SiteReadings(readings.site_id, readings.values, masks, readings.interval_s)
