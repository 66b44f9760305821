"""Light that falls elsewhere carried to a site: sensors of neighbours by distance, series of other interval lengths."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.chain.array_alone import level_sky
from diagnostics.chain.daylight import daylight
from diagnostics.chain.sun import unix_seconds
from diagnostics.readings import SiteReadings
from diagnostics.site import Site

Vector = NDArray[np.float64]

OWN_LIGHT = ("poa_irradiance_w_m2", "global_horizontal_irradiance_w_m2")
NEIGHBOUR = "neighbour_global_horizontal_irradiance_w_m2"
IMPORTED = "imported_global_horizontal_irradiance_w_m2"
# Skies grow apart as the root of distance while it is short beside the size of weather (an exponential variogram near
# its origin). That 12 % stand at 40 km is common practice for sums of a day, without a source.
SPREAD_AT_40_KM = 0.12
# Two sites nearer than this differ no less than their sensors' mounting and cleanliness do. [km]
LEAST_DISTANCE_KM = 1.0
HIGHEST_CLEAR_INDEX = 1.4
# A sound sensor comes near the clear sky on its brightest tenth of rows, and not far above it.
SOUND_CLEAR_INDEX = (0.8, 1.15)
LEAST_SUNNY_ROWS = 30
LEAST_COVERAGE = 0.5
_CLEAR_PIECES = 6
_TURNS_BACK = 6


@dataclass(frozen=True)
class LevelLight:
    """Irradiance on level ground at one place: intervals ending at `when_utc`, NaN where not known."""

    when_utc: pd.DatetimeIndex
    interval_s: Vector
    global_horizontal_w_m2: Vector


def distance_uncertainty(distance_km: float) -> float:
    """
    Relative standard uncertainty of light taken from so far away.

    Parameters
    ----------
    distance_km : float
        [km]

    Returns
    -------
    uncertainty : float
        Grows with the root of distance, 0.12 at 40 km. The sensor's own comes on top. [1]
    """
    return SPREAD_AT_40_KM * float(np.sqrt(max(distance_km, LEAST_DISTANCE_KM) / 40.0))


def own_light_missing(site: Site, readings: SiteReadings) -> NDArray[np.bool_]:
    """
    Tell where the sun is up and no irradiance sensor of the site itself has a sound value.

    Parameters
    ----------
    site : Site
    readings : SiteReadings
        With masks of ingest and physics.

    Returns
    -------
    missing : ndarray of bool, shape (n,)
        [1]
    """
    known = np.zeros(len(readings.values), dtype=bool)
    for channel in OWN_LIGHT:
        known |= np.isfinite(readings.sound_array(channel))
    elevation, _ = level_sky(site, pd.DatetimeIndex(readings.values.index), readings.interval_s)
    return np.asarray(~known & (elevation > 0.0))


def level_light(site: Site, readings: SiteReadings) -> LevelLight | None:
    """
    Irradiance on level ground at a site, from its level sensor or, after its clear-sky index, its plane sensor.

    Parameters
    ----------
    site : Site
    readings : SiteReadings
        With masks of ingest and physics.

    Returns
    -------
    light : LevelLight or None
        None where no sensor has a value, or where its brightest tenth is nowhere near the clear sky: a sensor that is
        not sound for itself is none for others.
    """
    when = pd.DatetimeIndex(readings.values.index)
    elevation, clear = level_sky(site, when, readings.interval_s)
    level = readings.sound_array(OWN_LIGHT[1])
    if site.array is not None and readings.has(OWN_LIGHT[0]):
        level = np.where(np.isfinite(level), level, _level_behind_plane(site, readings, clear))
    sunny = (elevation > 20.0) & np.isfinite(level) & (clear > 50.0)
    if int(sunny.sum()) < LEAST_SUNNY_ROWS:
        return None
    brightest = float(np.quantile(level[sunny] / clear[sunny], 0.9))
    if not SOUND_CLEAR_INDEX[0] <= brightest <= SOUND_CLEAR_INDEX[1]:
        return None
    return LevelLight(when, np.asarray(readings.interval_s, dtype=np.float64), level)


def _level_behind_plane(site: Site, readings: SiteReadings, clear: Vector) -> Vector:
    """
    Return the level irradiance that the site's own split and transposition turn into what its plane sensor read.

    The plane's clear-sky index is the first guess; under cloud it is too low, for a tilted plane sees less of the sky.
    """
    when, plane = pd.DatetimeIndex(readings.values.index), readings.sound_array(OWN_LIGHT[0])
    lit = daylight(site, pd.DataFrame({OWN_LIGHT[0]: plane}, index=when), readings.interval_s)
    index = np.full(len(when), np.nan)
    index[lit.rows] = np.clip(lit.clear_sky_index, 0.0, HIGHEST_CLEAR_INDEX)
    for _ in range(_TURNS_BACK):
        turned = daylight(site, pd.DataFrame({OWN_LIGHT[1]: index * clear}, index=when), readings.interval_s)
        with np.errstate(invalid="ignore", divide="ignore"):
            step = np.where(turned.poa_w_m2 > 1.0, plane[turned.rows] / turned.poa_w_m2, 1.0)
        index[turned.rows] = np.clip(index[turned.rows] * np.clip(step, 0.5, 2.0), 0.0, HIGHEST_CLEAR_INDEX)
    return index * clear


def onto_intervals(light: LevelLight, there: Site, here: Site, when_utc: pd.DatetimeIndex,
                   interval_s: "pd.Series[float]") -> Vector:
    """
    Carry light from one place and grid to another by its clear-sky index.

    Parameters
    ----------
    light : LevelLight
        At `there`. Rising in time.
    there, here : Site
        Their positions are used; the same site twice changes the grid alone.
    when_utc : DatetimeIndex, shape (n,)
        Interval ends wanted. [UTC]
    interval_s : Series, shape (n,)
        [s]

    Returns
    -------
    global_horizontal_w_m2 : ndarray, shape (n,)
        Finer intervals are averaged; coarser ones get their shape back from the clear sky, so that an hour keeps its
        mean. NaN where less than half an interval is known; 0 where the sun is down. [W/m2]
    """
    lengths = np.asarray(interval_s, dtype=np.float64)
    elevation, clear_here = level_sky(here, when_utc, interval_s)
    clear_there = _clear_mean(there, light.when_utc, light.interval_s)
    with np.errstate(invalid="ignore", divide="ignore"):
        index = np.where(clear_there > 5.0, np.clip(light.global_horizontal_w_m2 / clear_there, 0.0,
                                                    HIGHEST_CLEAR_INDEX), np.nan)
    clear_fine = _clear_mean(here, when_utc, lengths)
    carried = _mean_over(light, index, clear_there, when_utc, lengths) * clear_fine
    return np.where(elevation > 0.0, np.where(clear_here > 0.0, carried, np.nan), 0.0)


def _mean_over(light: LevelLight, index: Vector, weight: Vector, when_utc: pd.DatetimeIndex, lengths: Vector) -> Vector:
    """Average the clear-sky index over other intervals, each part weighted by the clear sky's light in it."""
    ends = unix_seconds(light.when_utc)
    starts = ends - light.interval_s
    known = np.isfinite(index)
    knots = np.empty(2 * len(ends))
    knots[0::2], knots[1::2] = starts, ends
    # Where an interval reaches back over the one before, its own length gives way.
    knots = np.maximum.accumulate(knots)
    seconds = knots[1::2] - knots[0::2]
    stop = unix_seconds(when_utc)
    start = stop - lengths

    def running(rate: Vector) -> Vector:
        sums = np.zeros(len(knots))
        sums[0::2][1:] = np.cumsum(rate * seconds)[:-1]
        sums[1::2] = np.cumsum(rate * seconds)
        return np.asarray(np.interp(stop, knots, sums) - np.interp(start, knots, sums), dtype=np.float64)

    heavy = np.where(known, weight, 0.0)
    covered = running(known.astype(np.float64))
    total, light_sum = running(heavy), running(heavy * np.where(known, index, 0.0))
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(total > 0.0, light_sum / total, np.nan)
    return np.where(covered >= LEAST_COVERAGE * lengths, mean, np.nan)


def _clear_mean(site: Site, when_utc: pd.DatetimeIndex, lengths: Vector) -> Vector:
    """Clear sky over an interval; a long one is the mean of its pieces, for its middle would tell too much. [W/m2]"""
    if not len(lengths) or float(np.median(lengths)) <= 1200.0:
        return level_sky(site, when_utc, pd.Series(lengths))[1]
    total = np.zeros(len(lengths))
    for piece in range(_CLEAR_PIECES):
        back = pd.to_timedelta(lengths * piece / _CLEAR_PIECES, unit="s")
        total += np.nan_to_num(level_sky(site, pd.DatetimeIndex(when_utc - back),
                                         pd.Series(lengths / _CLEAR_PIECES))[1])
    return total / _CLEAR_PIECES


def by_distance(parts: Sequence[Vector], distance_km: Sequence[float]) -> tuple[Vector, float]:
    """
    Blend what several places say by the inverse square of their distance, and state how sure it is.

    Parameters
    ----------
    parts : sequence of ndarray, shape (n,)
        Carried to the place that lacks light. [W/m2]
    distance_km : sequence of float
        [km]

    Returns
    -------
    blended : ndarray, shape (n,)
        Rows that some places know only rest on these. [W/m2]
    uncertainty : float
        Relative, standard: that of the weighted mean distance. Neighbours share their error, so their number does
        not lessen it. [1]
    """
    values = np.column_stack(parts)
    away = np.maximum(np.asarray(distance_km, dtype=np.float64), LEAST_DISTANCE_KM)
    weight = np.where(np.isfinite(values), away**-2.0, 0.0)
    total = weight.sum(axis=1)
    lit = total > 0.0
    with np.errstate(invalid="ignore", divide="ignore"):
        blended = np.where(lit, (weight * np.nan_to_num(values)).sum(axis=1) / total, np.nan)
        mean_km = np.where(lit, (weight * away).sum(axis=1) / total, np.nan)
    return blended, distance_uncertainty(float(np.nanmean(mean_km)) if lit.any() else float(away.min()))


def with_light(readings: SiteReadings, channel: str, values: Vector) -> SiteReadings:
    """Return readings with one more channel of light, sound wherever it has a value."""
    table, masks = readings.values.copy(), readings.masks.copy()
    table[channel] = values
    masks[channel] = np.zeros(len(table), dtype=np.uint16)
    return SiteReadings(readings.site_id, table, masks, readings.interval_s)
