"""
Channels that are not what their name says: light or current in another unit, a code for "no value" among the readings.

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

# Reading over truth where a unit was mistaken.
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
    elevation, day = sun_elevation(site, readings), day_numbers(readings, site)
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
            begin, end = rows_of_days(day, int(part.index[0]), int(part.index[-1]),
                                      whole=(first == 0, last == len(top)))
            found.append(_light_found(channel, ratio, flat, begin, end, len(day), int(by_day.size().sum())))
    return found


def _light_found(channel: str, ratio: float, flat: bool, begin: int, end: int, count: int, samples: int) -> Misread:
    rows = np.zeros(count, dtype=bool)
    rows[begin:end] = True
    factors = [(says, unit_factor(read_as, meant)) for says, read_as, meant in _LIGHT_FACTORS] + list(_LIGHT_OTHER)
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
    flow, day = as_numbers(readings, "flow_m3_s"), day_numbers(readings, site)
    with np.errstate(invalid="ignore"):
        top = float(np.nanpercentile(flow, 98.0)) if np.isfinite(flow).any() else 0.0
        runs = (sun_elevation(site, readings) > 25.0) & (flow > 0.3 * top) & (top > 0.0)
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
            begin, end = rows_of_days(day, int(part.index[0]), int(part.index[-1]),
                                      whole=(first == 0, last == len(level)))
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


def unit_factor(read_as: str, meant: str) -> float:
    """Return how much too large a value is that was read in one unit and meant in another."""
    return float(convert(1.0, read_as, meant))


def _at_one_value(values: Vector, where: Flags) -> bool:
    chosen = values[where]
    return chosen.size >= 30 and float((chosen == np.median(chosen)).mean()) > 0.9


def sun_elevation(site: Site, readings: SiteReadings) -> Vector:
    """Return the sun's elevation at the middle of each interval. [degrees]"""
    sun = sun_position(readings.mid_interval_utc(), site.latitude_deg, site.longitude_deg, site.altitude_m)
    return np.asarray(sun.elevation_deg, dtype=np.float64)


def day_numbers(readings: SiteReadings, site: Site) -> NDArray[np.int64]:
    """Return the number of each interval's local day, from 0."""
    local = readings.mid_interval_utc().tz_convert(site.timezone).tz_localize(None).normalize()
    return np.asarray((local - local[0]) // pd.Timedelta(days=1), dtype=np.int64)


def rows_of_days(day: NDArray[np.int64], first: int, last: int, *, whole: tuple[bool, bool]) -> tuple[int, int]:
    """Return first and last row, exclusive, of a span of days; `whole` runs it on to either end of the record."""
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
