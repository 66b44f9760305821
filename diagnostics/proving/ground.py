"""Water path of proving plants: pipe friction by Haaland with aged roughness, tank shapes, well reservoirs."""

import numpy as np
from numpy.typing import NDArray

from diagnostics.site import PipeRun, Tank

Floats = NDArray[np.float64]
GRAVITY_M_S2 = 9.80665


def kinematic_viscosity_m2_s(water_c: float) -> float:
    """
    Kinematic viscosity of water (Vogel form).

    Parameters
    ----------
    water_c : float
        [degC]

    Returns
    -------
    viscosity_m2_s : float
        [m²/s]
    """
    return float(2.414e-5 * 10 ** (247.8 / (water_c + 273.15 - 140.0)) / 998.0)


def friction_head_m(flow_m3_s: Floats, run: PipeRun, *, water_c: float, roughness_m: float,
                    bore_ratio: float = 1.0) -> Floats:
    """
    Head lost in one run of pipe: Darcy-Weisbach, Haaland above Re 2300, fittings on the same bore.

    Parameters
    ----------
    flow_m3_s : ndarray
        [m³/s]
    run : PipeRun
    water_c : float
        [degC]
    roughness_m : float
        True roughness, aged. [m]
    bore_ratio : float, default 1.0
        True bore over described bore. [1]

    Returns
    -------
    head_m : ndarray
        [m]
    """
    bore = run.bore_m * bore_ratio
    speed = flow_m3_s / (np.pi / 4 * bore ** 2)
    reynolds = np.maximum(speed * bore / kinematic_viscosity_m2_s(water_c), 1.0)
    turbulent = (-1.8 * np.log10((roughness_m / bore / 3.7) ** 1.11 + 6.9 / np.maximum(reynolds, 2300.0))) ** -2
    blend = np.clip((reynolds - 2300.0) / 1700.0, 0.0, 1.0)
    factor = (1 - blend) * 64.0 / reynolds + blend * turbulent
    return np.asarray((factor * run.length_m / bore + run.minor_loss_k) * speed ** 2 / (2 * GRAVITY_M_S2))


def tank_table(tank: Tank, points: int = 60) -> tuple[Floats, Floats]:
    """
    Level against volume of a tank, evenly spaced in volume.

    Parameters
    ----------
    tank : Tank
    points : int, default 60

    Returns
    -------
    volume_m3, level_m : ndarray, shape (points,)
        [m³], [m]
    """
    level = np.linspace(0.0, tank.height_m, 2000)
    if tank.shape == "table":
        volume = np.interp(level, tank.level_table_m, tank.volume_table_m3)
    elif tank.shape == "box":
        volume = level * (tank.length_m or 0.0) * (tank.width_m or 0.0)
    elif tank.shape == "vertical_cylinder":
        volume = level * np.pi / 4 * (tank.diameter_m or 0.0) ** 2
    elif tank.shape == "cone":
        low, high = tank.diameter_m or 0.0, tank.top_diameter_m or 0.0
        radius = 0.5 * (low + (high - low) * level / tank.height_m)
        area = np.pi * radius ** 2
        volume = np.concatenate([[0.0], np.cumsum(0.5 * (area[1:] + area[:-1]) * np.diff(level))])
    else:
        chord = np.sqrt(np.maximum(level * ((tank.diameter_m or 0.0) - level), 0.0)) * 2
        area = chord * (tank.length_m or 0.0)
        volume = np.concatenate([[0.0], np.cumsum(0.5 * (area[1:] + area[:-1]) * np.diff(level))])
    even = np.linspace(0.0, volume[-1], points)
    return even, np.interp(even, volume, level)


def draw_pattern(kind: str) -> Floats:
    """
    Share of a day's water drawn in each hour of the local day.

    Parameters
    ----------
    kind : str
        'people', 'stock' or 'irrigation'.

    Returns
    -------
    shares : ndarray, shape (24,)
        Adding up to 1. [1]
    """
    hour = np.arange(24) + 0.5
    if kind == "irrigation":
        shape = np.where((hour > 5) & (hour < 10), 1.0, 0.02) + np.where((hour > 17) & (hour < 20), 0.5, 0.0)
    elif kind == "stock":
        shape = 0.05 + np.exp(-0.5 * ((hour - 9) / 2) ** 2) + 1.4 * np.exp(-0.5 * ((hour - 16.5) / 2.2) ** 2)
    else:
        shape = 0.06 + np.exp(-0.5 * ((hour - 7) / 1.3) ** 2) + 0.7 * np.exp(-0.5 * ((hour - 17.5) / 1.6) ** 2)
    return np.asarray(shape / shape.sum())
