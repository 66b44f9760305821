"""Light that passes the glass of a module: angle of incidence, and what part of a reading in the plane is beam."""

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pvlib import iam, irradiance

from diagnostics.chain.sun import SunPosition

Floats = NDArray[np.float64]


@lru_cache(maxsize=64)
def _reflection_table(tilt_deg: float) -> tuple[Floats, float]:
    angles = np.linspace(0.0, 90.0, 181)
    beam = np.asarray(iam.physical(angles), dtype=np.float64)
    return beam, float(iam.marion_diffuse("physical", round(tilt_deg))["sky"])


def reflection_factor(cosine: ArrayLike, beam_share: ArrayLike, typical_tilt_deg: float) -> Floats:
    """
    Share of plane irradiance that passes the glass: physical model for beam, Marion's integral for diffuse.

    Parameters
    ----------
    cosine : array_like, shape (n,)
        Of the angle of incidence. [1]
    beam_share : array_like, shape (n,)
        Of the plane irradiance. [1]
    typical_tilt_deg : float
        For the diffuse part. [deg]

    Returns
    -------
    factor : ndarray, shape (n,)
        [1]

    References
    ----------
    De Soto et al. (2006); Marion (2017), Solar Energy 147; both through pvlib.
    """
    beam_table, diffuse = _reflection_table(float(typical_tilt_deg))
    angle = np.degrees(np.arccos(np.clip(np.asarray(cosine, dtype=np.float64), 0.0, 1.0)))
    beam = np.interp(angle, np.linspace(0.0, 90.0, 181), beam_table)
    share = np.asarray(beam_share, dtype=np.float64)
    return np.asarray(share * beam + (1.0 - share) * diffuse, dtype=np.float64)


def beam_share_of_plane(plane_w_m2: Floats, cosine: Floats, sun: SunPosition, tilt_deg: Floats, day_of_year: Floats,
                        albedo: float) -> Floats:
    """
    Beam share of what a sensor in the plane reads, where nothing else is measured.

    The level sky is sought, by bisection of its clearness, whose beam, even sky (Liu and Jordan 1963) and ground add up
    to the reading in the plane; Erbs' relation says what part of it is diffuse. To take the plane for the level and ask
    Erbs of it directly reads slanting light under a clear sky as diffuse.

    Parameters
    ----------
    plane_w_m2, cosine : ndarray, shape (n,)
        Reading, and cosine of its angle of incidence. [W/m2, 1]
    sun : SunPosition
    tilt_deg, day_of_year : ndarray, shape (n,)
        [deg, d]
    albedo : float
        [1]

    Returns
    -------
    share : ndarray, shape (n,)
        Zero with the sun behind the plane or hardly any light. [1]

    References
    ----------
    Erbs, Klein and Duffie (1982), Solar Energy 28(4).
    """
    cos_zenith = np.maximum(np.cos(np.radians(sun.zenith_deg)), 0.02)
    outside = np.asarray(irradiance.get_extra_radiation(day_of_year), dtype=np.float64) * cos_zenith
    beam = np.clip(cosine / cos_zenith, 0.0, 20.0)
    upward = np.cos(np.radians(tilt_deg))
    sky, ground = 0.5 * (1.0 + upward), 0.5 * albedo * (1.0 - upward)
    wanted = np.maximum(np.nan_to_num(plane_w_m2), 0.0) / outside
    clearness, step = np.full(wanted.shape, 0.5), 0.25
    diffuse = _erbs_diffuse(clearness)
    for _ in range(11):
        less = clearness * ((1.0 - diffuse) * beam + diffuse * sky + ground) < wanted
        clearness += np.where(less, step, -step)
        step *= 0.5
        diffuse = _erbs_diffuse(clearness)
    share = (1.0 - diffuse) * beam / np.maximum((1.0 - diffuse) * beam + diffuse * sky + ground, 1e-9)
    return np.where((plane_w_m2 > 5.0) & (cosine > 0.02), np.clip(share, 0.0, 1.0), 0.0)


def _erbs_diffuse(clearness: Floats) -> Floats:
    """Diffuse over global after Erbs: the three branches of his relation."""
    k = clearness
    middle = 0.9511 + k * (-0.1604 + k * (4.388 + k * (-16.638 + k * 12.336)))
    return np.where(k <= 0.22, 1.0 - 0.09 * k, np.where(k <= 0.8, middle, 0.165))
