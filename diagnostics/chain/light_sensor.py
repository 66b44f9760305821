"""What a sensor of light is worth to modules: how sure it is, and what its reading shares with what they see."""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pvlib import atmosphere, irradiance, spectrum

from diagnostics.chain.reflection import reflection_factor
from diagnostics.chain.sun import SunPosition
from diagnostics.site import Array, Site

Floats = NDArray[np.float64]

# Standard uncertainty of plane irradiance by source, of the reading. Plane: field pyranometer or cell, calibration
# and levelling. Horizontal: the sensor, the split and the transposition. Neighbour and imported: site-to-site
# difference of 10-minute to hourly values. From memory of radiometry practice; the sheet's own figure replaces the
# sensor's part where it is given.
SOURCE_UNCERTAINTY = {"none": np.nan, "plane_sensor": 0.025, "horizontal_sensor": 0.03, "neighbour": 0.12,
                      "imported": 0.15}
TRANSPOSITION_UNCERTAINTY = 0.03
# By kind of sensor, where the sheet names it and gives no figure: a thermopile of class B or C in the field, a cell
# behind glass against modules of its own kind, a diode under a spectrum that is not the one it was calibrated in
# (makers print 5 % for 95 %, from memory).
KIND_UNCERTAINTY = {"thermopile": 0.025, "silicon_cell": 0.02, "photodiode": 0.03}
# What a module of each kind sees of the day's spectrum against a thermopile: Pelland et al. (2020), through pvlib.
_SPECTRAL_TYPE = {"mono": "monosi", "poly": "multisi", "cdte": "fs4-2", "cis": "cigs", "amorphous": "asi"}


def _sensor_share(site: Site, channel: str, default: float) -> float:
    sensor = site.sensors.get(channel)
    if sensor is None:
        return default
    if sensor.uncertainty_pct is not None:
        return sensor.uncertainty_pct / 100.0
    return KIND_UNCERTAINTY.get(sensor.kind, default)


def sensor_kind(site: Site, channel: str) -> str:
    """
    Kind of the sensor behind a channel of light, as the sheet names it.

    Parameters
    ----------
    site : Site
    channel : str
        Of `quantities.CHANNELS`. [1]

    Returns
    -------
    kind : str
        Empty where not known.
    """
    sensor = site.sensors.get(channel)
    return "" if sensor is None else sensor.kind


def spectral_factor(technology: str, absolute_airmass: ArrayLike, clear_sky_index: ArrayLike) -> Floats:
    """
    What modules make of the day's spectrum, over what they make of the standard's, against a thermopile's reading.

    Parameters
    ----------
    technology : str
        Of `Module.technology`.
    absolute_airmass, clear_sky_index : array_like, shape (n,)
        [1]

    Returns
    -------
    factor : ndarray, shape (n,)
        1 where the sky is not known. [1]

    References
    ----------
    Pelland, Beswick, Thevenard, Cote, Pai and Poissant (2020), 47th IEEE PVSC; through pvlib.
    """
    airmass = np.clip(np.asarray(absolute_airmass, dtype=np.float64), 0.5, 10.0)
    clear = np.clip(np.asarray(clear_sky_index, dtype=np.float64), 0.2, 1.1)
    factor = spectrum.spectral_factor_pvspec(airmass, clear, module_type=_SPECTRAL_TYPE[technology])
    return np.nan_to_num(np.asarray(factor, dtype=np.float64), nan=1.0)


def light_that_counts(site: Site, array: Array, source: NDArray[np.int8], reflection: Floats, airmass: Floats,
                      clear_sky_index: Floats) -> Floats:
    """
    Share of the light in the plane that counts for the modules, by the sensor that told it.

    A cell behind glass has lost already what the modules lose, a thermopile sees all of the spectrum and of the sky;
    a photodiode and a sensor of unknown kind are taken to see the modules' spectrum and all of the sky.

    Parameters
    ----------
    site : Site
    array : Array
    source : ndarray of int, shape (n,)
        0 none, 1 in the plane, 2 level, 3 neighbour's, 4 imported. [1]
    reflection : ndarray, shape (n,)
        Share that passes the glass. [1]
    airmass, clear_sky_index : ndarray, shape (n,)
        Relative air mass; plane irradiance over that of a clear sky. [1]

    Returns
    -------
    share : ndarray, shape (n,)
        [1]
    """
    plane, level = (sensor_kind(site, name) for name in ("poa_irradiance_w_m2", "global_horizontal_irradiance_w_m2"))
    kinds = ("", plane, level, "", "")
    cell = (source == 1) & (kinds[1] == "silicon_cell")
    share = np.where(cell, 1.0, reflection)
    thermopile = np.array([kind == "thermopile" for kind in kinds])[source]
    if thermopile.any():
        absolute = airmass[thermopile] * float(atmosphere.alt2pres(site.altitude_m)) / 101325.0
        share[thermopile] *= spectral_factor(array.module.technology, absolute, clear_sky_index[thermopile])
    return share


def light_on_level_glass(level: Floats, sun: SunPosition, day_of_year: Floats) -> Floats:
    """
    Light on level glass, from the reading of a level reference cell behind it.

    Parameters
    ----------
    level : ndarray, shape (n,)
        As read. [W/m2]
    sun : SunPosition
    day_of_year : ndarray, shape (n,)
        [d]

    Returns
    -------
    irradiance_w_m2 : ndarray, shape (n,)
        With what the glass threw back. [W/m2]
    """
    cos_zenith = np.maximum(np.cos(np.radians(sun.zenith_deg)), 0.02)
    diffuse = np.asarray(irradiance.erbs(level, sun.zenith_deg, day_of_year)["dhi"], dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        beam = np.where(level > 0.0, np.clip(1.0 - diffuse / level, 0.0, 1.0), 0.0)
    return level / reflection_factor(cos_zenith, beam, 0.0)


def light_uncertainty(site: Site, source: NDArray[np.int8], clear_index: Floats, cosine: Floats) -> Floats:
    """
    Standard uncertainty of the light in the plane.

    Parameters
    ----------
    site : Site
    source : ndarray of int, shape (n,)
        As for `light_that_counts`. [1]
    clear_index, cosine : ndarray, shape (n,)
        Clear-sky index in the plane; cosine of the angle of incidence. [1]

    Returns
    -------
    uncertainty : ndarray, shape (n,)
        Relative. [1]
    """
    plane = _sensor_share(site, "poa_irradiance_w_m2", SOURCE_UNCERTAINTY["plane_sensor"])
    level = _sensor_share(site, "global_horizontal_irradiance_w_m2", SOURCE_UNCERTAINTY["horizontal_sensor"])
    turned = float(np.hypot(level, TRANSPOSITION_UNCERTAINTY))
    away = _sensor_share(site, "neighbour_global_horizontal_irradiance_w_m2", SOURCE_UNCERTAINTY["neighbour"])
    imported = _sensor_share(site, "imported_global_horizontal_irradiance_w_m2", SOURCE_UNCERTAINTY["imported"])
    by_source = np.array([np.nan, plane, turned, float(np.hypot(turned, away)), imported])
    base = by_source[source]
    # A low sun on the plane and a broken sky make every source less sure; a clear sky helps the distant ones.
    slant = 1.0 + 0.6 * np.clip(0.35 - cosine, 0.0, 0.35) / 0.35
    distant = source >= 3
    clear = np.where(distant & (clear_index > 0.92) & (clear_index < 1.08), 0.5, 1.0)
    return np.asarray(base * slant * clear, dtype=np.float64)
