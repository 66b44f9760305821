"""
Power into the drive of a site that no array feeds directly, and the point at which a battery bus makes its pump run.

On a battery the users decide when the pump runs, the bus voltage how fast: nothing of its time, everything of its
rate can be judged. The power it takes is what the array brings less what the battery takes, or what the motor side
shows. Behind a wind turbine only the motor side is logged.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnostics.chain.daylight import fixed_losses
from diagnostics.chain.drive import CONDUCTION_SHARE, TRACKING_SHARE, DriveModel
from diagnostics.chain.power_source import CHARGER_EFFICIENCY
from diagnostics.chain.table import LevelTable
from diagnostics.site import Site

Vector = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Highest bus voltage that a pump on a battery meets, over absorption: cold batteries are charged a little higher.
ABOVE_ABSORPTION = 1.04
# Share of absorption voltage below which no charger holds back: lowest float settings in practice, 13.2 V of a
# lead-acid battery absorbed at 14.4 V, 13.5 V of a lithium one absorbed at 14.2 V.
FLOAT_SHARE = {"lead_acid": 0.91, "lithium_iron_phosphate": 0.945}
# Discharge in the sun from which the charger surely gives all it can, over capacity in one hour. [1/h]
DISCHARGING_PER_H = 0.005
# Sun so low that no array gives anything.
DARK_DEG = -4.0
# A charger that holds back keeps the battery at its voltage; below this share of the day's highest it does not.
BELOW_HIGHEST = 0.985
# Array voltage over the battery's up to which the one hangs on the other, by diode and leads; readings that tell it.
TIED_BELOW = 1.08
LEAST_TIED = 100
_KNOTS = 48
# Volts between best and open-circuit point over the thermal voltage of the cells: about 0.12 V over 0.03 V.
_CURVE_BEND = 4.0


def on_bus(site: Site) -> bool:
    """Tell whether a battery feeds the pump."""
    return site.drive.kind == "battery_bus" and site.battery is not None


def as_running(site: Site) -> Site:
    """
    Return a site on a battery as it is while its pump runs: power into the drive, water out of it, at any bus voltage.

    Parameters
    ----------
    site : Site
        Description.

    Returns
    -------
    site : Site
        Its drive takes any power that the highest bus voltage lets the motor take; the same where there is no battery.
    """
    battery, drive = site.battery, site.drive
    if battery is None or drive.kind != "battery_bus":
        return site
    limits: dict[str, Any] = {"kind": "tracking"}
    if drive.max_speed_rpm is None and drive.max_frequency_hz is None:
        limits["max_speed_rpm"] = 2.0 * site.pump.rated_speed_rpm
    if drive.max_output_power_w is None and not site.pump.power_table:
        limits["max_output_power_w"] = 3.0 * site.pump.motor.rated_power_w
    if site.pump.motor.kind != "induction":
        highest = motor_volts(site, np.array([ABOVE_ABSORPTION * battery.absorption_voltage_v]))
        limits["max_output_voltage_v"] = float(highest[0])
    return site.model_copy(update={"drive": drive.model_copy(update=limits)})


def motor_volts(site: Site, bus_voltage_v: Vector) -> Vector:
    """Return what leads and switches leave of the bus voltage; a drive's own limit holds. [V]"""
    volts = bus_voltage_v * (1.0 - CONDUCTION_SHARE * (1.0 - site.drive.rated_efficiency))
    limit = site.drive.max_output_voltage_v
    return np.asarray(volts if limit is None else np.minimum(volts, limit))


def power_into_drive(site: Site, model: Any, read: dict[str, Vector], elevation_deg: Vector) -> Vector:
    """
    Return the power into the drive of a site on a battery or behind a turbine.

    Parameters
    ----------
    site : Site
        As described.
    model : SiteModel or None
        Of the running site; its sound drive leads from the motor side to the source side.
    read : dict of ndarray, shape (n,)
        Channels as evidence.
    elevation_deg : ndarray, shape (n,)
        Of the sun: in the dark the battery alone feeds the drive. [degrees]

    Returns
    -------
    power_w : ndarray, shape (n,)
        NaN where it cannot be told. [W]
    """
    unknown = np.full(len(elevation_deg), np.nan)
    drive = None if model is None else model.drive
    motor = read.get("motor_voltage_v", unknown) * read.get("motor_current_a", unknown)
    if drive is not None and site.pump.motor.kind != "induction" and np.isfinite(motor).any():
        # Behind an inverter volts times amperes is no power: its phase angle is not logged.
        shown = np.maximum(motor, 0.0)
        return np.where(shown > 0.005 * site.pump.motor.rated_power_w, drive.input_power_w(shown),
                        np.where(np.isfinite(shown), 0.0, np.nan))
    calm = _calm(site, read, unknown)
    if not on_bus(site):
        return np.where(calm, array_to_bus(read, unknown) / CHARGER_EFFICIENCY, np.nan)
    brought = np.where(elevation_deg < DARK_DEG, 0.0, array_to_bus(read, unknown))
    brought = np.where(calm, brought, np.nan)
    into_battery = read.get("battery_voltage_v", unknown) * read.get("battery_current_a", unknown)
    return np.asarray(np.maximum(brought - into_battery, 0.0))


def _calm(site: Site, read: dict[str, Vector], unknown: Vector) -> Flags:
    """Say where a turbine gives nothing, so that the array alone feeds what is fed; everywhere without one."""
    if site.wind is None:
        return np.ones(len(unknown), dtype=bool)
    still = max((speed for speed, power in site.wind.power_curve if power <= 0.0), default=0.0)
    with np.errstate(invalid="ignore"):
        return np.asarray(read.get("wind_speed_m_s", unknown) < 0.8 * still)


def array_to_bus(read: dict[str, Vector], unknown: Vector) -> Vector:
    """Return the power that the charger brings from the array to the bus. [W]"""
    product = read.get("array_voltage_v", unknown) * read.get("array_current_a", unknown)
    shown = read.get("array_power_w", unknown)
    return np.asarray(CHARGER_EFFICIENCY * np.maximum(np.where(np.isfinite(shown), shown, product), 0.0))


def motor_side(drive: DriveModel, power_w: Vector) -> Vector:
    """Return the power out of a drive for a power into it. [W]"""
    a, b = drive.quadratic_loss_per_w, 1.0 + drive.linear_loss
    rest = np.maximum(power_w * drive.efficiency_ratio - drive.standby_w, 0.0)
    return np.asarray(2.0 * rest / (b + np.sqrt(b**2 + 4.0 * a * rest)))


def power_at_bus(model: Any, motor_voltage_v: Vector, level_m: Vector) -> Vector:
    """
    Return the power into the drive at which the motor of the running pump stands at a voltage.

    Parameters
    ----------
    model : SiteModel
        Of the site `as_running`, in any health.
    motor_voltage_v : ndarray, shape (n,)
        [V]
    level_m : ndarray, shape (n,)
        Static level of the sheet's kind. [m]

    Returns
    -------
    power_w : ndarray, shape (n,)
        NaN where the description knows no motor voltage. [W]
    """
    table: LevelTable = model.steady
    at = np.asarray(level_m, dtype=np.float64) + model.health.extra_static_level_m
    ends = table.locate(np.zeros(len(at)), at)
    way = np.linspace(0.0, 1.0, _KNOTS)[:, None]
    powers = ends.start + way**2 * (ends.end - ends.start)
    volts = table.locate(powers, np.broadcast_to(at, powers.shape)).read("motor_voltage_v")
    if not np.isfinite(volts).any():
        return np.full(len(at), np.nan)
    above = np.sum(volts <= motor_voltage_v, axis=0)
    low = np.clip(above - 1, 0, _KNOTS - 2)
    rows = np.arange(len(at))
    first, last = volts[low, rows], volts[low + 1, rows]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(last > first, (motor_voltage_v - first) / (last - first), 0.0)
    # Below the voltage at which water begins the pump churns; power there goes about with the square of the voltage.
    with np.errstate(invalid="ignore", divide="ignore"):
        churning = powers[0] * np.clip(motor_voltage_v / volts[0], 0.0, 1.0) ** 2
    found = powers[low, rows] + np.clip(share, 0.0, 1.0) * (powers[low + 1, rows] - powers[low, rows])
    return np.asarray(np.where(np.isnan(motor_voltage_v), np.nan, np.where(above == 0, churning, found)))


def rated_on_bus(site: Site, model: Any) -> tuple[float, float]:
    """
    Return flow and power into the drive of the running pump at nominal bus voltage.

    Parameters
    ----------
    site : Site
        As described, with a battery.
    model : SiteModel
        Of the site `as_running`, healthy.

    Returns
    -------
    flow_m3_s, power_w : float
        A pump whose description knows no voltage runs at its plate. [m3/s, W]
    """
    level = np.array([site.well.static_water_level_m])
    nominal = site.battery.nominal_voltage_v if site.battery is not None else np.nan
    power = power_at_bus(model, motor_volts(site, np.array([nominal])), level)
    if not np.isfinite(power).all():
        power = model.drive.input_power_w(np.array([site.pump.motor.rated_power_w]))
    return float(model.flow_at_power(power, level)[0]), float(power[0])


def calls_on_bus(site: Site, read: dict[str, Vector], tank_known: Flags, unknown: Vector) -> Flags:
    """
    Say where a pump on a battery should run: its tank is known (and found elsewhere not to be full) and the bus is up.

    Without a tank the users call, and nobody logs them.
    """
    battery = site.battery
    if battery is None:
        return np.zeros(len(unknown), dtype=bool)
    voltage = read.get("battery_voltage_v", unknown)
    with np.errstate(invalid="ignore"):
        return np.asarray(tank_known & site.drive.has_float_input & (voltage > 1.01 * battery.reconnect_voltage_v))


def charging_point(site: Site, model: Any, poa_w_m2: Vector, cell_temperature_c: Vector,
                   bus_voltage_v: Vector | None = None) -> tuple[Vector, Vector]:
    """
    Return voltage and current of an array whose charger takes all it can.

    A charger steps the voltage down: an array that lost so many modules that its best voltage lies below the battery's
    is held at the battery's, on the falling side of its curve (an exponential between best and open-circuit point, by
    which the current of a diode falls).

    Parameters
    ----------
    site : Site
        With an array.
    model : SiteModel
        In any health.
    poa_w_m2, cell_temperature_c : ndarray, shape (n,)
        [W/m2, degC]
    bus_voltage_v : ndarray, shape (n,), optional
        [V]

    Returns
    -------
    voltage_v, current_a : ndarray, shape (n,)
        [V, A]
    """
    if model.array is None or site.array is None:
        nothing = np.full(len(poa_w_m2), np.nan)
        return nothing, nothing
    light = poa_w_m2 * model.health.irradiance_ratio * float(fixed_losses(site.array, np.zeros(1))[0])
    power, volts, open_volts = model.array.read(light, cell_temperature_c, "power_mp_w", "voltage_mp_v", "voltage_oc_v")
    with np.errstate(invalid="ignore", divide="ignore"):
        amps = np.where(volts > 0.0, power * TRACKING_SHARE / volts, 0.0)
        if bus_voltage_v is not None:
            up = np.clip((bus_voltage_v - volts) / np.maximum(open_volts - volts, 1e-6), 0.0, 1.0)
            amps = amps * (1.0 - np.expm1(_CURVE_BEND * up) / np.expm1(_CURVE_BEND))
            volts = np.maximum(volts, bus_voltage_v)
    return np.asarray(volts), np.asarray(amps)


def charger_free(site: Site, read: dict[str, Vector], unknown: Vector, day: NDArray[np.intp], days: int) -> Flags:
    """
    Say where the charger surely takes all that the array gives.

    While the battery is discharged in the sun nothing is held back; nor does a charger hold back below its lowest
    voltage and below the highest that it let the battery reach that day. Above that it may, and an array that gives
    less than due is then no evidence.

    Parameters
    ----------
    site : Site
        With a battery.
    read : dict of ndarray, shape (n,)
        Channels as evidence.
    unknown : ndarray, shape (n,)
        NaN.
    day : ndarray of int, shape (n,)
        Day of each row.
    days : int
        Number of days.

    Returns
    -------
    free : ndarray of bool, shape (n,)
        False where the battery is not logged.
    """
    battery = site.battery
    if battery is None:
        return np.zeros(len(unknown), dtype=bool)
    current, voltage = read.get("battery_current_a", unknown), read.get("battery_voltage_v", unknown)
    highest = np.zeros(days)
    np.maximum.at(highest, day, np.nan_to_num(voltage))
    with np.errstate(invalid="ignore"):
        low = (voltage < FLOAT_SHARE[battery.chemistry] * battery.absorption_voltage_v) & (
            voltage < BELOW_HIGHEST * highest[day])
        return np.asarray((current < -DISCHARGING_PER_H * battery.capacity_ah) | low)


def tied_to_battery(read: dict[str, Vector], poa_w_m2: Vector, unknown: Vector) -> bool:
    """
    Tell whether the charger switches the array straight onto the battery and does not track.

    Its voltage then is the battery's and a little more in any sun; whatever its best voltage would be.
    """
    array, battery = read.get("array_voltage_v", unknown), read.get("battery_voltage_v", unknown)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = (array / battery)[(poa_w_m2 > 300.0) & (read.get("array_current_a", unknown) > 0.0)]
    ratio = ratio[np.isfinite(ratio)]
    return ratio.size >= LEAST_TIED and float(np.quantile(ratio, 0.85)) < TIED_BELOW


def tied_current(site: Site, best_voltage_v: Vector, best_current_a: Vector, voltage_v: Vector) -> Vector:
    """Return the current of an array held below its best voltage: short-circuit current from a fifth below on. [A]"""
    if site.array is None:
        return best_current_a
    more = site.array.module.isc_a / site.array.module.imp_a - 1.0
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.clip((1.0 - voltage_v / best_voltage_v) / 0.2, 0.0, 1.0)
    return np.asarray(best_current_a * (1.0 + more * share))


def array_power_seen(site: Site, read: dict[str, Vector], turning: Flags, unknown: Vector) -> Vector:
    """
    Return the power that the array gives; where it is not logged, what the battery takes while the pump stands. [W]
    """
    brought = array_to_bus(read, unknown) / CHARGER_EFFICIENCY
    if np.isfinite(brought).any() or site.wind is not None:
        return brought
    taken = read.get("battery_voltage_v", unknown) * read.get("battery_current_a", unknown) + site.drive.standby_power_w
    return np.asarray(np.where(runs_through(~turning), np.maximum(taken, 0.0) / CHARGER_EFFICIENCY, np.nan))


def runs_through(on: Flags) -> Flags:
    """Keep intervals whose neighbours are alike, so that no start or stop lies inside."""
    before, after = np.concatenate(([False], on[:-1])), np.concatenate((on[1:], [False]))
    return np.asarray(on & before & after)


def load_holds(power_w: Vector) -> Flags:
    """Keep intervals whose power is that of the neighbours, so that the pump did not stop for a part of one."""
    with np.errstate(invalid="ignore"):
        near = np.abs(np.diff(power_w)) < 0.12 * np.maximum(power_w[1:], power_w[:-1])
    return np.asarray(np.concatenate(([True], near)) & np.concatenate((near, [True])))
