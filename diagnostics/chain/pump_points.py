"""What any pump end says of a duty, and how its printed points are joined."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class ShaftDemand:
    """What the pump end asks of the motor: speed [rpm] and torque [N m], or straight power into the drive [W]."""

    speed_rpm: Floats
    torque_n_m: Floats | None = None
    input_power_w: Floats | None = None


def straight_on(x: Floats, points_x: Floats, points_y: Floats) -> Floats:
    """
    Read between points; beyond the last one go straight on, never falling.

    Parameters
    ----------
    x : ndarray
        Where to read; below the first point its value is held. [any]
    points_x, points_y : ndarray, shape (k,)
        Rising in x. [any]

    Returns
    -------
    y : ndarray
        [any]
    """
    slope = max((points_y[-1] - points_y[-2]) / (points_x[-1] - points_x[-2]), 0.0)
    return np.asarray(np.interp(x, points_x, points_y) + slope * np.maximum(x - points_x[-1], 0.0), dtype=np.float64)


def extended(points_x: Floats, points_y: Floats, grid: Floats, *, falling_to_zero: bool) -> Floats:
    """
    Read a monotone curve through its points; straight on beyond them with the slope of the last step.

    Parameters
    ----------
    points_x, points_y : ndarray, shape (k,)
        Rising in x. [any]
    grid : ndarray
        Where to read. [any]
    falling_to_zero : bool
        True for a head curve: it falls beyond its last point and flattens towards shut-off. [1]

    Returns
    -------
    values : ndarray
        [any]
    """
    inside = np.clip(grid, points_x[0], points_x[-1])
    values = PchipInterpolator(points_x, points_y)(inside)
    end_slope = (points_y[-1] - points_y[-2]) / (points_x[-1] - points_x[-2])
    start_slope = (points_y[1] - points_y[0]) / (points_x[1] - points_x[0])
    if falling_to_zero:
        end_slope = min(end_slope, -1e-6 * points_y[0] / points_x[-1])
        start_slope = min(start_slope, 0.0) * 0.5       # curves flatten towards shut-off
    values = values + end_slope * np.maximum(grid - points_x[-1], 0.0)
    return np.asarray(values - start_slope * np.maximum(points_x[0] - grid, 0.0), dtype=np.float64)
