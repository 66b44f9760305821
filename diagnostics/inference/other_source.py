"""What a fault shows at a site on a battery or behind a wind turbine: conditions and readings of its running pump."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnostics.causes import Misreading
from diagnostics.chain.power_source import CHARGER_EFFICIENCY
from diagnostics.evidence.intervals import Intervals
from diagnostics.evidence.other_sources import WIND_EDGES
from diagnostics.evidence.site_scales import gauge_pressure
from diagnostics.evidence.source_power import charging_point, motor_side, motor_volts, on_bus, power_at_bus
from diagnostics.health import Health
from diagnostics.site import Site

Vector = NDArray[np.float64]
# A motor's constant moves with the warmth of its magnets and is printed to two figures; leads drop what nobody
# measured.
VOLTAGE_DEVIATION = 0.03


@dataclass(frozen=True)
class SourceSample:
    """Conditions that stand where an array-driven site has its sun; shape (n,), spread over what the site has met."""

    motor_voltage_v: Vector         # on a battery; NaN where the description knows no voltage
    power_w: Vector                 # on a battery the power of the healthy running pump; behind a turbine the wind's
    on_bus: bool
    motor_logged: bool              # power is read on the motor side, where an array's sensors have no part in it
    bus_voltage_v: Vector | None = None

    def lowered(self, share: float) -> "SourceSample":
        """Return the same conditions with the motor getting a share less voltage."""
        return replace(self, motor_voltage_v=self.motor_voltage_v * (1.0 - share))


def source_sample(site: Site, intervals: Intervals, size: int) -> SourceSample | None:
    """
    Draw bus voltages or winds from the site's own record.

    Parameters
    ----------
    site : Site
        As described.
    intervals : Intervals
        Readings beside expectation.
    size : int
        Rows wanted.

    Returns
    -------
    sample : SourceSample or None
        None for a site that its array feeds directly.
    """
    if not on_bus(site) and site.array is not None:
        return None
    motor_logged = intervals.has("motor_voltage_v") and intervals.has("motor_current_a")
    unknown = np.full(size, np.nan)
    if on_bus(site):
        seen = intervals.channel("battery_voltage_v")[intervals.turning]
        seen = seen[np.isfinite(seen)]
        battery = site.battery
        if seen.size < 20 and battery is not None:
            seen = np.linspace(battery.low_voltage_disconnect_v, 0.97 * battery.absorption_voltage_v, 50)
        # Without the extremes: single readings at starts and stops are not where it works.
        volts = np.quantile(seen, np.linspace(0.05, 0.95, size))
        rows = np.random.default_rng(7).permutation(size)
        return SourceSample(motor_volts(site, volts)[rows], np.full(size, intervals.scales.rated_power_w), True,
                            motor_logged, volts[rows])
    offered = intervals.expected["array_power_available_w"].to_numpy(dtype=np.float64)
    least = 0.5 * intervals.scales.threshold_power_w
    offered = np.sort(offered[np.isfinite(offered) & (offered > least)])
    if offered.size < 20:
        offered = np.linspace(intervals.scales.threshold_power_w, intervals.scales.rated_power_w, 50)
    rows = np.linspace(0, len(offered) - 1, size).round().astype(int)
    return SourceSample(unknown, offered[rows], False, motor_logged)


def power_taken(model: Any, source: SourceSample, level_m: Vector) -> Vector:
    """
    Return the power into the drive of a model at the sample's conditions.

    Parameters
    ----------
    model : SiteModel
        In any health; behind a turbine `tracking_ratio` is the share of the wind's power that reaches the bus.
    source : SourceSample
        Conditions.
    level_m : ndarray, shape (n,)
        Static level of the sheet's kind. [m]

    Returns
    -------
    power_w : ndarray, shape (n,)
        [W]
    """
    if source.on_bus:
        power = power_at_bus(model, source.motor_voltage_v, level_m)
        power = np.where(np.isfinite(power), power, source.power_w)
        return np.asarray(np.minimum(power, model.drive.input_power_max_w))
    nothing = np.zeros(len(level_m))
    level = np.asarray(level_m + model.health.extra_static_level_m, dtype=np.float64)
    operation = model.operate(nothing, nothing + 25.0, nothing + 25.0, level,
                              source.power_w * model.health.tracking_ratio)
    return np.asarray(operation.power_taken_w, dtype=np.float64)


def run_source(site: Site, sample: Any, source: SourceSample, healthy: Any, model: Any, health: Health,
               misreading: Misreading, *, level_logged: bool, light: float) -> dict[str, Vector]:
    """
    Return simulated readings of the running pump and the expectation beside them, as `ratio_table` wants them.

    Parameters
    ----------
    site : Site
        As described.
    sample : Sample
        Sun, temperature and level.
    source : SourceSample
        Bus voltage or wind.
    healthy, model : SiteModel
        Of the running site, sound and changed.
    health : Health
        What was changed, level and meter included.
    misreading : Misreading
        What sensors make of it.
    level_logged : bool
        The rest level is read.
    light : float
        Share of the light that health leaves where the model was not built for it. [1]

    Returns
    -------
    rows : dict of ndarray, shape (n,)
        Array power under `power_w` where there is an array, else that into the drive; that under `drive_power_w`.
    """
    level = sample.static_level_m + health.extra_static_level_m
    taken = power_taken(model, source, level)
    due = power_taken(healthy, source, sample.static_level_m)
    flow = np.asarray(model.flow_at_power(taken, static_level_m=level), dtype=np.float64)
    due_flow = np.asarray(healthy.flow_at_power(due, static_level_m=sample.static_level_m), dtype=np.float64)
    warmth = sample.cell_temperature_c + misreading.module_temperature_k
    true_sun = sample.poa_w_m2 / misreading.irradiance * light
    volts, amps = charging_point(site, model, true_sun, sample.cell_temperature_c, source.bus_voltage_v)
    due_volts, due_amps = charging_point(site, healthy, sample.poa_w_m2, warmth)
    if source.motor_logged:
        seen = np.asarray(healthy.drive.input_power_w(motor_side(model.drive, taken)), dtype=np.float64)
    elif source.on_bus:
        seen = np.maximum(taken + CHARGER_EFFICIENCY * (misreading.power - 1.0) * np.nan_to_num(volts * amps), 0.0)
    else:
        seen = taken
    metered = flow * misreading.flow * health.meter_ratio
    seen_level = level + misreading.level_m if level_logged else sample.static_level_m
    at_power = np.asarray(healthy.flow_at_power(seen, static_level_m=seen_level), dtype=np.float64)
    drawdown = np.asarray(healthy.pumping_level_at_flow(np.maximum(metered, 0.0), static_level_m=seen_level))
    speed = np.asarray(model.speed_at_power(taken, static_level_m=level), dtype=np.float64)
    by_array = source.on_bus and site.array is not None
    return {
        "current_a": amps * misreading.current, "voltage_v": volts * misreading.voltage,
        "power_w": volts * amps * misreading.power if by_array else seen, "drive_power_w": seen,
        "flow_m3_s": metered, "speed_rpm": speed * misreading.speed,
        "level_m": np.asarray(model.pumping_level_at_flow(flow, static_level_m=level)) + misreading.level_m,
        "pressure_pa": np.asarray(gauge_pressure(site, model, flow)) * misreading.pressure,
        "healthy_current_a": due_amps, "healthy_voltage_v": due_volts,
        "healthy_power_w": due_volts * due_amps if by_array else due,
        # On a battery no sun says how fast the pump runs.
        "healthy_flow_m3_s": np.full(len(flow), np.nan) if source.on_bus else due_flow,
        "flow_at_power_m3_s": at_power,
        "speed_at_power_rpm": np.asarray(healthy.speed_at_power(seen, static_level_m=seen_level), dtype=np.float64),
        "drawdown_at_flow_m": drawdown - seen_level,
        "pressure_at_flow_pa": np.asarray(gauge_pressure(site, healthy, np.maximum(metered, 0.0))),
        "static_level_m": seen_level, "true_flow_m3_s": flow, "static_shift_m": seen_level - sample.static_level_m,
        "due_power_w": due, "due_flow_m3_s": due_flow, "taken_w": taken,
        "given_w": np.nan_to_num(volts * amps) if by_array else np.ones(len(taken)),
    }


def water_left(outcome: dict[str, Vector], sound: dict[str, Vector]) -> float:
    """
    Return the share of its water that a site on a battery still gives: of the energy, times of the water per energy.

    Its expectation is what its energy could deliver; a pump that runs slower on its battery may run longer.
    """
    def per_energy(one: dict[str, Vector]) -> float:
        return float(np.nansum(one["flow_m3_s"])) / max(float(np.nansum(one["taken_w"])), 1e-9)

    energy = float(np.sum(outcome["given_w"])) / max(float(np.sum(sound["given_w"])), 1e-9)
    return energy * per_energy(outcome) / max(per_energy(sound), 1e-12)


def source_shifts(source: SourceSample, outcome: dict[str, Vector], rated_power_w: float,
                  misreading: Misreading | None = None) -> dict[str, float]:
    """
    Return the shifts of the summaries that only such sites have.

    Parameters
    ----------
    source : SourceSample
        Conditions.
    outcome : dict of ndarray
        Of `run_source`.
    rated_power_w : float
        [W]
    misreading : Misreading, optional
        An array's sensor that is off shows against the battery's while the pump stands.

    Returns
    -------
    shifts : dict of float
        bus_flow, bus_power and charge_balance on a battery, wind_power and wind_power_high behind a turbine.
    """
    seen, due = outcome["drive_power_w"], outcome["due_power_w"]
    if source.on_bus:
        balance = {} if misreading is None else {"charge_balance": 1.0 / max(misreading.power, 0.03) - 1.0}
        if not np.isfinite(source.motor_voltage_v).any() or not np.sum(outcome["due_flow_m3_s"]) > 0.0:
            return balance
        return balance | {"bus_power": float(np.sum(seen) / np.sum(due)) - 1.0,
                "bus_flow": float(np.sum(outcome["flow_m3_s"]) / np.sum(outcome["due_flow_m3_s"])) - 1.0}
    # Only in strong wind: near the start a weak turbine's pump stands, and a standing one takes nothing.
    found = {}
    for name, (low, high) in WIND_EDGES.items():
        inside = (due >= low * rated_power_w) & (due < high * rated_power_w) & (seen > 0.05 * rated_power_w)
        if inside.any():
            found[name] = float(np.sum(seen[inside]) / np.sum(due[inside])) - 1.0
    return found
