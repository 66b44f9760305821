"""How far the expected flow can be off: inputs moved one by one through the same tables."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnostics.chain.learned import EFFECT_COLUMNS, SHEET, Learned
from diagnostics.chain.power_source import USABLE_CAPACITY
from diagnostics.chain.power_table_speed import CoupledTableEnd
from diagnostics.chain.pump_end import CentrifugalEnd, DisplacementEnd
from diagnostics.chain.sun import unix_seconds
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
# Where the array holds the current, a load line known by voltage to a share leaves the power open by that share and,
# the current of a rotodynamic pump going with the square of its speed, by half as much again.
CROSSING_MOVES = 1.5


# How much of a variance stays from day to day; judgements, not measurements. Of light and warmth half: calibration and
# mounting; the other half is the day's: the sensor's response to slant, warmth and dirt, the sky's pattern, the wind.
# Of pump, motor and level three quarters: a sheet's curve is another unit's, so its shape is off as well as its size,
# and another day's light works another part of it; a level moves with the season. Label, battery and meter are off by
# one factor, which stays.
STEADY_SHARE_OF_LIGHT = 0.5
STEADY_SHARE_OF_MACHINE = 0.75
_DAY_S = 86400.0


@dataclass(frozen=True)
class FlowInterval:
    """Expected flow with limits of 95 %, and what one standard deviation of each open input moves. [m3/s]"""

    flow_m3_s: Floats
    low_m3_s: Floats
    high_m3_s: Floats
    effects: dict[str, Floats]


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
    if isinstance(end, CoupledTableEnd):
        return float(np.hypot(EFFICIENCY_UNCERTAINTY, CROSSING_MOVES * end.speed_uncertainty))
    guessed = any("no power" in note for note in model.notes)
    return GUESSED_POWER_UNCERTAINTY if guessed else EFFICIENCY_UNCERTAINTY


def _held_uncertainty(model: "SiteModel", light: "Daylight") -> tuple[Floats, Floats] | None:
    """
    Relative uncertainty of power at a held voltage, from that voltage and from the cell's warmth; None for others.

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
        setting, warmth = (np.clip(np.where(middle > 0, 0.5 * np.abs(move) / middle, 0.0), 0.0, 0.5)
                           for move in (above - below, warmer - cooler))
    return setting, warmth


def _power_variance(model: "SiteModel", light: "Daylight") -> tuple[Floats, Floats]:
    """Relative variance of the power that comes: what stays from day to day, and what passes."""
    site = model.site
    coefficient = abs(site.array.module.temperature_coefficient_power_per_k) if site.array is not None else 0.0
    setting, warmth = np.zeros(1), coefficient * light.cell.uncertainty_k
    held = _held_uncertainty(model, light)
    if held is not None:
        setting, warmth = held
    of_day = light.irradiance_uncertainty**2 + warmth**2
    machine = efficiency_uncertainty(model) ** 2
    stays = nameplate_uncertainty(site) ** 2 + STEADY_SHARE_OF_MACHINE * machine + setting**2
    if model.on_battery:
        stays = stays + STORE_UNCERTAINTY**2
    return (stays + STEADY_SHARE_OF_LIGHT * of_day,
            (1.0 - STEADY_SHARE_OF_LIGHT) * of_day + (1.0 - STEADY_SHARE_OF_MACHINE) * machine)


def store_swing(model: "SiteModel", light: "Daylight", operation: "Operation", flow_m3_s: Floats) -> Floats:
    """
    Standard uncertainty of a flow from what the battery held back or brought along, as a share of it.

    Water is reckoned as always wanted and the battery as giving all it holds; users, the disconnect at low voltage
    and the wait for reconnection leave it anywhere between empty and full at dawn. The states at the beginning and at
    the end of a day are two rectangles over the usable charge (JCGM 100:2008, 4.3.7), whose difference has the width
    over the root of six.

    Parameters
    ----------
    model : SiteModel
    light : Daylight
    operation : Operation
        With the power that reaches the pump.
    flow_m3_s : ndarray, shape (n,)
        [m3/s]

    Returns
    -------
    share : ndarray, shape (n,)
        Of the flow, the same for all rows of a solar day; zero without a battery. [1]
    """
    battery = model.site.battery
    if battery is None or not model.on_battery:
        return np.zeros_like(flow_m3_s)
    usable = USABLE_CAPACITY[battery.chemistry] * battery.capacity_ah * battery.nominal_voltage_v * 3600.0
    local = unix_seconds(light.when_utc[light.rows]) - 0.5 * light.interval_s[light.rows] + (
        model.site.longitude_deg * 240.0)
    day = np.floor(local / _DAY_S).astype(np.int64)
    day -= day.min(initial=0) if day.size == 0 else day.min()
    given = np.nan_to_num(operation.pumping_power_w) * model.supply.bus_efficiency() * light.interval_s[light.rows]
    of_day = np.bincount(day, weights=given) if day.size else np.zeros(1)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = usable / np.sqrt(6.0) / of_day
    return np.asarray(np.where(of_day > 0.0, share, 0.0)[day] if day.size else np.zeros(0), dtype=np.float64)


def flow_interval(model: "SiteModel", light: "Daylight", operation: "Operation", flow_m3_s: Floats, level_m: Floats,
                  learned: Learned = SHEET) -> FlowInterval:
    """
    Limits of 95 % around the expected flow.

    Power-like inputs (irradiance, nameplate, temperature, efficiencies) move the power; head-like inputs (static level,
    head tolerance of the pump) move the level; flow tolerance and meter scale the flow. Each group is moved by
    1.96 standard uncertainties up and down through the tables; the moves are added in quadrature per side. What stays
    from day to day may have been learned: then its posterior takes the place of the sheet's standard uncertainties,
    with the covariances that come of learning only sums, and shifts the flow; what passes stays beside it.

    Parameters
    ----------
    model : SiteModel
    light : Daylight
    operation : Operation
    flow_m3_s, level_m : ndarray, shape (n,)
        As expected by the sheet. [m3/s, m]
    learned : Learned, default nothing beyond the sheet

    Returns
    -------
    interval : FlowInterval
    """
    site, table = model.site, model.aquifer
    stays, passes = _power_variance(model, light)
    flow_pct, head_pct = ACCEPTANCE_TOLERANCE_PCT[site.pump.acceptance_grade]
    place = table.locate(operation.pumping_power_w, level_m)
    developed = place.read("head_m")
    head_share = head_pct / 200.0 if isinstance(model.side.end, CentrifugalEnd) else 0.0
    level_step = COVERAGE_FACTOR * np.sqrt(level_uncertainty_m(site) ** 2 + (head_share * developed) ** 2)
    ejector = EJECTOR_FLOW_UNCERTAINTY if model.side.jet is not None else 0.0
    curve = (flow_pct / 200.0) ** 2 + ejector**2
    flow_stays = float(np.sqrt(STEADY_SHARE_OF_MACHINE * curve + (site.flow_meter.uncertainty_pct / 100.0) ** 2))
    flow_passes = float(np.sqrt((1.0 - STEADY_SHARE_OF_MACHINE) * curve))
    offered = np.where(operation.is_capped, operation.power_available_w, operation.pumping_power_w)
    step = COVERAGE_FACTOR * np.sqrt(stays + passes)

    def up(power: Floats, level: Floats) -> Floats:
        return np.maximum(model.read_flow(power, level, steady=False) - flow_m3_s, 0.0)

    def down(power: Floats, level: Floats) -> Floats:
        return np.maximum(flow_m3_s - model.read_flow(power, level, steady=False), 0.0)

    power = (up(offered * (1.0 + step), level_m), down(offered * np.maximum(1.0 - step, 0.0), level_m))
    level = (up(operation.pumping_power_w, level_m - level_step), down(operation.pumping_power_w, level_m + level_step))
    steady, size = np.sqrt(stays / (stays + passes)), COVERAGE_FACTOR * flow_m3_s
    scaled, swing = flow_stays * size, np.hypot(flow_passes, store_swing(model, light, operation, flow_m3_s)) * size

    def passing(by_power: Floats, by_level: Floats) -> Floats:
        return (1.0 - steady**2) * by_power**2 + (1.0 - STEADY_SHARE_OF_MACHINE) * by_level**2 + swing**2

    kept = np.sqrt(STEADY_SHARE_OF_MACHINE)
    higher, lower = (np.sqrt(_spread_of(learned, (by_power * steady, by_level * kept, scaled))
                             + learned.scatter**2 * passing(by_power, by_level))
                     for by_power, by_level in zip(power, level, strict=True))
    by_power, by_level = (0.5 * (sides[0] + sides[1]) for sides in (power, level))
    effects = {name: effect / COVERAGE_FACTOR for name, effect in zip(
        EFFECT_COLUMNS, (by_power * steady, by_level * kept, scaled, np.sqrt(passing(by_power, by_level))),
        strict=True)}
    own = flow_m3_s
    if not learned.is_sheet:
        moved = sum(mean * effects[name] for mean, name in zip(learned.mean, EFFECT_COLUMNS[:-1], strict=True))
        own = np.where(flow_m3_s > 0.0, np.maximum(flow_m3_s + moved, 0.0), flow_m3_s)
    return FlowInterval(own, np.maximum(own - lower, 0.0), own + higher, effects)


def _spread_of(learned: Learned, moves: tuple[Floats, Floats, Floats]) -> Floats:
    """Variance of the moves together under what is known of their inputs."""
    cover = learned.covariance
    total = np.zeros_like(moves[0])
    for i, one in enumerate(moves):
        for j, other in enumerate(moves[i:], start=i):
            total = total + (1.0 if i == j else 2.0) * cover[i, j] * one * other
    return np.maximum(total, 0.0)
