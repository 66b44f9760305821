"""Long intervals cut into quarters of an hour that follow the clear sky, so that the sun's own curve is not lost."""

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.chain.daylight import Daylight, daylight
from diagnostics.chain.mount import cos_incidence, orientation
from diagnostics.chain.sun import clear_sky, sun_position
from diagnostics.site import Site

Floats = NDArray[np.float64]

LONGEST_INTERVAL_S = 1200.0
_PIECE_S = 900.0
_BY_HORIZON = ("global_horizontal_irradiance_w_m2", "neighbour_global_horizontal_irradiance_w_m2",
               "imported_global_horizontal_irradiance_w_m2", "diffuse_horizontal_irradiance_w_m2")


def pieces_for(interval_s: Floats) -> int:
    """
    Pieces into which each interval is cut; 1 where all are short enough.

    Parameters
    ----------
    interval_s : ndarray, shape (n,)
        [s]

    Returns
    -------
    pieces : int
        [1]
    """
    longest = float(np.max(interval_s)) if interval_s.size else 0.0
    return 1 if longest <= LONGEST_INTERVAL_S else min(int(np.ceil(longest / _PIECE_S)), 24)


def _shape(clear: Floats, pieces: int) -> Floats:
    """Clear-sky value of each piece over the mean of its interval; 1 where the interval is dark."""
    by_interval = clear.reshape(-1, pieces)
    mean = by_interval.mean(axis=1, keepdims=True)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(mean > 1.0, by_interval / mean, 1.0).ravel()


def daylight_in_pieces(site: Site, weather: pd.DataFrame, interval_s: Floats, pieces: int) -> Daylight:
    """
    Daylight on a finer grid: means are kept, the clear-sky index is held over each interval.

    Parameters
    ----------
    site : Site
        With an array.
    weather : DataFrame
        As for `daylight`. [UTC]
    interval_s : ndarray, shape (n,)
        [s]
    pieces : int
        Of each interval. [1]

    Returns
    -------
    light : Daylight
        With n x pieces rows in its index; the spread inside is that of the long interval.
    """
    array = site.array
    if array is None:
        raise ValueError(f"site {site.id} has no array; it has no light to cut into pieces.")
    coarse = daylight(site, weather, pd.Series(interval_s, index=weather.index))
    back = np.arange(pieces - 1, -1, -1, dtype=np.float64) / pieces
    ends = np.repeat(np.asarray(coarse.when_utc.as_unit("us").asi8), pieces)
    ends = ends - np.round(np.tile(back, len(coarse.when_utc)) * np.repeat(interval_s, pieces) * 1e6).astype(np.int64)
    when = pd.DatetimeIndex(pd.to_datetime(ends, unit="us", utc=True), name=weather.index.name)
    length = np.repeat(interval_s, pieces) / pieces
    middle = when - pd.to_timedelta(length / 2.0, unit="s")
    sun = sun_position(middle, site.latitude_deg, site.longitude_deg, site.altitude_m)
    sky = clear_sky(sun, np.asarray(middle.day_of_year, dtype=np.float64), site.latitude_deg, site.longitude_deg,
                    site.altitude_m)
    up = sun.elevation_deg > 0.0
    tilt, azimuth = orientation(array, middle, site.timezone, sun)
    plane = (sky.direct_normal_w_m2 * np.maximum(cos_incidence(tilt, azimuth, sun), 0.0)
             + sky.diffuse_horizontal_w_m2)
    fine = pd.DataFrame(weather.to_numpy(dtype=np.float64).repeat(pieces, axis=0), index=when, columns=weather.columns)
    shapes = {"poa_irradiance_w_m2": _shape(np.where(up, plane, 0.0), pieces)}
    shapes |= dict.fromkeys(_BY_HORIZON, _shape(np.where(up, sky.global_horizontal_w_m2, 0.0), pieces))
    for name, shape in shapes.items():
        if name in fine.columns:
            fine[name] = np.asarray(fine[name], dtype=np.float64) * shape
    light = daylight(site, fine, pd.Series(length, index=when))
    whole = np.zeros(len(coarse.when_utc))
    whole[coarse.rows] = coarse.cloud_spread
    return replace(light, cloud_spread=np.repeat(whole, pieces)[light.rows])


def joined(table: pd.DataFrame, index: pd.DatetimeIndex, pieces: int) -> pd.DataFrame:
    """
    Bring a table on the fine grid back to the intervals it was cut from.

    Parameters
    ----------
    table : DataFrame
        n x pieces rows. [UTC]
    index : DatetimeIndex, shape (n,)
        Of the long intervals. [UTC]
    pieces : int
        [1]

    Returns
    -------
    joined : DataFrame
        Numbers are means (of what is known); words are those of the piece with most light.
    """
    lit = table["poa_irradiance_w_m2"].to_numpy(dtype=np.float64).reshape(-1, pieces)
    brightest = np.argmax(np.nan_to_num(lit, nan=-1.0), axis=1) + pieces * np.arange(lit.shape[0])
    columns: dict[str, object] = {}
    for name in table.columns:
        if isinstance(table[name].dtype, pd.CategoricalDtype):
            columns[name] = table[name].iloc[brightest].array
            continue
        values = table[name].to_numpy(dtype=np.float64).reshape(-1, pieces)
        if name == "cell_temperature_c":
            known = np.isfinite(values).sum(axis=1)
            columns[name] = np.where(known > 0, np.nansum(values, axis=1) / np.maximum(known, 1), np.nan)
        else:
            columns[name] = values.mean(axis=1)
    return pd.DataFrame(columns, index=index)
