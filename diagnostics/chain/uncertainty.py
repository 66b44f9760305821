"""How far the expected flow can be off: inputs moved one by one through the same tables."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnostics.chain.pump_end import CentrifugalEnd, DisplacementEnd
from diagnostics.site import Site

if TYPE_CHECKING:
    from diagnostics.chain.daylight import Daylight
    from diagnostics.chain.site_model import SiteModel
    from diagnostics.chain.supply import Operation

Floats = NDArray[np.float64]

COVERAGE_FACTOR = 1.96
# Tolerances of flow and head in percent of the guaranteed value, ISO 9906:2012 grades (1B and 2B as class 1 and 2 of
# the 1999 edition; the others from memory). Taken as limits of 95 %.
ACCEPTANCE_TOLERANCE_PCT = {"1B": (5.0, 3.0), "1E": (5.0, 3.0), "1U": (10.0, 6.0), "2B": (8.0, 5.0),
                            "2U": (16.0, 10.0), "3B": (9.0, 7.0)}
# Motor, drive and pump efficiency are printed rounded and for one unit: 3 % of power, one standard uncertainty.
EFFICIENCY_UNCERTAINTY = 0.03
LEVEL_UNCERTAINTY_WELL_M, LEVEL_UNCERTAINTY_OPEN_M = 1.0, 0.1
# A displacement pump's losses are told by the motor plate alone, which is chosen with a margin.
PLATE_EFFICIENCY_UNCERTAINTY = 0.08
# An ejector's coefficients and its cavitation limit (0.8 to 1.67 velocity heads in the literature) are known roughly.
EJECTOR_FLOW_UNCERTAINTY = 0.10
# What a charger and a battery give back of what they take is known to about a twentieth.
STORE_UNCERTAINTY = 0.05
# Where the curve prints no power the shaft power is a guess.
GUESSED_POWER_UNCERTAINTY = 0.12


@dataclass(frozen=True)
class FlowInterval:
    """Limits of the expected flow, 95 %. [m3/s]"""

    low_m3_s: Floats
    high_m3_s: Floats


def level_uncertainty_m(site: Site) -> float:
    """
    Standard uncertainty of the static level on the sheet.

    Parameters
    ----------
    site : Site

    Returns
    -------
    uncertainty_m : float
        [m]
    """
    stated = site.well.level_uncertainty_m
    if stated is not None:
        return stated
    return LEVEL_UNCERTAINTY_OPEN_M if site.well.kind == "open" else LEVEL_UNCERTAINTY_WELL_M


def nameplate_uncertainty(site: Site) -> float:
    """
    Standard uncertainty of array power from the module's tolerance, taken as a rectangle (JCGM 100:2008, 4.3.7).

    Parameters
    ----------
    site : Site

    Returns
    -------
    uncertainty : float
        Relative. [1]
    """
    if site.array is None:
        return 0.0
    module = site.array.module
    half = (module.power_tolerance_high_pct - module.power_tolerance_low_pct) / 200.0
    return float(np.hypot(half / np.sqrt(3.0), 0.01))


def efficiency_uncertainty(model: "SiteModel") -> float:
    """
    Standard uncertainty of the power that motor, drive and pump need, by what is printed of it.

    Parameters
    ----------
    model : SiteModel

    Returns
    -------
    uncertainty : float
        Relative. [1]
    """
    end = model.side.end
    if isinstance(end, DisplacementEnd) and not end.power_is_printed:
        return PLATE_EFFICIENCY_UNCERTAINTY
    guessed = any("no power" in note for note in model.notes)
    return GUESSED_POWER_UNCERTAINTY if guessed else EFFICIENCY_UNCERTAINTY


def _held_uncertainty(model: "SiteModel", light: "Daylight") -> Floats | None:
    """
    Relative uncertainty of power at a held voltage, from that voltage and the cell's warmth; None for other drives.

    Beyond the knee of the curve both weigh far more than at the maximum power point, so they are read off the table.
    """
    if model.array is None or "power_held_w" not in model.array.grid.columns:
        return None
    effective, cell = light.effective_w_m2 * model.health.irradiance_ratio, light.cell
    middle, above, below = model.array.read(effective, cell.temperature_c, "power_held_w", "power_held_above_w",
                                            "power_held_below_w")
    warmer, = model.array.read(effective, cell.temperature_c + cell.uncertainty_k, "power_held_w")
    cooler, = model.array.read(effective, cell.temperature_c - cell.uncertainty_k, "power_held_w")
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(middle > 0, 0.5 * np.hypot(above - below, warmer - cooler) / middle, 0.0)
    return np.clip(share, 0.0, 0.5)


def flow_interval(model: "SiteModel", light: "Daylight", operation: "Operation", flow_m3_s: Floats, level_m: Floats,
                  running: NDArray[np.bool_]) -> FlowInterval:
    """
    Limits of 95 % around the expected flow.

    Power-like inputs (irradiance, nameplate, temperature, efficiencies) move the power; head-like inputs (static level,
    head tolerance of the pump) move the level; flow tolerance and meter scale the flow. Each group is moved by
    1.96 standard uncertainties up and down through the tables; the moves are added in quadrature per side.

    Parameters
    ----------
    model : SiteModel
    light : Daylight
    operation : Operation
    flow_m3_s, level_m : ndarray, shape (n,)
        As expected. [m3/s, m]
    running : ndarray of bool, shape (n,)
        [1]

    Returns
    -------
    interval : FlowInterval
    """
    site, table = model.site, model.aquifer
    coefficient = abs(site.array.module.temperature_coefficient_power_per_k) if site.array is not None else 0.0
    warmth = coefficient * light.cell.uncertainty_k
    held = _held_uncertainty(model, light)
    relative = np.sqrt(light.irradiance_uncertainty**2 + nameplate_uncertainty(site) ** 2
                       + efficiency_uncertainty(model) ** 2 + (warmth**2 if held is None else held**2)
                       + (STORE_UNCERTAINTY**2 if model.on_battery else 0.0))
    flow_pct, head_pct = ACCEPTANCE_TOLERANCE_PCT[site.pump.acceptance_grade]
    place = table.locate(operation.pumping_power_w, level_m)
    developed = place.read("head_m")
    head_share = head_pct / 200.0 if isinstance(model.side.end, CentrifugalEnd) else 0.0
    level_step = COVERAGE_FACTOR * np.sqrt(level_uncertainty_m(site) ** 2 + (head_share * developed) ** 2)
    ejector = EJECTOR_FLOW_UNCERTAINTY if model.side.jet is not None else 0.0
    flow_step = COVERAGE_FACTOR * float(np.linalg.norm([flow_pct / 200.0, site.flow_meter.uncertainty_pct / 100.0,
                                                        ejector]))

    offered = np.where(operation.is_capped, operation.power_available_w, operation.pumping_power_w)

    def at(power: Floats, level: Floats) -> Floats:
        return model.read_flow(power, level, steady=False)

    step = COVERAGE_FACTOR * relative
    power_up, power_down = at(offered * (1.0 + step), level_m), at(offered * np.maximum(1.0 - step, 0.0), level_m)
    level_up = at(operation.pumping_power_w, level_m - level_step)
    level_down = at(operation.pumping_power_w, level_m + level_step)
    scaled = flow_step * flow_m3_s
    high = flow_m3_s + np.sqrt(np.maximum(power_up - flow_m3_s, 0.0) ** 2 + np.maximum(level_up - flow_m3_s, 0.0) ** 2
                               + scaled**2)
    low = flow_m3_s - np.sqrt(np.maximum(flow_m3_s - power_down, 0.0) ** 2
                              + np.maximum(flow_m3_s - level_down, 0.0) ** 2 + scaled**2)
    del running
    return FlowInterval(np.maximum(low, 0.0), high)
