"""Cell temperature from whatever is logged, with how far it can be trusted."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from diagnostics.chain.sun import unix_seconds
from diagnostics.site import Site

Floats = NDArray[np.float64]

# Cell above the back of an open-rack module at 1000 W/m2 (King, Boyson and Kratochvil 2004, SAND2004-3535, table 1).
CELL_ABOVE_BACK_K = 3.0
USUAL_WIND_M_S = 1.5


@dataclass(frozen=True)
class CellTemperature:
    """Cell temperature of each row with its standard uncertainty. [degC, K]"""

    temperature_c: Floats
    uncertainty_k: Floats


def faiman_cell_temperature_c(poa_w_m2: ArrayLike, air_temperature_c: ArrayLike, wind_speed_m_s: ArrayLike,
                              heat_loss_constant_w_m2_k: float = 25.0,
                              heat_loss_wind_w_s_m3_k: float = 6.84) -> Floats:
    """
    Module temperature after Faiman, T = Ta + G / (u0 + u1 v).

    Parameters
    ----------
    poa_w_m2 : array_like, shape (n,)
        [W/m2]
    air_temperature_c : array_like, shape (n,)
        [degC]
    wind_speed_m_s : array_like, shape (n,)
        At module height. [m/s]
    heat_loss_constant_w_m2_k : float, default 25
        u0. [W/m2/K]
    heat_loss_wind_w_s_m3_k : float, default 6.84
        u1. [W s/m3/K]

    Returns
    -------
    temperature_c : ndarray, shape (n,)
        [degC]

    References
    ----------
    D. Faiman (2008), Progress in Photovoltaics 16(4).
    """
    loss = heat_loss_constant_w_m2_k + heat_loss_wind_w_s_m3_k * np.asarray(wind_speed_m_s, dtype=np.float64)
    return np.asarray(np.asarray(air_temperature_c, dtype=np.float64) + np.asarray(poa_w_m2, dtype=np.float64) / loss,
                      dtype=np.float64)


def usual_air_temperature_c(site: Site, day_of_year: Floats, when_utc: pd.DatetimeIndex) -> Floats:
    """
    Rough air temperature where none is logged: latitude, height, season and time of day.

    Parameters
    ----------
    site : Site
    day_of_year : ndarray, shape (n,)
        [d]
    when_utc : DatetimeIndex, shape (n,)
        [UTC]

    Returns
    -------
    temperature_c : ndarray, shape (n,)
        Good to about 6 K (one standard uncertainty); from memory of climate tables. [degC]
    """
    lat = abs(site.latitude_deg)
    mean = 27.0 - 0.011 * max(lat - 12.0, 0.0) ** 2 - 0.006 * max(site.altitude_m, 0.0)
    swing = min(0.28 * lat, 14.0) * (1.0 if site.latitude_deg >= 0 else -1.0)
    solar_hour = (unix_seconds(when_utc) / 3600.0 + site.longitude_deg / 15.0) % 24.0
    season = swing * np.cos(2.0 * np.pi * (day_of_year - 205.0) / 365.25)
    return np.asarray(mean + season + 5.5 * np.cos(2.0 * np.pi * (solar_hour - 14.5) / 24.0), dtype=np.float64)


def cell_temperature(site: Site, poa_w_m2: Floats, day_of_year: Floats, when_utc: pd.DatetimeIndex, air_c: Floats,
                     module_c: Floats, wind_m_s: Floats) -> CellTemperature:
    """
    Cell temperature row by row from module sensor, else air and wind, else climate.

    Parameters
    ----------
    site : Site
        With an array.
    poa_w_m2, day_of_year : ndarray, shape (n,)
        [W/m2, d]
    when_utc : DatetimeIndex, shape (n,)
        [UTC]
    air_c, module_c, wind_m_s : ndarray, shape (n,)
        As logged, NaN where not known. [degC, degC, m/s]

    Returns
    -------
    cell : CellTemperature
    """
    array = site.array
    if array is None:
        raise ValueError(f"site {site.id} has no array; it has no cell temperature.")
    no_air, no_wind = np.isnan(air_c), np.isnan(wind_m_s)
    air = np.where(no_air, usual_air_temperature_c(site, day_of_year, when_utc), air_c) if no_air.any() else air_c
    wind = np.where(no_wind, USUAL_WIND_M_S, wind_m_s)
    light = np.nan_to_num(poa_w_m2)
    reckoned = faiman_cell_temperature_c(light, air, wind, array.heat_loss_constant_w_m2_k,
                                         array.heat_loss_wind_w_s_m3_k)
    rise = reckoned - air
    doubt = np.sqrt(1.0 + np.where(no_air, 6.0, 1.0) ** 2 + (np.where(no_wind, 0.22, 0.12) * rise) ** 2)
    sensed = np.isfinite(module_c)
    temperature = np.where(sensed, module_c + CELL_ABOVE_BACK_K * light / 1000.0, reckoned)
    return CellTemperature(temperature, np.where(sensed, 2.0, doubt))
