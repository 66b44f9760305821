"""Which sites share a sky, and which share groundwater."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from diagnostics.site import SURFACE, Site

Flags = NDArray[np.bool_]
EARTH_RADIUS_KM = 6371.0
# Daily irradiation of two places 25 km apart differs by a few per cent on most days; on clear days by less than 2 %.
SAME_SKY_KM = 40.0
# Without a named aquifer only wells that are near and reach about as deep are taken to share water.
SAME_WATER_KM = 5.0
SAME_WATER_DEPTH = 0.5


def distances_km(sites: Sequence[Site]) -> NDArray[np.float64]:
    """
    Return great-circle distances between all pairs of sites.

    Parameters
    ----------
    sites : sequence of Site

    Returns
    -------
    distances : ndarray, shape (sites, sites)
        On a sphere of 6371 km. [km]
    """
    latitude = np.radians([site.latitude_deg for site in sites])
    longitude = np.radians([site.longitude_deg for site in sites])
    half = (np.sin((latitude[:, None] - latitude[None, :]) / 2.0) ** 2 + np.cos(latitude)[:, None]
            * np.cos(latitude)[None, :] * np.sin((longitude[:, None] - longitude[None, :]) / 2.0) ** 2)
    return np.asarray(2.0 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.clip(half, 0.0, 1.0))))


def sharing_sky(sites: Sequence[Site], near_km: float = SAME_SKY_KM) -> Flags:
    """
    Tell which pairs of sites lie under one sky.

    Parameters
    ----------
    sites : sequence of Site
    near_km : float, default 40
        [km]

    Returns
    -------
    shared : ndarray of bool, shape (sites, sites)
        A site does not share with itself.
    """
    shared = distances_km(sites) <= near_km
    np.fill_diagonal(shared, val=False)
    return np.asarray(shared)


def sharing_water(sites: Sequence[Site], near_km: float = SAME_WATER_KM) -> Flags:
    """
    Tell which pairs of sites draw on the same groundwater: the same aquifer named, or wells near and alike in depth.

    Parameters
    ----------
    sites : sequence of Site
    near_km : float, default 5
        For sites whose sheet names no aquifer. [km]

    Returns
    -------
    shared : ndarray of bool, shape (sites, sites)
        Ponds and streams share with none.
    """
    below = np.array([_has_well(site) for site in sites], dtype=bool)
    named = np.array([site.aquifer for site in sites], dtype=object)
    same = (named[:, None] == named[None, :]) & (named != "")[:, None]
    unnamed = (named == "")[:, None] | (named == "")[None, :]
    depth = np.array([max(site.well.static_water_level_m, 0.1) for site in sites])
    alike = np.abs(np.log(depth[:, None] / depth[None, :])) < SAME_WATER_DEPTH
    shared = (same | (unnamed & (distances_km(sites) <= near_km) & alike)) & below[:, None] & below[None, :]
    np.fill_diagonal(shared, val=False)
    return np.asarray(shared)


def _has_well(site: Site) -> bool:
    return site.well.kind != "open" and "well" not in site.parts_absent and not (
        site.pump.family in SURFACE and not site.pump.family.startswith("jet"))


def groups_of(shared: Flags) -> list[list[int]]:
    """
    Return the groups of sites that are joined by sharing, directly or through others.

    Parameters
    ----------
    shared : ndarray of bool, shape (sites, sites)

    Returns
    -------
    groups : list of list of int
        Positions; groups of one are left out.
    """
    from scipy.sparse.csgraph import connected_components

    count, label = connected_components(shared, directed=False)
    found = [np.flatnonzero(label == number).tolist() for number in range(count)]
    return [group for group in found if len(group) > 1]
