"""What the drive costs and where it stops: losses, speed and power limits, derating with heat."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from diagnostics.health import Health
from diagnostics.site import Drive, Pump

Floats = NDArray[np.float64]

# Common practice: good trackers hold 98 to 99.5 % of the maximum power under moving skies.
TRACKING_SHARE = 0.99
# Where the sheet gives no limit the firmware protects the motor: a little above the plate.
DEFAULT_POWER_MARGIN = 1.15
DEFAULT_SPEED_MARGIN = 1.10
# Electronics that pass their source straight through no longer switch: about half of the rated loss stays.
CONDUCTION_SHARE = 0.5


@dataclass(frozen=True)
class DriveModel:
    """Losses grow from standby through a linear to a quadratic share; direct coupling costs nothing."""

    kind: str
    standby_w: float
    linear_loss: float
    quadratic_loss_per_w: float
    efficiency_ratio: float
    speed_max_rpm: float
    speed_min_rpm: float
    output_power_max_w: float
    output_voltage_max_v: float
    input_power_max_w: float

    def input_power_w(self, output_power_w: Floats) -> Floats:
        """
        Power into the drive for a power out of it.

        Parameters
        ----------
        output_power_w : ndarray
            At the motor. [W]

        Returns
        -------
        input_power_w : ndarray
            At the array terminals. [W]
        """
        out = np.asarray(output_power_w, dtype=np.float64)
        loss = self.standby_w + self.linear_loss * out + self.quadratic_loss_per_w * out**2
        return np.asarray((out + loss) / self.efficiency_ratio, dtype=np.float64)


def rated_motor_input_w(pump: Pump) -> float:
    """
    Electrical power of the motor at its rated load.

    Parameters
    ----------
    pump : Pump

    Returns
    -------
    power_w : float
        [W]
    """
    return pump.motor.rated_power_w


def _speed_limits(drive: Drive, pump: Pump) -> tuple[float, float]:
    rated = pump.rated_speed_rpm
    limits = [drive.max_speed_rpm] if drive.max_speed_rpm is not None else []
    if drive.max_frequency_hz is not None:
        limits.append(rated * drive.max_frequency_hz / drive.rated_frequency_hz)
    if not limits:
        if drive.kind == "frequency":
            limits = [rated]
        elif drive.kind in ("direct", "current_booster", "battery_bus"):
            limits = [2.0 * rated]      # nothing but the voltage holds these back
        else:
            limits = [DEFAULT_SPEED_MARGIN * max(rated, pump.motor.rated_speed_rpm)]
    lowest = rated * drive.min_frequency_hz / drive.rated_frequency_hz if drive.min_frequency_hz else 0.0
    return min(limits), lowest


def drive_model(drive: Drive, pump: Pump, health: Health, *, bus_voltage_v: float | None = None) -> DriveModel:
    """
    Drive from its sheet and settings.

    Parameters
    ----------
    drive : Drive
    pump : Pump
        For rated load and speed.
    health : Health
        Efficiency and cap are taken from it.
    bus_voltage_v : float, optional
        Voltage of the battery bus that feeds a DC motor. [V]

    Returns
    -------
    model : DriveModel
    """
    rated_out = rated_motor_input_w(pump)
    fastest, slowest = _speed_limits(drive, pump)
    electronic = drive.kind != "direct"
    rated_loss = rated_out * (1.0 / drive.rated_efficiency - 1.0) if electronic else 0.0
    standby = min(drive.standby_power_w, 0.6 * rated_loss)
    rest = rated_loss - standby
    power_limit = drive.max_output_power_w
    if power_limit is None:
        guarded = drive.kind in ("tracking", "frequency", "voltage_booster")
        power_limit = DEFAULT_POWER_MARGIN * rated_out if guarded else np.inf
        if drive.kind == "battery_bus" and pump.power_table:
            power_limit = rated_out     # a table tells no voltage; at the bus's own the motor works at its plate
    voltages = [v for v in (drive.max_output_voltage_v, bus_voltage_v) if v is not None]
    return DriveModel(drive.kind, standby, 0.6 * rest / rated_out, 0.4 * rest / rated_out**2,
                      max(health.drive_ratio, 1e-3), fastest, slowest, power_limit,
                      min(voltages, default=np.inf),
                      health.power_cap_w if health.power_cap_w is not None else np.inf)


def derated_share(drive: Drive, air_temperature_c: ArrayLike) -> Floats:
    """
    Share of the drive's power limit left in hot air.

    Parameters
    ----------
    drive : Drive
    air_temperature_c : array_like, shape (n,)
        NaN counts as cool. [degC]

    Returns
    -------
    share : ndarray, shape (n,)
        Never below 0.3. [1]
    """
    air = np.asarray(air_temperature_c, dtype=np.float64)
    if drive.derating_start_temperature_c is None:
        return np.ones_like(air)
    above = np.maximum(np.nan_to_num(air, nan=-50.0) - drive.derating_start_temperature_c, 0.0)
    return np.clip(1.0 - drive.derating_per_k * above, 0.3, 1.0)


def timer_allows(drive: Drive, when_utc: pd.DatetimeIndex, timezone: str) -> NDArray[np.bool_]:
    """
    Tell which instants lie in the hours that a timer leaves free.

    Parameters
    ----------
    drive : Drive
    when_utc : DatetimeIndex, shape (n,)
        Middles of the intervals. [UTC]
    timezone : str
        Of the timer's clock.

    Returns
    -------
    allows : ndarray of bool, shape (n,)
        True everywhere without a timer. [1]
    """
    if not drive.timer_windows:
        return np.ones(len(when_utc), dtype=np.bool_)
    local = when_utc.tz_convert(timezone)
    hour = np.asarray(local.hour + local.minute / 60.0 + local.second / 3600.0, dtype=np.float64)
    allows = np.zeros(len(when_utc), dtype=np.bool_)
    for begins, ends in drive.timer_windows:
        inside = (hour >= begins) & (hour < ends) if begins < ends else (hour >= begins) | (hour < ends)
        allows |= inside
    return allows


def after_starting(flow_m3_s: Floats, running: NDArray[np.bool_], broken: NDArray[np.bool_], interval_s: Floats, *,
                   restart_delay_s: float, fill_m3: float) -> Floats:
    """
    Take from each interval in which the pump starts what the drive's delay and a drained riser cost.

    Parameters
    ----------
    flow_m3_s : ndarray, shape (n,)
        As if the pump had run on. [m3/s]
    running, broken : ndarray of bool, shape (n,)
        As of `running_state`. [1]
    interval_s : ndarray, shape (n,)
        [s]
    restart_delay_s : float
        [s]
    fill_m3 : float
        Riser to be filled before water arrives. [m3]

    Returns
    -------
    flow_m3_s : ndarray, shape (n,)
        Never below zero; a delay longer than the interval takes all of it. [m3/s]
    """
    if restart_delay_s <= 0.0 and fill_m3 <= 0.0:
        return flow_m3_s
    before = np.concatenate(([False], running[:-1])) & ~broken
    share = np.clip(1.0 - restart_delay_s / np.maximum(interval_s, 1.0), 0.0, 1.0)
    first = np.maximum(flow_m3_s * share - fill_m3 / np.maximum(interval_s, 1.0), 0.0)
    return np.where(running & ~before & np.isfinite(flow_m3_s), first, flow_m3_s)


def running_state(power_w: Floats, start_power_w: Floats, stop_power_w: Floats,
                  broken: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """
    Start above one power, stop below another, hold in between; no loop over rows.

    Parameters
    ----------
    power_w, start_power_w, stop_power_w : ndarray, shape (n,)
        In order of time; NaN power holds the state. [W]
    broken : ndarray of bool, shape (n,)
        True where the row does not follow the one before it; the pump is then taken to stand still before. [1]

    Returns
    -------
    running : ndarray of bool, shape (n,)
        [1]
    """
    rows = np.arange(power_w.size)
    starts = power_w >= start_power_w
    stops = power_w < np.minimum(stop_power_w, start_power_w)
    decided = np.where(starts | stops | broken, rows, 0)
    last = np.maximum.accumulate(decided) if rows.size else rows
    return np.asarray(starts[last], dtype=np.bool_)
