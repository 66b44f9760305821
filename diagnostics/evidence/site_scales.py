"""Sizes of one site against which its readings are small or large, and the pressure its gauge should show."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnostics.evidence.source_power import on_bus, rated_on_bus
from diagnostics.site import SURFACE, Site

Vector = NDArray[np.float64]


@dataclass(frozen=True)
class Scales:
    """Sizes against which the site's readings are small or large."""

    rated_flow_m3_s: float
    rated_power_w: float
    threshold_power_w: float
    head_m: float
    rated_voltage_v: float
    friction_m: float = 0.0


def site_scales(site: Site, model: Any) -> Scales:
    """Return rated flow and power, start power, total head and array voltage of the healthy site."""
    rated_flow, rated_power = float(model.rated_flow_m3_s), float(model.rated_array_power_w)
    if on_bus(site):
        rated_flow, rated_power = rated_on_bus(site, model)
    at_rated = np.array([rated_flow])
    level = float(np.asarray(model.pumping_level_at_flow(at_rated), dtype=np.float64).ravel()[0])
    losses = model.side.losses
    friction = sum(float(np.asarray(part.at(at_rated)).ravel()[0])
                   for part in (losses.suction, losses.riser, losses.delivery))
    head = abs(level + site.pipework.outlet_height_m) + friction + site.pipework.outlet_pressure_pa / (998.2 * 9.80665)
    head = max(head, 0.5)
    voltage = np.nan
    if site.array is not None:
        voltage = site.array.module.vmp_v * site.array.modules_in_series
    threshold = float(np.asarray(model.threshold_power_w(), dtype=np.float64).ravel()[0])
    return Scales(rated_flow, rated_power, threshold, head, voltage, friction)


def gauge_pressure(site: Site, model: Any, flow_m3_s: Vector) -> Vector:
    """
    Return the healthy gauge pressure at a flow: at the wellhead of a well, at the pump of a surface pump.

    Parameters
    ----------
    site : Site
        Description.
    model : SiteModel
        Any health.
    flow_m3_s : ndarray, shape (n,)
        True flow. [m3/s]

    Returns
    -------
    pressure_pa : ndarray, shape (n,)
        A surface pump has no riser: its gauge sees all pipes. [Pa]
    """
    pressure = np.asarray(model.outlet_pressure_at_flow(flow_m3_s), dtype=np.float64)
    if site.pump.family in SURFACE:
        pressure = pressure + np.asarray(model.side.losses.riser.at(flow_m3_s), dtype=np.float64) * 998.2 * 9.80665
    return pressure
