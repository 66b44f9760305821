"""Power that does not come straight from the sun: battery bus and wind turbine."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from diagnostics.chain.water import atmospheric_pressure_pa
from diagnostics.site import Battery, WindTurbine

Floats = NDArray[np.float64]

STANDARD_AIR_KG_M3 = 1.225
_GAS_CONSTANT_AIR_J_KG_K = 287.05
# Wind over open farmland grows with about the seventh root of height.
WIND_SHEAR_EXPONENT = 1.0 / 7.0
# Share of the array's maximum power that a charge controller brings to the bus (common practice).
CHARGER_EFFICIENCY = 0.96


def air_density_kg_m3(altitude_m: float, air_temperature_c: ArrayLike) -> Floats:
    """
    Density of air at a height and temperature, ideal gas.

    Parameters
    ----------
    altitude_m : float
        [m]
    air_temperature_c : array_like, shape (n,)
        [degC]

    Returns
    -------
    density : ndarray, shape (n,)
        [kg/m3]
    """
    kelvin = np.asarray(air_temperature_c, dtype=np.float64) + 273.15
    return np.asarray(atmospheric_pressure_pa(altitude_m) / (_GAS_CONSTANT_AIR_J_KG_K * kelvin), dtype=np.float64)


def wind_power_w(turbine: WindTurbine, wind_speed_m_s: ArrayLike, altitude_m: float,
                 air_temperature_c: ArrayLike) -> Floats:
    """
    Power on the rectifier bus of a wind turbine.

    The anemometer's wind is carried to hub height by a power law, the printed curve to the site's air density by
    scaling the wind with its cube root (the method of IEC 61400-12-1 for turbines that furl or pitch).

    Parameters
    ----------
    turbine : WindTurbine
    wind_speed_m_s : array_like, shape (n,)
        NaN stays NaN. [m/s]
    altitude_m : float
        [m]
    air_temperature_c : array_like, shape (n,)
        NaN counts as 15 degC. [degC]

    Returns
    -------
    power_w : ndarray, shape (n,)
        Zero outside the printed winds. [W]
    """
    wind = np.asarray(wind_speed_m_s, dtype=np.float64)
    if turbine.anemometer_height_m is not None:
        wind = wind * (turbine.hub_height_m / turbine.anemometer_height_m) ** WIND_SHEAR_EXPONENT
    air = np.nan_to_num(np.asarray(air_temperature_c, dtype=np.float64), nan=15.0)
    wind = wind * np.cbrt(air_density_kg_m3(altitude_m, air) / STANDARD_AIR_KG_M3)
    speed, power = np.array(sorted(turbine.power_curve)).T
    read = np.interp(np.nan_to_num(wind), speed, power, left=0.0, right=0.0) * turbine.rectifier_efficiency
    return np.where(np.isnan(wind), np.nan, read)


def battery_state_of_charge(battery: Battery, battery_current_a: ArrayLike, battery_voltage_v: ArrayLike,
                            interval_s: ArrayLike, *, charge_at_start: float = 0.7) -> Floats:
    """
    State of charge from the balance of current, set to full whenever the battery is at absorption with little current.

    Parameters
    ----------
    battery : Battery
    battery_current_a : array_like, shape (n,)
        Into the battery; NaN counts as none. [A]
    battery_voltage_v : array_like, shape (n,)
        [V]
    interval_s : array_like, shape (n,)
        [s]
    charge_at_start : float, default 0.7
        Before the first anchor. [1]

    Returns
    -------
    charge : ndarray, shape (n,)
        At each interval end, held to 0 to 1. [1]
    """
    current = np.nan_to_num(np.asarray(battery_current_a, dtype=np.float64))
    voltage = np.asarray(battery_voltage_v, dtype=np.float64)
    if current.size == 0:
        return np.zeros(0)
    hours = np.broadcast_to(np.asarray(interval_s, dtype=np.float64), current.shape) / 3600.0
    stored = np.where(current > 0, current * battery.charge_efficiency, current) * hours / battery.capacity_ah
    balance = np.cumsum(stored)
    full = (voltage >= 0.99 * battery.absorption_voltage_v) & (np.abs(current) < 0.03 * battery.capacity_ah)
    empty = voltage <= battery.low_voltage_disconnect_v
    anchor = np.where(full | empty, np.arange(current.size), -1)
    last = np.maximum.accumulate(anchor)
    level = np.where(full, 1.0, np.where(empty, 0.2, np.nan))
    since = np.where(last >= 0, balance - balance[np.maximum(last, 0)], balance)
    base = np.where(last >= 0, level[np.maximum(last, 0)], charge_at_start)
    return np.asarray(np.clip(base + since, 0.0, 1.0), dtype=np.float64)


# Share of the printed capacity that is used before the low-voltage disconnect (common practice).
USABLE_CAPACITY = {"lead_acid": 0.5, "lithium_iron_phosphate": 0.85}


def stored_energy_j(energy_in_j: ArrayLike, energy_out_max_j: ArrayLike, capacity_j: float) -> Floats:
    """
    Energy held at the end of each interval by a store that gives all it can up to a limit, and spills when full.

    Each interval maps what was held to ``min(capacity, max(0, held + in - out))``; such clamped shifts compose to
    clamped shifts, so the whole series is a prefix scan of log2(n) passes and needs no loop over rows.

    Parameters
    ----------
    energy_in_j, energy_out_max_j : array_like, shape (n,)
        Brought in, and wanted at most, in each interval; NaN counts as none. [J]
    capacity_j : float
        [J]

    Returns
    -------
    held_j : ndarray, shape (n,)
        Empty before the first interval. [J]
    """
    shift = np.nan_to_num(np.asarray(energy_in_j, dtype=np.float64)) - np.nan_to_num(
        np.asarray(energy_out_max_j, dtype=np.float64))
    low, high = np.zeros_like(shift), np.full_like(shift, capacity_j)
    step = 1
    while step < shift.size:
        later, before = slice(step, None), slice(None, -step)
        new_low = np.clip(low[before] + shift[later], low[later], high[later])
        new_high = np.clip(high[before] + shift[later], low[later], high[later])
        new_shift = shift[later] + shift[before]
        low[later], high[later], shift[later] = new_low, new_high, new_shift
        step *= 2
    return np.asarray(np.clip(shift, low, high), dtype=np.float64)


def mean_power_from_store_w(power_in_w: ArrayLike, power_out_max_w: ArrayLike, interval_s: ArrayLike,
                            capacity_j: float) -> tuple[Floats, Floats]:
    """
    Mean power that a store lets a pump take in each interval while water is always wanted.

    Parameters
    ----------
    power_in_w, power_out_max_w : array_like, shape (n,)
        Brought in, and the running pump's own. [W]
    interval_s : array_like, shape (n,)
        [s]
    capacity_j : float
        Usable. [J]

    Returns
    -------
    power_out_w, power_stored_w : ndarray, shape (n,)
        Taken by the pump, and of what came in the part that was not spilled. [W]
    """
    length = np.asarray(interval_s, dtype=np.float64)
    come = np.nan_to_num(np.asarray(power_in_w, dtype=np.float64)) * length
    wanted = np.asarray(power_out_max_w, dtype=np.float64) * length
    held = stored_energy_j(come, wanted, capacity_j)
    before = np.concatenate(([0.0], held[:-1]))
    out = np.minimum(wanted, before + come)
    return np.asarray(out / length, dtype=np.float64), np.asarray((held - before + out) / length, dtype=np.float64)


def power_past_battery_w(bus_power_w: ArrayLike, power_out_max_w: ArrayLike, interval_s: ArrayLike, capacity_j: float,
                         charge_efficiency: float) -> Floats:
    """
    Power a source is worth to the pump: what goes to it directly loses nothing, what is stored loses the charge.

    While the battery holds something the sun's power goes straight to the running pump. With an empty one the pump
    runs by turns: it rests while the source charges and runs on both together.

    Parameters
    ----------
    bus_power_w, power_out_max_w : array_like, shape (n,)
        Brought to the bus, and the running pump's own. [W]
    interval_s : array_like, shape (n,)
        [s]
    capacity_j : float
        Usable. [J]
    charge_efficiency : float
        Energy out over energy in. [1]

    Returns
    -------
    power_w : ndarray, shape (n,)
        [W]
    """
    bus = np.nan_to_num(np.asarray(bus_power_w, dtype=np.float64))
    wanted = np.maximum(np.asarray(power_out_max_w, dtype=np.float64), 1e-9)
    length = np.asarray(interval_s, dtype=np.float64)
    loss = 1.0 - charge_efficiency
    direct = np.minimum(bus, wanted)
    above = charge_efficiency * (bus - direct)
    by_turns = direct * charge_efficiency * wanted / (wanted - loss * direct)
    held = stored_energy_j((by_turns + above) * length, wanted * length, capacity_j)
    holds = np.concatenate(([0.0], held[:-1])) > 0.0
    return np.asarray(np.where(holds, direct, by_turns) + above, dtype=np.float64)
