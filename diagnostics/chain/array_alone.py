"""What an array gives where no chain leads to the water: its maximum power, and its working point behind a tracker."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.chain.array import ArrayTable, array_curve
from diagnostics.chain.daylight import Daylight
from diagnostics.chain.sun import clear_sky, sun_position
from diagnostics.chain.uncertainty import STEADY_SHARE_OF_LIGHT, nameplate_uncertainty
from diagnostics.health import Health
from diagnostics.site import Site

Floats = NDArray[np.float64]

# A station without a pump stands on a grid inverter, whose tracking after EN 50530 is 99.5 % and better (from memory).
GRID_TRACKING_SHARE = 0.995
# Zero and slant of a field pyranometer: ISO 9060:2018 allows class B some 5 and 20 W/m2, class C 15 and 30 (limits,
# from memory); one standard uncertainty of what does not pass with the day.
SENSOR_OFFSET_W_M2 = 10.0


@dataclass(frozen=True)
class ArrayAlone:
    """One value a row: maximum power [W]; power, voltage and current in use [W, V, A], NaN where not known."""

    power_available_w: Floats
    power_w: Floats
    voltage_v: Floats
    current_a: Floats


def array_alone(site: Site, effective_w_m2: Floats, cell_temperature_c: Floats, health: Health) -> ArrayAlone:
    """
    Read the array's tables without asking what is done with its power.

    Parameters
    ----------
    site : Site
        With an array.
    effective_w_m2 : ndarray, shape (n,)
        Light that counts, soiling included. [W/m2]
    cell_temperature_c : ndarray, shape (n,)
        [degC]
    health : Health
        Strings, substrings, wiring and tracking are taken from it.

    Returns
    -------
    alone : ArrayAlone
        The operating point is known only where the site has no pump and its drive tracks the maximum power point
        (a measured array on a grid inverter); a pump that cannot use all the power would pull the array off it.

    Raises
    ------
    ValueError
        If the site has no array.
    """
    if site.array is None:
        raise ValueError(f"site {site.id} has no array; it gives no power.")
    table = ArrayTable.build(array_curve(site.array, health))
    available, voltage = table.read(effective_w_m2, cell_temperature_c, "power_mp_w", "voltage_mp_v")
    if not (site.lacks("pump") and site.drive.kind in ("tracking", "frequency")):
        unknown = np.full_like(available, np.nan)
        return ArrayAlone(available, unknown, unknown, unknown)
    limit = np.inf if site.drive.max_output_power_w is None else site.drive.max_output_power_w
    power = np.minimum(available * GRID_TRACKING_SHARE * health.tracking_ratio, limit / site.drive.rated_efficiency)
    with np.errstate(invalid="ignore", divide="ignore"):
        current = np.where(voltage > 0.0, power / voltage, 0.0)
    return ArrayAlone(available, power, voltage, current)


def power_effects(site: Site, light: Daylight, power_w: Floats) -> tuple[Floats, Floats]:
    """
    What one standard deviation of each open input moves of an array's power, for `learned.learn`.

    Parameters
    ----------
    site : Site
        With an array.
    light : Daylight
    power_w : ndarray, shape (n,)
        By the sheet, of the light's rows. [W]

    Returns
    -------
    effects : ndarray, shape (n, 3)
        Of scale (label and calibration of the sensor), zero and slant of the sensor, warmth of the cells. [W]
    passing : ndarray, shape (n,)
        Standard uncertainty from what comes anew each day. [W]
    """
    if site.array is None:
        raise ValueError(f"site {site.id} has no array; it gives no power.")
    sensor = light.irradiance_uncertainty
    scale = np.hypot(nameplate_uncertainty(site), np.sqrt(STEADY_SHARE_OF_LIGHT) * sensor) * power_w
    with np.errstate(invalid="ignore", divide="ignore"):
        offset = np.where(light.poa_w_m2 > SENSOR_OFFSET_W_M2, SENSOR_OFFSET_W_M2 * power_w / light.poa_w_m2, 0.0)
    coefficient = abs(site.array.module.temperature_coefficient_power_per_k)
    warmth = coefficient * light.cell.uncertainty_k * np.minimum(light.poa_w_m2 / 1000.0, 1.0) * power_w
    passing = np.sqrt(1.0 - STEADY_SHARE_OF_LIGHT) * sensor * power_w
    return np.column_stack([scale, offset, warmth]), passing


def level_sky(site: Site, when_utc: pd.DatetimeIndex, interval_s: "pd.Series[float] | float") -> tuple[Floats, Floats]:
    """
    Sun elevation and clear-sky irradiance on level ground, for a site whose plane is not described.

    Parameters
    ----------
    site : Site
        Its position is used.
    when_utc : DatetimeIndex, shape (n,)
        Interval ends. [UTC]
    interval_s : Series or float
        Length of each interval. [s]

    Returns
    -------
    elevation_deg, clear_sky_w_m2 : ndarray, shape (n,)
        In the middle of each interval. [deg, W/m2]
    """
    half = np.broadcast_to(np.asarray(interval_s, dtype=np.float64), (len(when_utc),)) / 2.0
    middle = when_utc - pd.to_timedelta(half, unit="s")
    sun = sun_position(middle, site.latitude_deg, site.longitude_deg, site.altitude_m)
    day_of_year = np.asarray(middle.day_of_year, dtype=np.float64)
    sky = clear_sky(sun, day_of_year, site.latitude_deg, site.longitude_deg, site.altitude_m)
    return sun.elevation_deg, sky.global_horizontal_w_m2
