"""The array as the drive sees it: strings of modules, dead substrings, cable and contact resistance."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pvlib import pvsystem

from diagnostics.chain.module import DiodeParameters, diode_parameters, translate, voltage_stretch
from diagnostics.chain.table import GridTable
from diagnostics.health import Health
from diagnostics.site import Array

Floats = NDArray[np.float64]

# Resistivity of annealed copper at 20 degC is 1/58 ohm mm2/m (IEC 60028); cable in the sun is near 45 degC.
COPPER_OHM_MM2_PER_M = 1.0 / 58.0
COPPER_PER_K = 0.00393
_CABLE_TEMPERATURE_C = 45.0

_IRRADIANCE_MAX_W_M2 = 1500.0
_IRRADIANCE_KNOTS = 61      # even in the square root, so that weak light is well covered
_TEMPERATURE_FIRST_C, _TEMPERATURE_LAST_C, _TEMPERATURE_KNOTS = -30.0, 100.0, 27
_BACK_OFF_KNOTS = 25
# A booster holds its array near the set voltage: trimming, temperature and droop, one standard uncertainty.
HELD_VOLTAGE_UNCERTAINTY = 0.025


def cable_resistance_ohm(length_m: float, cross_section_mm2: float, *,
                         conductor_temperature_c: float = 20.0) -> float:
    """
    Resistance of a two-wire copper run, there and back.

    Parameters
    ----------
    length_m : float
        One way. [m]
    cross_section_mm2 : float
        Of one conductor. [mm2]
    conductor_temperature_c : float, default 20
        [degC]

    Returns
    -------
    resistance_ohm : float
        [ohm]
    """
    at_20 = 2.0 * length_m * COPPER_OHM_MM2_PER_M / cross_section_mm2
    return at_20 * (1.0 + COPPER_PER_K * (conductor_temperature_c - 20.0))


@dataclass(frozen=True)
class ArrayCurve:
    """
    Current-voltage behaviour at the drive's terminals for any light and cell temperature.

    The single-diode equation holds for the whole array with its resistances in series; solved for irradiance it is
    explicit, which is what lets load lines be crossed without iteration.
    """

    module: DiodeParameters
    in_series: float            # live modules in a string
    in_parallel: float          # connected strings
    wiring_ohm: float           # cable and contacts, whole array

    def junction(self, voltage_v: Floats, current_a: Floats, cell_temperature_c: Floats) -> tuple[Floats, ...]:
        """
        Bring terminal values to one module, wiring taken off.

        Parameters
        ----------
        voltage_v, current_a, cell_temperature_c : ndarray
            At the drive's terminals. [V, A, degC]

        Returns
        -------
        voltage, current : ndarray
            Of one module. [V, A]
        """
        stretch = voltage_stretch(self.module, cell_temperature_c)
        voltage = (voltage_v + current_a * self.wiring_ohm) / (self.in_series * stretch)
        return voltage, current_a / self.in_parallel

    def irradiance_for(self, voltage_v: ArrayLike, current_a: ArrayLike, cell_temperature_c: ArrayLike) -> Floats:
        """
        Effective irradiance at which the array passes through a point of its terminals.

        Parameters
        ----------
        voltage_v, current_a, cell_temperature_c : array_like, broadcastable
            [V, A, degC]

        Returns
        -------
        irradiance_w_m2 : ndarray
            Infinite where no light is enough. [W/m2]
        """
        v, i, t = np.broadcast_arrays(*(np.asarray(x, dtype=np.float64) for x in (voltage_v, current_a,
                                                                                 cell_temperature_c)))
        module_v, module_i = self.junction(v, i, t)
        light, saturation, series, shunt, ideality = translate(self.module, 1000.0, t)
        diode = module_v + module_i * series
        with np.errstate(over="ignore"):
            dark = module_i + saturation * np.expm1(diode / ideality)
        per_irradiance = (light - diode / shunt) / 1000.0
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(per_irradiance > 0, dark / per_irradiance, np.inf)

    def maximum_power(self, irradiance_w_m2: Floats, cell_temperature_c: Floats) -> tuple[Floats, Floats]:
        """
        Maximum power point at the drive's terminals.

        Parameters
        ----------
        irradiance_w_m2, cell_temperature_c : ndarray, same shape
            Effective irradiance above zero. [W/m2, degC]

        Returns
        -------
        voltage_v, power_w : ndarray
            [V, W]
        """
        stretch = voltage_stretch(self.module, cell_temperature_c)
        light, saturation, series, shunt, ideality = translate(self.module, irradiance_w_m2, cell_temperature_c)
        wiring = self.wiring_ohm * self.in_parallel / (self.in_series * stretch)
        point = pvsystem.max_power_point(light, saturation, series + wiring, shunt, ideality, method="newton")
        scale_v, scale_i = self.in_series * stretch, self.in_parallel
        return (np.asarray(point["v_mp"], dtype=np.float64) * scale_v,
                np.asarray(point["p_mp"], dtype=np.float64) * scale_v * scale_i)

    def current_at(self, voltage_v: Floats, irradiance_w_m2: Floats, cell_temperature_c: Floats) -> Floats:
        """
        Current at a terminal voltage.

        Parameters
        ----------
        voltage_v, irradiance_w_m2, cell_temperature_c : ndarray, same shape
            [V, W/m2, degC]

        Returns
        -------
        current_a : ndarray
            Zero above open circuit. [A]
        """
        stretch = voltage_stretch(self.module, cell_temperature_c)
        light, saturation, series, shunt, ideality = translate(self.module, irradiance_w_m2, cell_temperature_c)
        total = series + self.wiring_ohm * self.in_parallel / (self.in_series * stretch)
        voltage = voltage_v / (self.in_series * stretch)
        current = np.array(light, dtype=np.float64)
        for _ in range(60):     # Newton from above on a falling concave curve never overshoots
            diode = np.minimum(voltage + current * total, 60.0 * ideality)
            grow = saturation * np.exp(diode / ideality)
            residual = light - grow + saturation - diode / shunt - current
            step = residual / (1.0 + total * (grow / ideality + 1.0 / shunt))
            current = current + step
            if np.max(np.abs(step)) < 1e-9:
                break
        return np.maximum(current, 0.0) * self.in_parallel

    def open_circuit_voltage(self, irradiance_w_m2: Floats, cell_temperature_c: Floats) -> Floats:
        """
        Open-circuit voltage by a few Newton steps on the shunted junction.

        Parameters
        ----------
        irradiance_w_m2, cell_temperature_c : ndarray, same shape
            [W/m2, degC]

        Returns
        -------
        voltage_v : ndarray
            [V]
        """
        light, saturation, _, shunt, ideality = translate(self.module, irradiance_w_m2, cell_temperature_c)
        voltage = ideality * np.log1p(light / saturation)
        for _ in range(20):
            grow = saturation * np.exp(np.minimum(voltage / ideality, 60.0))
            voltage = voltage - (grow - saturation + voltage / shunt - light) / (grow / ideality + 1.0 / shunt)
        return np.asarray(voltage * self.in_series * voltage_stretch(self.module, cell_temperature_c),
                          dtype=np.float64)


def array_curve(array: Array, health: Health) -> ArrayCurve:
    """
    Curve of a described array in a given state of health.

    Parameters
    ----------
    array : Array
        As described.
    health : Health
        Strings, substrings and wiring are taken from it.

    Returns
    -------
    curve : ArrayCurve
    """
    cable = cable_resistance_ohm(array.cable_length_m, array.cable_cross_section_mm2,
                                 conductor_temperature_c=_CABLE_TEMPERATURE_C)
    return ArrayCurve(diode_parameters(array.module), max(array.modules_in_series * health.voltage_ratio, 1e-3),
                      max(array.strings_in_parallel * health.strings_ratio, 1e-6),
                      cable + health.extra_series_resistance_ohm)


def root_irradiance(irradiance_w_m2: ArrayLike) -> Floats:
    """
    Coordinate of the irradiance axis of the array's tables.

    Parameters
    ----------
    irradiance_w_m2 : array_like
        Negative counts as dark. [W/m2]

    Returns
    -------
    root : ndarray
        Square root. [(W/m2)^0.5]
    """
    return np.sqrt(np.maximum(np.asarray(irradiance_w_m2, dtype=np.float64), 0.0))


def array_axes() -> tuple[Floats, Floats]:
    """
    Knots of the array's tables.

    Returns
    -------
    irradiance_w_m2, cell_temperature_c : ndarray
        [W/m2, degC]
    """
    root = np.linspace(0.0, np.sqrt(_IRRADIANCE_MAX_W_M2), _IRRADIANCE_KNOTS)
    return root**2, np.linspace(_TEMPERATURE_FIRST_C, _TEMPERATURE_LAST_C, _TEMPERATURE_KNOTS)


@dataclass(frozen=True)
class ArrayTable:
    """Maximum power, its voltage, open circuit, and what a held voltage gives, over light and cell temperature."""

    grid: GridTable
    back_off: Floats            # share of the way from Vmp to Voc against power ratio, knots even in sqrt(1 - ratio)

    @classmethod
    def build(cls, curve: ArrayCurve, held_voltage_v: float | None = None) -> "ArrayTable":
        """
        Fill the tables.

        Parameters
        ----------
        curve : ArrayCurve
        held_voltage_v : float, optional
            Terminal voltage a booster holds. [V]

        Returns
        -------
        table : ArrayTable
        """
        light, temperature = array_axes()
        g, t = (x.ravel() for x in np.meshgrid(np.maximum(light, 1e-3), temperature, indexing="ij"))
        shape = (light.size, temperature.size)
        voltage, power = curve.maximum_power(g, t)
        open_v = curve.open_circuit_voltage(g, t)
        columns = {"voltage_mp_v": voltage, "power_mp_w": power, "voltage_oc_v": open_v}
        if held_voltage_v is not None:
            for name, share in (("power_held_w", 0.0), ("power_held_above_w", HELD_VOLTAGE_UNCERTAINTY),
                                ("power_held_below_w", -HELD_VOLTAGE_UNCERTAINTY)):
                volts = held_voltage_v * (1.0 + share)
                columns[name] = volts * curve.current_at(np.full_like(g, volts), g, t)
        # Powers are kept per W/m2: what remains is nearly flat, so a straight line between knots is enough.
        columns = {name: value / g if name.startswith("power") else value for name, value in columns.items()}
        grid = GridTable(float(np.sqrt(light[0])), float(np.sqrt(light[-1])), float(temperature[0]),
                         float(temperature[-1]), {name: value.reshape(shape) for name, value in columns.items()})
        return cls(grid, cls._back_off_shape(curve))

    @staticmethod
    def _back_off_shape(curve: ArrayCurve) -> Floats:
        light, temperature = np.array([600.0]), np.array([45.0])
        vmp, pmp = curve.maximum_power(light, temperature)
        voc = curve.open_circuit_voltage(light, temperature)
        share = np.linspace(0.0, 1.0, 81)
        volts = vmp + share * (voc - vmp)
        watts = volts * curve.current_at(volts, np.full_like(volts, 600.0), np.full_like(volts, 45.0))
        missing = np.sqrt(np.clip(1.0 - watts / pmp, 0.0, 1.0))
        missing[0], missing[-1] = 0.0, 1.0
        return np.interp(np.linspace(0.0, 1.0, _BACK_OFF_KNOTS), np.maximum.accumulate(missing), share)

    def read(self, irradiance_w_m2: ArrayLike, cell_temperature_c: ArrayLike, *names: str) -> list[Floats]:
        """
        Read columns at the light and temperature of every row; powers come in watts.

        Parameters
        ----------
        irradiance_w_m2, cell_temperature_c : array_like, shape (n,)
            [W/m2, degC]
        names : str
            Of `power_mp_w`, `voltage_mp_v`, `voltage_oc_v`, `power_held_w` (and `_above_w`, `_below_w`). [1]

        Returns
        -------
        values : list of ndarray, shape (n,)
            [W or V]
        """
        light = np.maximum(np.asarray(irradiance_w_m2, dtype=np.float64), 0.0)
        read = self.grid.read(np.sqrt(light), cell_temperature_c, *names)
        return [value * light if name.startswith("power") else value for name, value in zip(names, read, strict=True)]

    def voltage_when_backed_off(self, power_ratio: ArrayLike, voltage_mp_v: Floats, voltage_oc_v: Floats) -> Floats:
        """
        Voltage of an array from which less than its maximum power is taken, on the side of open circuit.

        Parameters
        ----------
        power_ratio : array_like, shape (n,)
            Power taken over maximum power. [1]
        voltage_mp_v, voltage_oc_v : ndarray, shape (n,)
            [V]

        Returns
        -------
        voltage_v : ndarray, shape (n,)
            [V]
        """
        way = np.sqrt(np.clip(1.0 - np.asarray(power_ratio, dtype=np.float64), 0.0, 1.0))
        share = np.interp(way, np.linspace(0.0, 1.0, _BACK_OFF_KNOTS), self.back_off)
        return voltage_mp_v + share * (voltage_oc_v - voltage_mp_v)
