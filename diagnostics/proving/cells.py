"""
The array of a proving plant: one diode with series and shunt resistance, strings that may differ, modules that warm up.

The parameters of one string are found from a (toleranced) module label; the array is then two groups of strings, sound
and weak, so that an open string, a bypassed substring or a shaded part are what they are in the field: strings in
parallel that no longer agree.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnostics.site import Array

Floats = NDArray[np.float64]
BOLTZMANN_EV_K = 8.617333e-5
REFERENCE_K = 298.15


@dataclass(frozen=True, slots=True)
class StringModel:
    """One string at 1000 W/m2 and 25 degC, and how many of them stand in parallel."""

    light_current_a: float
    saturation_a: float
    slope_v: float
    series_ohm: float
    shunt_ohm: float
    current_per_k: float
    strings: int
    cable_ohm: float
    gap_ev: float = 1.12
    spectral_slope: float = 0.0


def string_from_label(array: Array, *, rng: np.random.Generator, tolerance: float = 1.0,
                      age_years: float = 0.0) -> StringModel:
    """
    Draw a true string from a module label: power tolerance, ageing, mismatch, its own ideality and shunt.

    Parameters
    ----------
    array : Array
        As described on the sheet.
    rng : numpy.random.Generator
    tolerance : float, default 1.0
        Scales every draw; 0 gives a module that meets its label. [1]
    age_years : float, default 0.0
        [years]

    Returns
    -------
    string : StringModel
    """
    module = array.module
    n_series = array.modules_in_series
    spread = 0.30 * (module.power_tolerance_high_pct - module.power_tolerance_low_pct) / 100
    middle = 0.5 * (module.power_tolerance_high_pct + module.power_tolerance_low_pct) / 100
    power = 1.0 + tolerance * (middle * 0.5 + spread * 0.5 * float(np.clip(rng.standard_normal(), -2, 2)))
    current = power ** 0.7 * (1 - array.mismatch_loss_pct / 100 * (1 + 0.3 * tolerance * rng.standard_normal()))
    ageing = array.ageing_pct_per_year / 100 * max(0.2, 1 + 0.3 * tolerance * float(rng.standard_normal()))
    current *= (1 - ageing) ** age_years
    voltage = power ** 0.3
    isc, imp = module.isc_a * current, module.imp_a * current
    voc, vmp = module.voc_v * n_series * voltage, module.vmp_v * n_series * voltage
    thermal_v = BOLTZMANN_EV_K * REFERENCE_K * module.cells_in_series * n_series
    shunt = voc / isc * float(np.exp(np.log(90.0) + 0.5 * tolerance * rng.standard_normal()))
    ideality = 1.05 + 0.12 * tolerance * float(rng.random())
    series = -1.0
    saturation = 1e-9
    for _ in range(40):
        slope = ideality * thermal_v
        saturation = (isc - voc / shunt) / np.expm1(voc / slope)
        series = vmp / imp * 0.02
        for _ in range(30):
            inner = (isc * (1 + series / shunt) - imp - (vmp + imp * series) / shunt) / saturation + 1.0
            series = max(-1.0, 0.5 * series + 0.5 * (slope * np.log(max(inner, 1e-3)) - vmp) / imp)
        if series > 0.002 * vmp / imp:
            break
        ideality -= 0.02
    cable = 0.0178 * 2 * array.cable_length_m / array.cable_cross_section_mm2
    gap = {"cdte": 1.48, "cis": 1.15, "amorphous": 1.7}.get(module.technology, 1.12)
    return StringModel(light_current_a=float(isc * (1 + series / shunt)), saturation_a=float(saturation),
                       slope_v=float(slope), series_ohm=float(max(series, 0.0)), shunt_ohm=float(shunt),
                       current_per_k=module.temperature_coefficient_isc_per_k, strings=array.strings_in_parallel,
                       cable_ohm=float(cable), gap_ev=gap, spectral_slope=float(0.006 * rng.standard_normal()))


@dataclass(slots=True)
class Bank:
    """String models of many plants as arrays of shape (plants,), with what faults have done to them."""

    light_current_a: Floats
    saturation_a: Floats
    slope_v: Floats
    series_ohm: Floats
    shunt_ohm: Floats
    current_per_k: Floats
    strings: Floats
    cable_ohm: Floats
    gap_ev: Floats

    @classmethod
    def of(cls, models: list[StringModel]) -> "Bank":
        """Gather models into arrays."""
        return cls(*(np.array([getattr(m, name) for m in models], dtype=np.float64) for name in (
            "light_current_a", "saturation_a", "slope_v", "series_ohm", "shunt_ohm", "current_per_k", "strings",
            "cable_ohm", "gap_ev")))

    def at(self, light: Floats, cell_c: Floats, *, strings: Floats | float, live: Floats | float = 1.0,
           extra_ohm: Floats | float = 0.0) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """
        Diode parameters of a group of like strings in parallel.

        Parameters
        ----------
        light : ndarray, shape (..., plants)
            Effective irradiance over 1000 W/m². [1]
        cell_c : ndarray, shape (..., plants)
            [degC]
        strings : array_like
            Strings of this group. [1]
        live : array_like
            Live share of the substrings in series. [1]
        extra_ohm : array_like
            Extra resistance in the common line. [ohm]

        Returns
        -------
        light_current_a, saturation_a, slope_v, series_ohm, shunt_ohm : ndarray
        """
        kelvin = cell_c + 273.15
        warm = kelvin / REFERENCE_K
        count = np.maximum(strings, 1e-6)
        photo = self.light_current_a * light * (1 + self.current_per_k * (cell_c - 25.0)) * count
        saturation = self.saturation_a * count * warm ** 3 * np.exp(
            self.gap_ev / BOLTZMANN_EV_K * (1 / REFERENCE_K - 1 / kelvin))
        slope = self.slope_v * warm * live
        series = (self.series_ohm * live + (self.cable_ohm + extra_ohm) * self.strings) / count
        return photo, saturation, slope, series, self.shunt_ohm * live / count


Group = tuple[Floats, Floats, Floats, Floats, Floats]


def current_at(voltage_v: Floats, group: Group, *, rounds: int = 5) -> Floats:
    """
    Current of a group of strings at a terminal voltage, by Newton steps on the junction voltage.

    Parameters
    ----------
    voltage_v : ndarray
        [V]
    group : tuple of ndarray
        As from `Bank.at`.
    rounds : int, default 5

    Returns
    -------
    current_a : ndarray
        Never negative: a blocking diode stands in each string. [A]
    """
    photo, saturation, slope, series, shunt = group
    ceiling = slope * np.log1p(photo / saturation)
    junction = np.minimum(voltage_v + photo * series, ceiling)
    for _ in range(rounds):
        grown = saturation * np.exp(junction / slope)
        current = photo - grown + saturation - junction / shunt
        excess = junction - series * current - voltage_v
        junction = junction - excess / (1.0 + series * (grown / slope + 1.0 / shunt))
    current = photo - saturation * np.expm1(np.minimum(junction / slope, 60.0)) - junction / shunt
    return np.clip(current, 0.0, photo)


def maximum_power(group: Group, *, rounds: int = 5) -> tuple[Floats, Floats]:
    """
    Maximum power and its voltage of a group of like strings.

    Parameters
    ----------
    group : tuple of ndarray
        As from `Bank.at`.
    rounds : int, default 5

    Returns
    -------
    power_w, voltage_v : ndarray
        [W], [V]
    """
    photo, saturation, slope, series, shunt = group
    safe = np.maximum(photo, 1e-9)
    open_v = slope * np.log1p(safe / saturation)
    junction = np.maximum(open_v - slope * np.log1p(open_v / slope), 0.05 * open_v)
    for _ in range(rounds):
        grown = saturation * np.exp(junction / slope)
        current = safe - grown + saturation - junction / shunt
        fall = -grown / slope - 1.0 / shunt
        bend = -grown / slope ** 2
        volts = junction - current * series
        first = fall * volts + current * (1 - fall * series)
        second = bend * volts + fall * (1 - fall * series) * 2 - current * bend * series
        junction = np.clip(junction - first / np.minimum(second, -1e-12), 0.2 * open_v, open_v)
    current = safe - saturation * np.expm1(junction / slope) - junction / shunt
    volts = junction - current * series
    return np.where(photo > 1e-6, np.maximum(current * volts, 0.0), 0.0), np.maximum(volts, 0.0)


def open_circuit(group: Group, *, rounds: int = 3) -> Floats:
    """
    Open-circuit voltage of a group.

    Parameters
    ----------
    group : tuple of ndarray
        As from `Bank.at`.
    rounds : int, default 3

    Returns
    -------
    voltage_v : ndarray
        [V]
    """
    photo, saturation, slope, _, shunt = group
    volts = slope * np.log1p(photo / saturation)
    for _ in range(rounds):
        volts = slope * np.log1p(np.maximum(photo - volts / shunt, 0.0) / saturation)
    return volts


def two_group_power(sound: Group, weak: Group) -> tuple[Floats, Floats]:
    """
    Highest power of two unlike groups in parallel, by a search over voltage.

    Parameters
    ----------
    sound, weak : tuple of ndarray, shape (n,)
        As from `Bank.at`.

    Returns
    -------
    power_w, voltage_v : ndarray, shape (n,)
        [W], [V]
    """
    top = np.maximum(open_circuit(sound), open_circuit(weak))
    share = np.linspace(0.45, 1.0, 56)[:, None]
    volts = share * top
    power = volts * (current_at(volts, sound) + current_at(volts, weak))
    best = np.argmax(power, axis=0)
    columns = np.arange(top.size)
    return power[best, columns], volts[best, columns]


def cell_temperature(plane_w_m2: Floats, air_c: Floats, wind_m_s: Floats, step_s: float, *, sky_cover: Floats,
                     still_w_m2_k: float, wind_w_s_m3_k: float, lag_s: float, absorbed: float = 0.93,
                     sky_loss_w_m2: float = 75.0) -> Floats:
    """
    Cell temperature from a heat balance with heat lost to the sky and a first-order lag.

    Parameters
    ----------
    plane_w_m2, air_c, wind_m_s, sky_cover : ndarray, shape (n,)
        [W/m²], [degC], [m/s], [1]
    step_s : float
        [s]
    still_w_m2_k, wind_w_s_m3_k : float
        Heat transfer in still air and its growth with wind. [W/(m² K)], [W s/(m³ K)]
    lag_s : float
        Thermal time constant of the module. [s]
    absorbed : float, default 0.93
        Share of the light that becomes heat. [1]
    sky_loss_w_m2 : float, default 75.0
        Heat lost to a clear sky. [W/m²]

    Returns
    -------
    cell_c : ndarray, shape (n,)
        [degC]
    """
    from scipy.signal import lfilter

    to_sky_w_m2 = sky_loss_w_m2 * (1.0 - 0.75 * sky_cover)
    settled = air_c + (absorbed * plane_w_m2 - 0.4 * to_sky_w_m2) / (still_w_m2_k + wind_w_s_m3_k * wind_m_s)
    memory = np.exp(-step_s / lag_s)
    lagged, _ = lfilter([1 - memory], [1, -memory], settled, zi=[memory * settled[0]])
    return np.asarray(lagged + 1.5 * plane_w_m2 / 1000.0, dtype=np.float64)
