"""Absolute level loggers: the water above the sensor once the air on it is taken off."""

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from pvlib.atmosphere import alt2pres

from diagnostics.chain.water import STANDARD_GRAVITY_M_S2
from diagnostics.readings import Mask, SiteReadings

# Weather moves the air's pressure by some 3 kPa about its mean, the deepest lows and highest highs by 6. A barometer
# further off stands at another height, or its readings were brought to sea level as weather services do.
FURTHEST_FROM_STANDARD_PA = 6000.0


def water_above_sensor_m(submerged_pressure_pa: ArrayLike, air_pressure_pa: ArrayLike, *,
                         density_kg_m3: float = 998.2) -> NDArray[np.float64]:
    """
    Height of the water above an unvented sensor, h = (p - p_air) / (rho g).

    Parameters
    ----------
    submerged_pressure_pa : array_like, shape (n,)
        Absolute pressure at the sensor. [Pa]
    air_pressure_pa : array_like, shape (n,)
        Absolute pressure of the air over the water, of the same interval; NaN where not known. [Pa]
    density_kg_m3 : float, default 998.2
        Of the water; the default is clean water at 20 °C. [kg/m³]

    Returns
    -------
    height_m : ndarray of float64, shape (n,)
        Negative where the sensor hangs in the air and the two sensors differ. [m]
    """
    over = np.asarray(submerged_pressure_pa, dtype=np.float64) - np.asarray(air_pressure_pa, dtype=np.float64)
    return np.asarray(over / (density_kg_m3 * STANDARD_GRAVITY_M_S2), dtype=np.float64)


def is_of_another_height(air_pressure_pa: ArrayLike, altitude_m: float) -> bool:
    """
    Tell whether a barometer's readings cannot be those of the air at a site.

    Parameters
    ----------
    air_pressure_pa : array_like, shape (n,)
        NaN is skipped. [Pa]
    altitude_m : float
        Of the site, above the sea. [m]

    Returns
    -------
    is_off : bool
        Median further from the standard atmosphere (ISO 2533) at this altitude than weather goes.
    """
    known = np.asarray(air_pressure_pa, dtype=np.float64)
    known = known[np.isfinite(known)]
    return bool(len(known)) and abs(float(np.median(known)) - float(alt2pres(altitude_m))) > FURTHEST_FROM_STANDARD_PA


def with_level_from_pressure(readings: SiteReadings, level_logger_depth_m: float, *, altitude_m: float,
                             density_kg_m3: float = 998.2) -> SiteReadings:
    """
    Add water_level_m where it was logged as absolute pressure and the air's pressure is known; else change nothing.

    Parameters
    ----------
    readings : SiteReadings
        With submerged_pressure_pa and air_pressure_pa on one grid.
    level_logger_depth_m : float
        Depth of the sensor below ground. [m]
    altitude_m : float
        Of the site, above the sea. [m]
    density_kg_m3 : float, default 998.2
        Of the water. [kg/m³]

    Returns
    -------
    readings : SiteReadings
        The level carries the masks of both pressures, and SENSOR_DOUBT throughout where the barometer's readings
        cannot be those of this altitude. A level that was logged itself stands.
    """
    if not (readings.has("submerged_pressure_pa") and readings.has("air_pressure_pa")) or readings.has("water_level_m"):
        return readings
    values, masks = readings.values.copy(), readings.masks.copy()
    depth_m = level_logger_depth_m - water_above_sensor_m(values["submerged_pressure_pa"], values["air_pressure_pa"],
                                                          density_kg_m3=density_kg_m3)
    bits = (masks["submerged_pressure_pa"].to_numpy() | masks["air_pressure_pa"].to_numpy()).astype(np.uint16)
    if is_of_another_height(readings.sound("air_pressure_pa"), altitude_m):
        bits = bits | np.uint16(int(Mask.SENSOR_DOUBT))
    values["water_level_m"] = pd.Series(depth_m, index=values.index)
    masks["water_level_m"] = pd.Series(bits, index=values.index)
    return SiteReadings(readings.site_id, values, masks, readings.interval_s)
