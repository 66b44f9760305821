"""Properties of water and air that pumping needs."""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pvlib import atmosphere

STANDARD_GRAVITY_M_S2 = 9.80665


def density_kg_m3(temperature_c: ArrayLike) -> NDArray[np.float64]:
    """
    Density of clean water at one atmosphere.

    Parameters
    ----------
    temperature_c : array_like
        0 to 100. [degC]

    Returns
    -------
    density : ndarray
        [kg/m3]

    References
    ----------
    G. S. Kell (1975), J. Chem. Eng. Data 20(1), eq. 16.
    """
    t = np.asarray(temperature_c, dtype=np.float64)
    top = (999.83952 + 16.945176 * t - 7.9870401e-3 * t**2 - 46.170461e-6 * t**3 + 105.56302e-9 * t**4
           - 280.54253e-12 * t**5)
    return np.asarray(top / (1.0 + 16.879850e-3 * t), dtype=np.float64)


def viscosity_pa_s(temperature_c: ArrayLike) -> NDArray[np.float64]:
    """
    Dynamic viscosity of water, Vogel form, within 2.5 % from 0 to 100 degC.

    Parameters
    ----------
    temperature_c : array_like
        [degC]

    Returns
    -------
    viscosity : ndarray
        [Pa s]
    """
    kelvin = np.asarray(temperature_c, dtype=np.float64) + 273.15
    return np.asarray(2.414e-5 * 10.0 ** (247.8 / (kelvin - 140.0)), dtype=np.float64)


def vapour_pressure_pa(temperature_c: ArrayLike) -> NDArray[np.float64]:
    """
    Saturation pressure of water.

    Parameters
    ----------
    temperature_c : array_like
        0 to 100. [degC]

    Returns
    -------
    pressure : ndarray
        [Pa]

    References
    ----------
    W. Wagner and A. Pruss (1993), J. Phys. Chem. Ref. Data 22(3), eq. 1.
    """
    kelvin = np.asarray(temperature_c, dtype=np.float64) + 273.15
    tau = 1.0 - kelvin / 647.096
    series = (-7.85951783 * tau + 1.84408259 * tau**1.5 - 11.7866497 * tau**3 + 22.6807411 * tau**3.5
              - 15.9618719 * tau**4 + 1.80122502 * tau**7.5)
    return np.asarray(22.064e6 * np.exp(647.096 / kelvin * series), dtype=np.float64)


def atmospheric_pressure_pa(altitude_m: ArrayLike) -> NDArray[np.float64]:
    """
    Standard-atmosphere pressure (through pvlib).

    Parameters
    ----------
    altitude_m : array_like
        Above sea level. [m]

    Returns
    -------
    pressure : ndarray
        [Pa]
    """
    return np.asarray(atmosphere.alt2pres(np.asarray(altitude_m, dtype=np.float64)), dtype=np.float64)


def head_m(pressure_pa: ArrayLike, temperature_c: float = 20.0) -> NDArray[np.float64]:
    """
    Height of a water column.

    Parameters
    ----------
    pressure_pa : array_like
        [Pa]
    temperature_c : float, default 20
        Of the water. [degC]

    Returns
    -------
    head : ndarray
        [m]
    """
    weight = density_kg_m3(temperature_c) * STANDARD_GRAVITY_M_S2
    return np.asarray(np.asarray(pressure_pa, dtype=np.float64) / weight, dtype=np.float64)


def hydraulic_power_w(flow_m3_s: ArrayLike, head_m: ArrayLike, *, density_kg_m3: float = 998.2) -> NDArray[np.float64]:
    """
    Power given to the water, P = rho g Q H.

    Parameters
    ----------
    flow_m3_s, head_m : array_like, broadcastable
        [m3/s, m]
    density_kg_m3 : float, default 998.2
        [kg/m3]

    Returns
    -------
    power_w : ndarray
        [W]
    """
    flow, head = np.asarray(flow_m3_s, dtype=np.float64), np.asarray(head_m, dtype=np.float64)
    return np.asarray(density_kg_m3 * STANDARD_GRAVITY_M_S2 * flow * head, dtype=np.float64)


def suction_head_available_m(lift_m: ArrayLike, friction_m: ArrayLike, *, altitude_m: float,
                             water_temperature_c: float, surface_pressure_pa: float = 0.0) -> NDArray[np.float64]:
    """
    Net positive suction head available at a pump.

    Parameters
    ----------
    lift_m : array_like
        Pump axis above the water surface; negative where the suction is flooded. [m]
    friction_m : array_like
        Head lost in suction pipe and strainer. [m]
    altitude_m : float
        Of the site. [m]
    water_temperature_c : float
        [degC]
    surface_pressure_pa : float, default 0
        Gauge pressure on the water surface. [Pa]

    Returns
    -------
    available_m : ndarray
        (p_atm + p_surface - p_vapour)/(rho g) - lift - friction. [m]
    """
    surface = atmospheric_pressure_pa(altitude_m) + surface_pressure_pa - vapour_pressure_pa(water_temperature_c)
    free = head_m(surface, water_temperature_c)
    return np.asarray(free - np.asarray(lift_m, dtype=np.float64) - np.asarray(friction_m, dtype=np.float64),
                      dtype=np.float64)
