"""Single-diode parameters of a module from nothing but its nameplate (De Soto 2006), and its translation to weather."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pvlib import pvsystem

from diagnostics.site import Module

_BAND_GAP_EV = 1.121
_BAND_GAP_PER_K = -0.0002677
# Thermal voltage of one junction at 25 degC. [V]
_THERMAL_VOLTAGE_V = 1.380649e-23 * 298.15 / 1.602176634e-19
_IDEALITY = np.linspace(0.6, 2.2, 161)
_AMORPHOUS_IDEALITY = np.linspace(1.0, 4.0, 301)


@dataclass(frozen=True, slots=True)
class DiodeParameters:
    """The five parameters at 1000 W/m2 and 25 degC, with what carries them to other weather."""

    photocurrent_a: float
    saturation_current_a: float
    series_resistance_ohm: float
    shunt_resistance_ohm: float
    modified_ideality_v: float
    isc_per_k_a: float
    voltage_slope_per_k: float      # stretches all voltages so that the printed power coefficient holds
    fitted_exactly: bool


def _close_equations(a: NDArray[np.float64], rs: NDArray[np.float64],
                     module: Module) -> tuple[NDArray[np.float64], ...]:
    """Solve the three equations that are linear in IL, I0 and shunt conductance; give them and the slope residual."""
    at_sc, at_oc = module.isc_a * rs / a, module.voc_v / a
    diode_voltage = module.vmp_v + module.imp_a * rs
    at_mp = diode_voltage / a
    scale = np.exp(-at_oc)
    e_sc, e_oc, e_mp = np.expm1(at_sc) * scale, -np.expm1(-at_oc), np.exp(at_mp - at_oc) - scale
    # Isc = IL - i0 e_sc - G Isc rs ; 0 = IL - i0 e_oc - G Voc ; Imp = IL - i0 e_mp - G (Vmp + Imp rs)
    a11, a12, b1 = e_oc - e_sc, module.voc_v - module.isc_a * rs, module.isc_a
    a21, a22, b2 = e_oc - e_mp, module.voc_v - diode_voltage, module.imp_a
    determinant = a11 * a22 - a12 * a21
    i0 = (b1 * a22 - a12 * b2) / determinant
    shunt_g = (a11 * b2 - b1 * a21) / determinant
    light = i0 * e_oc + shunt_g * module.voc_v
    conductance = i0 * np.exp(at_mp - at_oc) / a + shunt_g
    slope = module.imp_a - module.vmp_v * conductance / (1.0 + rs * conductance)
    return light, i0 * scale, shunt_g, slope


def _voc_mismatch(a: NDArray[np.float64], light: NDArray[np.float64], i0: NDArray[np.float64],
                  shunt_g: NDArray[np.float64], module: Module, warmer_k: float = 10.0) -> NDArray[np.float64]:
    """Residual of the single-diode equation at the open-circuit voltage the label promises some kelvin warmer."""
    ratio = (298.15 + warmer_k) / 298.15
    gap = _BAND_GAP_EV * (1.0 + _BAND_GAP_PER_K * warmer_k)
    boltzmann_ev = 8.617333262e-5
    i0_warm = i0 * ratio**3 * np.exp(_BAND_GAP_EV / (boltzmann_ev * 298.15) - gap / (boltzmann_ev * 298.15 * ratio))
    voc = module.voc_v * (1.0 + module.temperature_coefficient_voc_per_k * warmer_k)
    light_warm = light + module.temperature_coefficient_isc_per_k * module.isc_a * warmer_k
    return np.asarray(light_warm - i0_warm * np.expm1(voc / (a * ratio)) - shunt_g * voc, dtype=np.float64)


def _solve_series_resistance(a: NDArray[np.float64], module: Module) -> NDArray[np.float64]:
    """Bisect, for every ideality at once, the series resistance that makes the label point the maximum power point."""
    low = np.zeros_like(a)
    high = np.full_like(a, 0.999 * (module.voc_v - module.vmp_v) / module.imp_a)
    low_sign = np.sign(_close_equations(a, low, module)[3])
    high_sign = np.sign(_close_equations(a, high, module)[3])
    for _ in range(50):
        middle = 0.5 * (low + high)
        same = np.sign(_close_equations(a, middle, module)[3]) == low_sign
        low, high = np.where(same, middle, low), np.where(same, high, middle)
    return np.where(low_sign == high_sign, np.nan, 0.5 * (low + high))


@lru_cache(maxsize=256)
def _fit(label: str) -> DiodeParameters:
    module = Module.model_validate_json(label)
    ideality = _AMORPHOUS_IDEALITY if module.technology == "amorphous" else _IDEALITY
    a = ideality * _THERMAL_VOLTAGE_V * module.cells_in_series
    with np.errstate(all="ignore"):
        rs = _solve_series_resistance(a, module)
        light, i0, shunt_g, _ = _close_equations(a, rs, module)
        usable = np.isfinite(rs) & (i0 > 0) & (shunt_g >= 1e-7) & (light > 0)
        mismatch = _voc_mismatch(a, light, i0, shunt_g, module)
    if not usable.any():
        return _textbook_parameters(module)
    kept = np.flatnonzero(usable)
    crossing = kept[:-1][(np.diff(kept) == 1) & (np.sign(mismatch[kept[:-1]]) != np.sign(mismatch[kept[1:]]))]
    if crossing.size:
        i = int(crossing[0])
        share = mismatch[i] / (mismatch[i] - mismatch[i + 1])
        best_a = a[i] + share * (a[i + 1] - a[i])
    else:
        best_a = a[kept[np.argmin(np.abs(mismatch[kept]))]]
    one_a = np.array([best_a])
    one_rs = _solve_series_resistance(one_a, module)
    light, i0, shunt_g, _ = _close_equations(one_a, one_rs, module)
    return _with_power_coefficient(module, float(light[0]), float(i0[0]), float(one_rs[0]),
                                   1.0 / max(float(shunt_g[0]), 1e-7), float(best_a), bool(crossing.size))


def _textbook_parameters(module: Module) -> DiodeParameters:
    """Plain estimate where the label's numbers cannot be met together: voltages and currents kept, knee approximate."""
    a = 1.1 * _THERMAL_VOLTAGE_V * module.cells_in_series
    shunt = 50.0 * module.voc_v / module.isc_a
    i0 = (module.isc_a - module.voc_v / shunt) / np.expm1(module.voc_v / a)
    drop = a * np.log1p((module.isc_a - module.imp_a) / i0) - module.vmp_v
    return _with_power_coefficient(module, module.isc_a, float(i0), max(0.0, float(drop) / module.imp_a), shunt, a,
                                   fitted_exactly=False)


def _with_power_coefficient(module: Module, light: float, i0: float, rs: float, shunt: float, a: float,
                            fitted_exactly: bool) -> DiodeParameters:
    plain = DiodeParameters(light, i0, rs, shunt, a, module.temperature_coefficient_isc_per_k * module.isc_a, 0.0,
                            fitted_exactly)
    power = [float(pvsystem.max_power_point(*translate(plain, 1000.0, t), method="newton")["p_mp"]) for t in (25., 65.)]
    promised = 1.0 + module.temperature_coefficient_power_per_k * 40.0
    slope = (promised / (power[1] / power[0]) - 1.0) / 40.0
    return DiodeParameters(light, i0, rs, shunt, a, plain.isc_per_k_a, float(np.clip(slope, -2e-3, 2e-3)),
                           fitted_exactly)


def diode_parameters(module: Module) -> DiodeParameters:
    """
    Five De Soto parameters of a module from its label.

    Short circuit, open circuit, maximum power point, zero power slope there and the open-circuit temperature
    coefficient are met together: for each ideality the equations are linear in three of the five parameters, the
    series resistance is bisected and the ideality chosen by the temperature coefficient. Where a label contradicts
    itself the nearest ideality, or in the worst case a textbook one, is taken (`fitted_exactly` is False).

    Parameters
    ----------
    module : Module
        Label values at 1000 W/m2 and 25 degC.

    Returns
    -------
    parameters : DiodeParameters
        Of one module.

    References
    ----------
    De Soto, Klein and Beckman (2006), Solar Energy 80(1). The printed power coefficient is kept as well, by a small
    linear stretch of the voltage with temperature, in the spirit of Dobos (2012), J. Solar Energy Eng. 134(2).
    """
    return _fit(module.replaced(key="").model_dump_json())


def translate(parameters: DiodeParameters, effective_irradiance_w_m2: ArrayLike,
              cell_temperature_c: ArrayLike) -> tuple[NDArray[np.float64], ...]:
    """
    Carry the parameters to other light and temperature.

    Parameters
    ----------
    parameters : DiodeParameters
        At reference conditions.
    effective_irradiance_w_m2 : array_like, shape (n,)
        Above zero. [W/m2]
    cell_temperature_c : array_like, shape (n,)
        [degC]

    Returns
    -------
    light, saturation, series, shunt, ideality : ndarray of float64, shape (n,)
        Arguments of the single-diode equation in pvlib's order. [A, A, ohm, ohm, V]
    """
    given = pvsystem.calcparams_desoto(
        np.asarray(effective_irradiance_w_m2, dtype=np.float64), np.asarray(cell_temperature_c, dtype=np.float64),
        parameters.isc_per_k_a, parameters.modified_ideality_v, parameters.photocurrent_a,
        parameters.saturation_current_a, parameters.shunt_resistance_ohm, parameters.series_resistance_ohm)
    light, saturation, series, shunt, ideality = np.broadcast_arrays(
        *(np.asarray(each, dtype=np.float64) for each in given))
    return light, saturation, series, shunt, ideality


def voltage_stretch(parameters: DiodeParameters, cell_temperature_c: ArrayLike) -> NDArray[np.float64]:
    """
    Factor on every voltage of the module that keeps the printed power temperature coefficient.

    Parameters
    ----------
    parameters : DiodeParameters
        With its slope.
    cell_temperature_c : array_like, shape (n,)
        [degC]

    Returns
    -------
    stretch : ndarray of float64, shape (n,)
        1 at 25 degC. [1]
    """
    return 1.0 + parameters.voltage_slope_per_k * (np.asarray(cell_temperature_c, dtype=np.float64) - 25.0)
