"""How the array faces the sky at each instant."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pvlib import tracking

from diagnostics.chain.sun import SunPosition
from diagnostics.site import Array

Floats = NDArray[np.float64]


def seasonal_tilt_deg(tilts_by_month: dict[int, float], month: NDArray[np.int64]) -> Floats:
    """
    Tilt in force in a month: the last one that was set, round the year.

    Parameters
    ----------
    tilts_by_month : dict
        Month in which a tilt is set -> tilt. [deg]
    month : ndarray of int, shape (n,)
        1 to 12. [1]

    Returns
    -------
    tilt_deg : ndarray, shape (n,)
        [deg]
    """
    by_month = np.empty(13)
    in_force = tilts_by_month[max(tilts_by_month)]
    for each in range(1, 13):
        in_force = tilts_by_month.get(each, in_force)
        by_month[each] = in_force
    return by_month[month]


def orientation(array: Array, when_utc: pd.DatetimeIndex, timezone: str, sun: SunPosition) -> tuple[Floats, Floats]:
    """
    Tilt and azimuth of the plane at each row.

    Parameters
    ----------
    array : Array
        For a tracker `tilt_deg` and `azimuth_deg` are those of its axis.
    when_utc : DatetimeIndex, shape (n,)
        [UTC]
    timezone : str
        IANA zone; seasons turn with the local month.
    sun : SunPosition
        n rows.

    Returns
    -------
    tilt_deg, azimuth_deg : ndarray, shape (n,)
        [deg]
    """
    count = len(when_utc)
    if array.mount == "single_axis_tracker":
        turned = tracking.singleaxis(sun.zenith_deg, sun.azimuth_deg, array.tilt_deg, array.azimuth_deg,
                                     array.tracker_max_angle_deg, array.tracker_backtracks,
                                     array.tracker_ground_cover_ratio)
        tilt = np.nan_to_num(np.asarray(turned["surface_tilt"], dtype=np.float64), nan=array.tilt_deg)
        return tilt, np.nan_to_num(np.asarray(turned["surface_azimuth"], dtype=np.float64), nan=array.azimuth_deg)
    if array.mount == "seasonal_tilt":
        month = np.asarray(when_utc.tz_convert(timezone).month, dtype=np.int64)
        return seasonal_tilt_deg(array.seasonal_tilts_deg, month), np.full(count, array.azimuth_deg)
    return np.full(count, array.tilt_deg), np.full(count, array.azimuth_deg)


def cos_incidence(tilt_deg: Floats, azimuth_deg: Floats, sun: SunPosition) -> Floats:
    """
    Cosine of the angle between sun and the plane's normal; negative behind the plane.

    Parameters
    ----------
    tilt_deg, azimuth_deg : ndarray, shape (n,)
        [deg]
    sun : SunPosition

    Returns
    -------
    cosine : ndarray, shape (n,)
        [1]
    """
    tilt, zenith = np.radians(tilt_deg), np.radians(sun.zenith_deg)
    turn = np.radians(sun.azimuth_deg - azimuth_deg)
    return np.asarray(np.clip(np.cos(tilt) * np.cos(zenith) + np.sin(tilt) * np.sin(zenith) * np.cos(turn), -1.0, 1.0),
                      dtype=np.float64)
