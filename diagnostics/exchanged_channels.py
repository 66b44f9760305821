"""Pairs of columns that hold each other's readings: far from the sheet as they are, near it crosswise."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.channel_scale import LEAST_DAYS, day_numbers, sun_elevation
from diagnostics.clock_mend import as_numbers
from diagnostics.readings import SiteReadings
from diagnostics.site import Site

Vector = NDArray[np.float64]
Flags = NDArray[np.bool_]


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
    elevation, day = sun_elevation(site, readings), day_numbers(readings, site)
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
