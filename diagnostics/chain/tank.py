"""Volume in a tank against its level, for every shape, and back."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from diagnostics.site import Tank

Floats = NDArray[np.float64]
_TABLE_KNOTS = 2001


def _cylinder_m3(tank: Tank, level: Floats) -> Floats:
    return np.asarray(np.pi / 4.0 * (tank.diameter_m or 0.0) ** 2 * level)


def _box_m3(tank: Tank, level: Floats) -> Floats:
    return np.asarray((tank.length_m or 0.0) * (tank.width_m or 0.0) * level)


def _lying_cylinder_m3(tank: Tank, level: Floats) -> Floats:
    radius = (tank.diameter_m or 0.0) / 2.0
    depth = np.clip(level, 0.0, 2.0 * radius)
    segment = (radius**2 * np.arccos(np.clip((radius - depth) / radius, -1.0, 1.0))
               - (radius - depth) * np.sqrt(np.maximum(2.0 * radius * depth - depth**2, 0.0)))
    return np.asarray(segment * (tank.length_m or 0.0))


def _cone_m3(tank: Tank, level: Floats) -> Floats:
    bottom, top = tank.diameter_m or 0.0, tank.top_diameter_m or 0.0
    at_level = bottom + (top - bottom) * level / tank.height_m
    return np.asarray(np.pi / 12.0 * level * (bottom**2 + bottom * at_level + at_level**2))


def _table_m3(tank: Tank, level: Floats) -> Floats:
    return np.interp(level, tank.level_table_m, tank.volume_table_m3)


_SHAPES = {"vertical_cylinder": _cylinder_m3, "box": _box_m3, "horizontal_cylinder": _lying_cylinder_m3,
           "cone": _cone_m3, "table": _table_m3}


def volume_at_level(tank: Tank, level_m: ArrayLike) -> Floats:
    """
    Water in the tank.

    Parameters
    ----------
    tank : Tank
        As described; flat ends on a lying cylinder.
    level_m : array_like, shape (n,)
        Above the floor; held to the tank's own range. NaN stays NaN. [m]

    Returns
    -------
    volume_m3 : ndarray, shape (n,)
        [m3]
    """
    level = np.clip(np.asarray(level_m, dtype=np.float64), 0.0, tank.height_m)
    return np.asarray(_SHAPES[tank.shape](tank, level), dtype=np.float64)


def mean_area_m2(tank: Tank) -> float:
    """Return the volume of the full tank over its level. [m2]"""
    return float(volume_at_level(tank, tank.full_level_m)) / tank.full_level_m


def level_at_volume(tank: Tank, volume_m3: ArrayLike) -> Floats:
    """
    Level that holds a volume, the inverse of `volume_at_level`.

    Parameters
    ----------
    tank : Tank
    volume_m3 : array_like, shape (n,)
        Held to the tank's own range. NaN stays NaN. [m3]

    Returns
    -------
    level_m : ndarray, shape (n,)
        [m]
    """
    volume = np.asarray(volume_m3, dtype=np.float64)
    if tank.shape in ("vertical_cylinder", "box"):
        return np.asarray(np.clip(volume / volume_at_level(tank, 1.0) if tank.height_m >= 1.0 else
                                  volume * tank.height_m / volume_at_level(tank, tank.height_m),
                                  0.0, tank.height_m), dtype=np.float64)
    # Knots crowd towards both ends, where the level of a lying cylinder moves fastest with volume.
    knots = tank.height_m * 0.5 * (1.0 - np.cos(np.linspace(0.0, np.pi, _TABLE_KNOTS)))
    held = volume_at_level(tank, knots)
    inside = np.where(np.isnan(volume), np.nan, np.clip(volume, held[0], held[-1]))
    return np.where(np.isnan(inside), np.nan, np.interp(np.nan_to_num(inside), held, knots))
