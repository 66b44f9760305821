"""How much a planted cause really cost, and how large it really was on a given day."""

from collections.abc import Sequence
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.proving.planting import PlantedFault, course
from diagnostics.site import Site

Band = Literal["sound", "no water", "mild", "moderate", "severe"]
STATES = frozenset({"tank_full", "switched_off"})
MEASURING = frozenset({
    "meter_under_reading", "meter_over_reading", "meter_stopped", "totaliser_reset", "irradiance_sensor_fault",
    "temperature_sensor_fault", "level_sensor_fault", "electrical_sensor_fault", "clock_shift", "swapped_channels",
    "unit_mistake", "logger_silent"})
# Faults of measuring that make water or power look missing: their band is the share they misstate.
_APPARENT = frozenset({"meter_under_reading", "meter_over_reading", "irradiance_sensor_fault",
                       "electrical_sensor_fault"})
# A cause is as large as its worst spell of this length; a ramp is so judged at its size, dirt before the rain. [days]
WORST_SPELL_DAYS = 20
MILD_BELOW, SEVERE_FROM = 0.10, 0.25


def band_of_share(share: float) -> Band:
    """
    Name the band of a lost share.

    Parameters
    ----------
    share : float
        Water lost over water due. [1]

    Returns
    -------
    band : str
        Under 10 % mild, over 25 % severe.
    """
    return "mild" if share < MILD_BELOW else "moderate" if share < SEVERE_FROM else "severe"


def band_of(truth: pd.DataFrame, planted: Sequence[PlantedFault]) -> tuple[Band, float]:
    """
    Say how much water the planted causes really cost in their worst spell of twenty days.

    Parameters
    ----------
    truth : pandas.DataFrame
        Of the plant: healthy_flow_m3_s, true_flow_m3_s, state.
    planted : sequence of PlantedFault
        What was planted.

    Returns
    -------
    band, lost_share : tuple
        Faults of measuring alone lose no water: those that misstate it are judged by the share they misstate, the
        others are 'no water'. [1]
    """
    causes = [f for f in planted if f.cause not in STATES]
    if not causes:
        return "sound", 0.0
    if all(f.cause in MEASURING for f in causes):
        if any(f.cause == "meter_stopped" for f in causes):
            return "severe", 1.0
        shares = [abs(f.size) for f in causes if f.cause in _APPARENT]
        return (band_of_share(max(shares)), max(shares)) if shares else ("no water", 0.0)
    start = min(f.start_day for f in causes if f.cause not in MEASURING)
    ends = [f.end_day for f in causes if f.cause not in MEASURING]
    day = np.floor(np.asarray((truth.index - truth.index[0]) / pd.Timedelta(days=1), dtype=np.float64))
    last = np.inf if any(end is None for end in ends) else max(float(end or 0.0) for end in ends)
    there = (day >= np.floor(start)) & (day < last) & (truth["state"] != "tank_full").to_numpy()
    count = int(day[-1]) + 1
    place = day[there].astype(np.int64)
    healthy = np.bincount(place, weights=truth["healthy_flow_m3_s"].to_numpy(dtype=np.float64)[there], minlength=count)
    given = np.bincount(place, weights=truth["true_flow_m3_s"].to_numpy(dtype=np.float64)[there], minlength=count)
    window = np.ones(min(WORST_SPELL_DAYS, max(1, int(there.any()) * count)))
    due, had = np.convolve(healthy, window), np.convolve(given, window)
    judged = due > 0.3 * float(due.max()) if due.max() > 0.0 else np.zeros(due.size, dtype=bool)
    if not judged.any():
        return "mild", 0.0
    lost = float(np.max(1.0 - had[judged] / due[judged]))
    return band_of_share(lost), lost


def true_size(fault: PlantedFault, day: float, truth: pd.DataFrame, site: Site | None) -> float:
    """
    Return the size a planted cause really had, in the unit the finding of that cause is told in.

    Parameters
    ----------
    fault : PlantedFault
        What was planted.
    day : float
        Days since the record began at which the finding states its size. [days]
    truth : pandas.DataFrame
        Of the plant.
    site : Site, optional
        Sheet, for shares of an array.

    Returns
    -------
    size : float
        Absolute; NaN where planted and stated size are not the same quantity.
    """
    share = _course_near(fault, day)
    if fault.cause == "soiled_array":
        at = np.asarray((truth.index - truth.index[0]) / pd.Timedelta(days=1), dtype=np.float64)
        near = np.abs(at - day - 0.5) < 2.0
        return 1.0 - float(truth["light_ratio"].to_numpy(dtype=np.float64)[near].mean()) if near.any() else np.nan
    if fault.cause in ("string_open", "module_bypassed"):
        array = site.array if site is not None else None
        if array is None:
            return float("nan")
        parts = (array.strings_in_parallel if fault.cause == "string_open"
                 else max(1, array.module.bypass_diodes) * array.modules_in_series)
        return fault.size / parts
    if fault.cause == "clock_shift":
        return abs(fault.size) * share / 60.0
    if fault.cause in ("falling_water_table", "meter_under_reading", "meter_over_reading", "wiring_resistance",
                       "irradiance_sensor_fault", "electrical_sensor_fault", "temperature_sensor_fault",
                       "riser_leak", "wrong_head", "off_mpp", "array_degraded"):
        return abs(fault.size) * share
    return float("nan")


def _course_near(fault: PlantedFault, day: float) -> float:
    if fault.shape == "intermittent":
        return 1.0
    hours: NDArray[np.float64] = np.array([day * 24.0 + 12.0])
    return float(course(fault, hours, np.random.default_rng(0))[0])
