"""Where the array's curve meets the motor's load line, for drives that cannot choose their voltage."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from diagnostics.chain.array import ArrayCurve
from diagnostics.chain.motor import DirectCurrentMotor, MotorModel
from diagnostics.chain.operating_point import LoadLine
from diagnostics.chain.table import place_on_axis

Floats = NDArray[np.float64]

_TEMPERATURES_C = np.linspace(-20.0, 90.0, 12)
_KNOTS = 129
_STARTING_KNOTS = 24
_IRRADIANCE_TOP_W_M2 = 1500.0


@dataclass(frozen=True)
class CrossingTable:
    """
    Power and voltage at the crossing over irradiance, cell temperature and aquifer level.

    For each temperature and level the irradiance axis begins where the motor first turns; knots are even in the
    square root of the way from there to 1500 W/m2.
    """

    level_first: float
    level_last: float
    first_w_m2: Floats          # (temperatures, levels): the motor turns
    breakaway_w_m2: Floats      # (temperatures, levels): a standing motor starts
    power_w: Floats             # (temperatures, levels, knots)
    voltage_v: Floats
    stalled_ohm: float

    def _corners(self, temperature: Floats, level: Floats) -> tuple[list[NDArray[np.int64]], list[Floats]]:
        temps, levels = self.first_w_m2.shape
        i, fi = place_on_axis(temperature, float(_TEMPERATURES_C[0]), float(_TEMPERATURES_C[-1]), temps)
        j, fj = place_on_axis(level, self.level_first, self.level_last, levels)
        cells = [i * levels + j, i * levels + j + 1, (i + 1) * levels + j, (i + 1) * levels + j + 1]
        shares = [(1 - fi) * (1 - fj), (1 - fi) * fj, fi * (1 - fj), fi * fj]
        return cells, shares

    def thresholds(self, cell_temperature_c: ArrayLike, level_m: ArrayLike) -> tuple[Floats, Floats]:
        """
        Irradiance at which a standing motor starts, and at which a turning one stops.

        Parameters
        ----------
        cell_temperature_c, level_m : array_like, shape (n,)
            [degC, m]

        Returns
        -------
        start_w_m2, stop_w_m2 : ndarray, shape (n,)
            Effective irradiance. [W/m2]
        """
        t, z = np.broadcast_arrays(np.asarray(cell_temperature_c, dtype=np.float64),
                                   np.asarray(level_m, dtype=np.float64))
        cells, shares = self._corners(t, z)
        begin, away = self.first_w_m2.ravel(), self.breakaway_w_m2.ravel()
        return (sum((share * away[cell] for cell, share in zip(cells, shares, strict=True)), np.zeros_like(t)),
                sum((share * begin[cell] for cell, share in zip(cells, shares, strict=True)), np.zeros_like(t)))

    def read(self, irradiance_w_m2: ArrayLike, cell_temperature_c: ArrayLike,
             level_m: ArrayLike) -> tuple[Floats, Floats]:
        """
        Power and voltage at the crossing.

        Parameters
        ----------
        irradiance_w_m2, cell_temperature_c, level_m : array_like, shape (n,)
            Effective irradiance. [W/m2, degC, m]

        Returns
        -------
        power_w, voltage_v : ndarray, shape (n,)
            Below the first turning the power fades to nothing with the square of light. [W, V]
        """
        g, t, z = np.broadcast_arrays(*(np.asarray(x, dtype=np.float64)
                                        for x in (irradiance_w_m2, cell_temperature_c, level_m)))
        cells, shares = self._corners(t, z)
        flat_first = self.first_w_m2.ravel()
        first = sum((share * flat_first[cell] for cell, share in zip(cells, shares, strict=True)), np.zeros_like(t))
        way = np.sqrt(np.clip((g - first) / np.maximum(_IRRADIANCE_TOP_W_M2 - first, 1.0), 0.0, 1.0)) * (_KNOTS - 1)
        k = np.minimum(np.nan_to_num(way), _KNOTS - 2.0).astype(np.int64)
        fk = way - k
        fade = np.clip(g / np.maximum(first, 1.0), 0.0, 1.0)
        read = []
        for column, power_of_light in ((self.power_w, 2.0), (self.voltage_v, 1.0)):
            flat = column.ravel()
            value = np.zeros_like(t)
            for cell, share in zip(cells, shares, strict=True):
                at = cell * _KNOTS + k
                value = value + share * (flat[at] + fk * (flat[at + 1] - flat[at]))
            read.append(np.where(g < first, value * fade**power_of_light, value))
        return read[0], read[1]


def _with_starting_branch(line: LoadLine, motor: MotorModel, *, holds_torque: bool) -> tuple[Floats, Floats]:
    """Load line from standstill on: voltage and current with the stretch before delivery put in front."""
    first = line.speed_rpm[:, :1]
    share = np.linspace(0.0, 1.0, _STARTING_KNOTS, endpoint=False)[None, :]
    speed = share * first
    # A shut-off centrifugal asks torque with the square of speed; a displacement pump holds its head all the way.
    full = line.torque_n_m[:, :1]
    voltage, current = motor.terminals(full * (1.0 if holds_torque else share**2), speed)
    return np.hstack([voltage, line.motor_voltage_v]), np.hstack([current, line.motor_current_a])


def crossing_table(line: LoadLine, curve: ArrayCurve, motor: MotorModel, breakaway_ratio: float,
                   *, holds_torque: bool, drive_loss: float = 0.0) -> CrossingTable:
    """
    Cross every point of the load line with the array, explicitly, by asking which light passes through it.

    Parameters
    ----------
    line : LoadLine
    curve : ArrayCurve
    motor : MotorModel
    breakaway_ratio : float
        Torque at standstill over torque while turning slowly. [1]
    holds_torque : bool
        True where full torque stands from the first turn (positive displacement). [1]
    drive_loss : float, default 0
        Share of voltage lost in a booster that is fully on. [1]

    Returns
    -------
    table : CrossingTable
    """
    voltage, current = _with_starting_branch(line, motor, holds_torque=holds_torque)
    # What a booster drops while it passes the array straight through is dropped in series.
    voltage = voltage / (1.0 - drive_loss)
    levels, temps = line.levels_m.size, _TEMPERATURES_C.size
    light = curve.irradiance_for(voltage[None], current[None], _TEMPERATURES_C[:, None, None])
    # Without crossing a higher point while climbing, light never falls along the line.
    light = np.maximum.accumulate(light, axis=2)
    first = np.minimum(light[:, :, 0], _IRRADIANCE_TOP_W_M2 - 1.0)
    if isinstance(motor, DirectCurrentMotor):
        _, stall = motor.terminals(breakaway_ratio * line.torque_n_m[:, 0], np.zeros(levels))
        away = curve.irradiance_for((stall * motor.resistance_ohm / (1.0 - drive_loss))[None], stall[None],
                                    _TEMPERATURES_C[:, None])
        ohm = motor.resistance_ohm
    else:
        away, ohm = first, 0.0
    away = np.maximum(away, first) if holds_torque else first
    way = np.linspace(0.0, 1.0, _KNOTS) ** 2
    power = np.empty((temps, levels, _KNOTS))
    volts = np.empty_like(power)
    for t in range(temps):
        for j in range(levels):
            reach = np.isfinite(light[t, j])
            if reach.sum() < 2:
                power[t, j], volts[t, j] = 0.0, 0.0
                continue
            wanted = first[t, j] + way * (_IRRADIANCE_TOP_W_M2 - first[t, j])
            axis = light[t, j][reach] + 1e-9 * np.arange(int(reach.sum()))
            volts[t, j] = np.interp(wanted, axis, voltage[j][reach])
            power[t, j] = np.interp(wanted, axis, (voltage[j] * current[j])[reach])
    return CrossingTable(float(line.levels_m[0]), float(line.levels_m[-1]), first, np.minimum(away, 1e6), power, volts,
                         ohm)
