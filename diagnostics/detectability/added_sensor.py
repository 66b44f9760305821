"""A sensor the site does not have, reading what the sound site would show, to see what it would let be proved."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.chain.tank import level_at_volume, volume_at_level
from diagnostics.detectability.grounds import Grounds
from diagnostics.evidence.site_scales import gauge_pressure
from diagnostics.expected import SiteModel
from diagnostics.readings import SiteReadings
from diagnostics.site import SURFACE, Site

Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Instrument:
    """Something that can be bought and mounted, and the channels it writes."""

    key: str
    label: str
    channels: tuple[str, ...]


INSTRUMENTS: tuple[Instrument, ...] = (
    Instrument("array_electrics", "array voltage and current", ("array_voltage_v", "array_current_a")),
    Instrument("well_level", "water level in the well", ("water_level_m",)),
    Instrument("outlet_pressure", "outlet pressure", ("outlet_pressure_pa",)),
    Instrument("pump_speed", "pump speed", ("pump_speed_rpm",)),
    Instrument("tank_level", "level in the tank", ("tank_level_m",)),
)


def missing_instruments(grounds: Grounds) -> list[Instrument]:
    """
    List what could be added at a site.

    Parameters
    ----------
    grounds : Grounds
        Tells what is logged.

    Returns
    -------
    instruments : list of Instrument
        Of those that make sense there.
    """
    site, intervals = grounds.site, grounds.intervals
    found = []
    for one in INSTRUMENTS:
        if all(intervals.has(name) for name in one.channels):
            continue
        if one.key == "array_electrics" and (site.array is None or intervals.has("array_power_w")):
            continue
        if one.key == "well_level" and (site.well.kind == "open" or site.pump.family in SURFACE):
            continue
        if one.key == "tank_level" and site.tank is None:
            continue
        found.append(one)
    return found


def with_instrument(readings: SiteReadings, grounds: Grounds, model: SiteModel, one: Instrument) -> SiteReadings:
    """
    Return the readings with the channels of one more instrument, as a sound site would show them.

    Parameters
    ----------
    readings : SiteReadings
        As logged.
    grounds : Grounds
        Conditions of the site.
    model : SiteModel
        Sound model.
    one : Instrument
        What is added.

    Returns
    -------
    readings : SiteReadings
        Present wherever the weather is known.
    """
    values, masks = readings.values.copy(), readings.masks.copy()
    for name in one.channels:
        values[name] = _reading(name, grounds, model)
        masks[name] = 0
    return SiteReadings(readings.site_id, values, masks, readings.interval_s)


def _reading(name: str, grounds: Grounds, model: SiteModel) -> Vector:
    expected = grounds.intervals.expected
    flow = expected["expected_flow_m3_s"].to_numpy(dtype=np.float64)
    if name == "array_voltage_v":
        return _column(expected, "expected_array_voltage_v")
    if name == "array_current_a":
        return _column(expected, "expected_array_current_a")
    if name == "pump_speed_rpm":
        return np.asarray(model.speed_at_power(_column(expected, "expected_array_power_w")), dtype=np.float64)
    if name == "outlet_pressure_pa":
        return np.asarray(gauge_pressure(grounds.site, model, np.maximum(flow, 0.0)), dtype=np.float64)
    if name == "water_level_m":
        rest = grounds.intervals.sheet_level_m
        pumping = np.asarray(model.pumping_level_at_flow(np.nan_to_num(np.maximum(flow, 0.0)), static_level_m=rest))
        return np.where(np.nan_to_num(flow) > 0.0, pumping, rest)
    return _tank_level(grounds, grounds.site)


def _tank_level(grounds: Grounds, site: Site) -> Vector:
    """Return the level of a tank from which what was pumped in a day is drawn evenly over that day."""
    if site.tank is None:
        return np.full(len(grounds.intervals.index), np.nan)
    seconds = grounds.intervals.hours * 3600.0
    inflow = np.nan_to_num(grounds.intervals.flow_m3_s) * seconds
    day = pd.Series(grounds.intervals.day)
    drawn = pd.Series(inflow).groupby(day.to_numpy()).transform("sum").to_numpy() * seconds / 86400.0
    top = float(volume_at_level(site.tank, np.array([0.9 * site.tank.full_level_m]))[0])
    volume = np.clip(0.5 * top + np.cumsum(inflow - drawn), 0.0, top)
    return np.asarray(level_at_volume(site.tank, volume), dtype=np.float64)


def _column(frame: pd.DataFrame, name: str) -> Vector:
    return np.asarray(frame[name].to_numpy(), dtype=np.float64)
