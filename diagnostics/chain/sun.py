"""Where the sun stands and what a clear sky would give: NREL SPA on a coarse grid, the hour angle row by row."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from pvlib import atmosphere, clearsky, irradiance, spa

_GRID_S = 21600.0           # declination and sidereal offset move smoothly; between these knots a line is enough
_DELTA_T_S = 69.0           # difference of terrestrial and universal time in the 2020s
SOLAR_PARALLAX_DEG = 8.794 / 3600.0


@dataclass(frozen=True)
class SunPosition:
    """Direction to the sun, one value a row. Elevation is apparent (refraction included). [deg]"""

    elevation_deg: NDArray[np.float64]
    azimuth_deg: NDArray[np.float64]

    @property
    def zenith_deg(self) -> NDArray[np.float64]:
        """Apparent zenith angle. [deg]"""
        return 90.0 - self.elevation_deg


def unix_seconds(when_utc: pd.DatetimeIndex) -> NDArray[np.float64]:
    """
    Return seconds since 1970-01-01 UTC whatever resolution the index has.

    Parameters
    ----------
    when_utc : DatetimeIndex, shape (n,)
        With a time zone. [UTC]

    Returns
    -------
    seconds : ndarray of float64, shape (n,)
        [s]
    """
    return np.asarray(when_utc.as_unit("us").asi8, dtype=np.float64) * 1e-6


def refraction_deg(true_elevation_deg: ArrayLike, *, pressure_pa: float,
                   air_temperature_c: float) -> NDArray[np.float64]:
    """
    Lift of the sun by the air, as in the NREL solar position algorithm, eq. 42.

    Parameters
    ----------
    true_elevation_deg : array_like, shape (n,)
        Without refraction. [deg]
    pressure_pa : float
        Mean pressure at the site. [Pa]
    air_temperature_c : float
        Mean air temperature. [degC]

    Returns
    -------
    lift_deg : ndarray of float64, shape (n,)
        Zero where the whole disc is below the horizon. [deg]

    References
    ----------
    Reda and Andreas, NREL/TP-560-34302 (revised 2008).
    """
    e0 = np.asarray(true_elevation_deg, dtype=np.float64)
    above = e0 >= -(0.26667 + 0.5667)
    inside = np.where(above, e0, 0.0)
    tangent = np.tan(np.radians(inside + 10.3 / (inside + 5.11)))
    lift = (pressure_pa / 101000.0) * (283.0 / (273.0 + air_temperature_c)) * 1.02 / (60.0 * tangent)
    return np.where(above, lift, 0.0)


def sun_position(when_utc: pd.DatetimeIndex, latitude_deg: float, longitude_deg: float, altitude_m: float = 0.0, *,
                 air_temperature_c: float = 15.0) -> SunPosition:
    """
    Solar position of every row.

    Right ascension, declination and sidereal time come from the NREL SPA (pvlib) at knots six hours apart; only the
    hour angle is worked out per row, so a million rows cost tenths of a second and stay within 0.001 degree of the
    full algorithm (tested).

    Parameters
    ----------
    when_utc : DatetimeIndex, shape (n,)
        Instants, not interval ends: pass the middle of each interval. [UTC]
    latitude_deg, longitude_deg : float
        North and east positive. [deg]
    altitude_m : float, default 0
        Above sea level, for refraction. [m]
    air_temperature_c : float, default 15
        For refraction. [degC]

    Returns
    -------
    position : SunPosition
    """
    seconds = unix_seconds(when_utc)
    if seconds.size == 0:
        return SunPosition(seconds, seconds)
    cos_hour, hour_angle, decline = _hour_angle(seconds, longitude_deg)
    lat = np.radians(latitude_deg)
    elevation = _apparent_elevation_deg(cos_hour, decline, lat, altitude_m, air_temperature_c)
    azimuth = np.degrees(np.arctan2(np.sin(hour_angle), cos_hour * np.sin(lat) - np.tan(decline) * np.cos(lat)))
    return SunPosition(elevation, (azimuth + 180.0) % 360.0)


def sun_elevation_deg(when_utc: pd.DatetimeIndex, latitude_deg: float, longitude_deg: float, altitude_m: float = 0.0, *,
                      air_temperature_c: float = 15.0) -> NDArray[np.float64]:
    """
    Apparent elevation of the sun alone, the same number as `sun_position` gives, for checks that need no azimuth.

    Parameters
    ----------
    when_utc : DatetimeIndex, shape (n,)
        Instants. [UTC]
    latitude_deg, longitude_deg : float
        North and east positive. [deg]
    altitude_m : float, default 0
        Above sea level, for refraction. [m]
    air_temperature_c : float, default 15
        For refraction. [degC]

    Returns
    -------
    elevation_deg : ndarray of float64, shape (n,)
        [deg]
    """
    seconds = unix_seconds(when_utc)
    if seconds.size == 0:
        return seconds
    cos_hour, _, decline = _hour_angle(seconds, longitude_deg)
    return _apparent_elevation_deg(cos_hour, decline, np.radians(latitude_deg), altitude_m, air_temperature_c)


@lru_cache(maxsize=8)
def _sun_at_knots(start_s: float, stop_s: float) -> tuple[
        NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return knots [s], what is left of the hour angle [rad] and declination [deg]; the sites of a fleet share them."""
    knots = np.arange(start_s, stop_s, _GRID_S)
    sidereal, ascension, declination = spa.solar_position_numpy(knots, 0.0, 0.0, 0.0, 1013.25, 12.0, _DELTA_T_S,
                                                                0.5667, 1, sst=True)
    # What is left of the hour angle once the plain turning of the earth is taken off drifts by minutes a day.
    return knots, np.unwrap(np.radians(sidereal - ascension - knots / 240.0)), declination


def _hour_angle(seconds: NDArray[np.float64], longitude_deg: float) -> tuple[
        NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return the cosine of the hour angle, the hour angle [rad] and the declination [rad]."""
    start = float(np.floor(seconds.min() / _GRID_S) * _GRID_S)
    stop = float(np.ceil(seconds.max() / _GRID_S) * _GRID_S)
    knots, drift, declination = _sun_at_knots(start, stop + 2.0 * _GRID_S)
    hour_angle = np.radians(seconds / 240.0 % 360.0 + longitude_deg) + np.interp(seconds, knots, drift)
    return np.cos(hour_angle), hour_angle, np.radians(np.interp(seconds, knots, declination))


def _apparent_elevation_deg(cos_hour: NDArray[np.float64], decline: NDArray[np.float64], lat: float, altitude_m: float,
                            air_temperature_c: float) -> NDArray[np.float64]:
    sin_elevation = np.sin(lat) * np.sin(decline) + np.cos(lat) * np.cos(decline) * cos_hour
    true_elevation = np.degrees(np.arcsin(np.clip(sin_elevation, -1.0, 1.0)))
    true_elevation = true_elevation - SOLAR_PARALLAX_DEG * np.cos(np.radians(true_elevation))
    pressure = float(atmosphere.alt2pres(altitude_m))
    lift = refraction_deg(true_elevation, pressure_pa=pressure, air_temperature_c=air_temperature_c)
    return np.asarray(true_elevation + lift, dtype=np.float64)


@lru_cache(maxsize=512)
def _monthly_linke(latitude_deg: float, longitude_deg: float) -> tuple[float, ...]:
    months = pd.DatetimeIndex([f"2023-{month:02d}-15" for month in range(1, 13)], tz="UTC")
    return tuple(float(value) for value in clearsky.lookup_linke_turbidity(
        months, latitude_deg, longitude_deg, interp_turbidity=False))


def linke_turbidity(day_of_year: ArrayLike, latitude_deg: float, longitude_deg: float) -> NDArray[np.float64]:
    """
    Climatological Linke turbidity (the SoDa monthly maps that pvlib carries), smooth over the year.

    Parameters
    ----------
    day_of_year : array_like, shape (n,)
        1 to 366. [d]
    latitude_deg, longitude_deg : float
        North and east positive. [deg]

    Returns
    -------
    turbidity : ndarray of float64, shape (n,)
        [1]
    """
    monthly = np.asarray(_monthly_linke(round(latitude_deg * 12) / 12, round(longitude_deg * 12) / 12))
    middles = np.array([15.5, 45.0, 74.5, 105.0, 135.5, 166.0, 196.5, 227.5, 258.0, 288.5, 319.0, 349.5])
    return np.asarray(np.interp(np.asarray(day_of_year, dtype=np.float64), middles, monthly, period=365.25),
                      dtype=np.float64)


@dataclass(frozen=True)
class ClearSky:
    """Irradiance under a cloudless sky, and outside the air. [W/m2]"""

    global_horizontal_w_m2: NDArray[np.float64]
    direct_normal_w_m2: NDArray[np.float64]
    diffuse_horizontal_w_m2: NDArray[np.float64]
    extraterrestrial_normal_w_m2: NDArray[np.float64]
    relative_airmass: NDArray[np.float64]


def clear_sky(sun: SunPosition, day_of_year: ArrayLike, latitude_deg: float, longitude_deg: float,
              altitude_m: float) -> ClearSky:
    """
    Ineichen-Perez clear sky with climatological turbidity.

    Parameters
    ----------
    sun : SunPosition
        n rows.
    day_of_year : array_like, shape (n,)
        [d]
    latitude_deg, longitude_deg : float
        [deg]
    altitude_m : float
        Above sea level. [m]

    Returns
    -------
    sky : ClearSky

    References
    ----------
    Ineichen and Perez (2002), Solar Energy 73(3), through pvlib; air mass after Kasten and Young (1989).
    """
    doy = np.asarray(day_of_year, dtype=np.float64)
    extra = np.asarray(irradiance.get_extra_radiation(doy), dtype=np.float64)
    relative = np.asarray(atmosphere.get_relative_airmass(sun.zenith_deg), dtype=np.float64)
    absolute = np.asarray(atmosphere.get_absolute_airmass(relative, atmosphere.alt2pres(altitude_m)), dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        sky = clearsky.ineichen(sun.zenith_deg, absolute, linke_turbidity(doy, latitude_deg, longitude_deg),
                                altitude=altitude_m, dni_extra=extra)
    ghi, dni, dhi = (np.nan_to_num(np.asarray(sky[name], dtype=np.float64)) for name in ("ghi", "dni", "dhi"))
    return ClearSky(ghi, dni, dhi, extra, relative)
