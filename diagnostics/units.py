"""
The one dictionary of units: the ending of a name says the unit, pint does the arithmetic.

Everything inside the program is held in the canonical unit that ends its name (`_m`, `_m3_s`, `_w_m2`, `_c`, ...).
People write what their sheets print (`static_water_level_ft`, `flow_gpm_us`); the same quantity in another unit is
brought to the canonical one here and nowhere else.
"""

from functools import lru_cache

import numpy as np
import pint
from numpy.typing import ArrayLike, NDArray

# Ending of a name -> pint expression. Only endings listed here are understood.
UNIT_OF_SUFFIX: dict[str, str] = {
    # length
    "m": "meter", "cm": "centimeter", "mm": "millimeter", "km": "kilometer", "ft": "foot", "in": "inch",
    # area
    "m2": "meter**2", "mm2": "millimeter**2", "cm2": "centimeter**2", "in2": "inch**2",
    "ft2": "foot**2", "ha": "hectare", "acre": "acre_of_land",
    # volume
    "m3": "meter**3", "l": "liter", "gal_us": "gallon", "gal_imp": "imperial_gallon", "ml": "milliliter",
    "cm3": "centimeter**3", "in3": "inch**3", "ft3": "foot**3", "acre_ft": "acre_of_land*foot",
    # flow
    "m3_s": "meter**3/second", "m3_min": "meter**3/minute", "m3_h": "meter**3/hour", "m3_day": "meter**3/day",
    "l_s": "liter/second", "l_min": "liter/minute", "l_h": "liter/hour", "l_day": "liter/day",
    "gpm_us": "gallon/minute",
    "gpm_imp": "imperial_gallon/minute", "gph_us": "gallon/hour", "gal_us_day": "gallon/day",
    "ft3_s": "foot**3/second",
    # displacement
    "m3_rev": "meter**3/turn", "ml_rev": "milliliter/turn", "cm3_rev": "centimeter**3/turn",
    "l_rev": "liter/turn", "in3_rev": "inch**3/turn", "gal_us_rev": "gallon/turn",
    # pressure
    "pa": "pascal", "kpa": "kilopascal", "bar": "bar", "mbar": "millibar", "hpa": "hectopascal", "psi": "psi",
    "atm": "atmosphere", "m_h2o": "meter_water", "cm_h2o": "centimeter_water", "ft_h2o": "foot_water",
    "kg_cm2": "kilogram_force/centimeter**2",
    # power, energy
    "w": "watt", "kw": "kilowatt", "hp": "horsepower", "hp_metric": "metric_horsepower",
    "wh": "watt_hour", "kwh": "kilowatt_hour", "j": "joule", "mj": "megajoule",
    "ah": "ampere_hour", "c_charge": "coulomb",
    # electric
    "v": "volt", "mv": "millivolt", "kv": "kilovolt", "a": "ampere", "ma": "milliampere", "ohm": "ohm",
    "mohm": "milliohm",
    # sun and weather
    "w_m2": "watt/meter**2", "kw_m2": "kilowatt/meter**2", "kwh_m2": "kilowatt_hour/meter**2",
    "j_m2": "joule/meter**2", "mj_m2": "megajoule/meter**2", "m_s": "meter/second", "km_h": "kilometer/hour",
    "mph": "mile/hour", "knot": "knot", "mm_rain": "millimeter", "in_rain": "inch",
    # temperature
    "c": "degree_Celsius", "f": "degree_Fahrenheit", "k": "kelvin",
    # angle, rotation, frequency, time
    "deg": "degree", "rad": "radian", "rpm": "turn/minute", "hz": "hertz", "s": "second", "min": "minute",
    "h": "hour", "days": "day",
    # torque, torque constant
    "n_m": "newton*meter", "lbf_ft": "pound_force*foot", "oz_in": "ounce_force*inch",
    "n_m_a": "newton*meter/ampere", "oz_in_a": "ounce_force*inch/ampere",
    # plain numbers and slopes
    "ratio": "dimensionless", "pct": "percent", "per_k": "1/kelvin", "pct_per_k": "percent/kelvin",
    "per_c": "1/kelvin", "pct_per_c": "percent/kelvin",
    "ppm_per_k": "ppm/kelvin", "pct_per_year": "percent/year", "per_year": "1/year",
    # well losses
    "s_m2": "second/meter**2", "h_m2": "hour/meter**2", "min_m2": "minute/meter**2", "day_m2": "day/meter**2",
    "m_per_l_s": "meter*second/liter", "ft_per_gpm_us": "foot*minute/gallon",
    "s2_m5": "second**2/meter**5", "h2_m5": "hour**2/meter**5", "m2_s": "meter**2/second", "m2_day": "meter**2/day",
    "m_per_l_s2": "meter*second**2/liter**2",
    "m3_s_per_m": "meter**2/second", "l_min_per_m": "liter/minute/meter", "gpm_us_per_ft": "gallon/minute/foot",
    "m3_h_per_m": "meter**2/hour",
    # heat loss of a module
    "w_m2_k": "watt/meter**2/kelvin", "w_s_m3_k": "watt*second/meter**3/kelvin",
    # density
    "kg_m3": "kilogram/meter**3",
}

# Quantities that share a dimension and are still different things. A turn is 2 pi and a hertz 1/s to a unit registry,
# so 50 Hz would pass for 477 rpm, a slope in percent for an angle, a volume for a displacement per turn.
_KIND_OF_SUFFIX: dict[str, str] = {
    "deg": "angle", "rad": "angle", "ratio": "share", "pct": "share", "rpm": "rotation", "hz": "frequency",
    "per_year": "yearly", "pct_per_year": "yearly", "n_m": "torque", "lbf_ft": "torque", "oz_in": "torque",
    "mm_rain": "rain", "in_rain": "rain", "m3_rev": "displacement", "ml_rev": "displacement",
    "cm3_rev": "displacement", "l_rev": "displacement", "in3_rev": "displacement", "gal_us_rev": "displacement",
}


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[float]:
    registry: pint.UnitRegistry[float] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True, cache_folder=None)
    # Water columns at 4 degC (1000 kg/m3) and standard gravity, the convention of pressure gauges marked in head.
    registry.define("meter_water = 9806.65 pascal")
    registry.define("foot_water = 0.3048 * 9806.65 pascal")
    # Acre of the international foot; the registry's own is that of the survey foot.
    registry.define("acre_of_land = 43560 * foot**2")
    return registry


@lru_cache(maxsize=4096)
def _scale_and_offset(from_suffix: str, to_suffix: str) -> tuple[float, float]:
    registry = _registry()
    unit_from, unit_to = UNIT_OF_SUFFIX[from_suffix], UNIT_OF_SUFFIX[to_suffix]
    zero = float(registry.Quantity(0.0, unit_from).to(unit_to).magnitude)
    one = float(registry.Quantity(1.0, unit_from).to(unit_to).magnitude)
    return one - zero, zero


def split_unit(name: str) -> tuple[str, str] | None:
    """
    Split a name into its stem and its unit ending, the longest known ending first.

    Parameters
    ----------
    name : str
        For instance ``static_water_level_ft``.

    Returns
    -------
    stem_and_suffix : tuple of str, or None
        ``("static_water_level", "ft")``; None where no known unit ends the name.
    """
    parts = name.split("_")
    for start in range(1, len(parts)):
        suffix = "_".join(parts[start:])
        if suffix in UNIT_OF_SUFFIX:
            return "_".join(parts[:start]), suffix
    return None


@lru_cache(maxsize=8192)
def same_dimension(one: str, other: str) -> bool:
    """
    Tell whether two unit endings measure the same kind of quantity.

    Parameters
    ----------
    one, other : str
        Endings listed in `UNIT_OF_SUFFIX`. [1]

    Returns
    -------
    same : bool
        True where the one can be converted to the other.
    """
    if _KIND_OF_SUFFIX.get(one) != _KIND_OF_SUFFIX.get(other):
        return False
    registry = _registry()
    return bool(registry.Unit(UNIT_OF_SUFFIX[one]).is_compatible_with(UNIT_OF_SUFFIX[other]))


def convert(values: ArrayLike, from_suffix: str, to_suffix: str) -> NDArray[np.float64]:
    """
    Convert numbers from one unit ending to another.

    Parameters
    ----------
    values : array_like, any shape
        Numbers in the unit of `from_suffix`; NaN stays NaN.
    from_suffix, to_suffix : str
        Endings listed in `UNIT_OF_SUFFIX`.

    Returns
    -------
    converted : ndarray of float64, shape of `values`

    Raises
    ------
    ValueError
        If an ending is unknown or the two do not measure the same kind of quantity.

    Examples
    --------
    >>> float(convert(100.0, "ft", "m").round(4))
    30.48
    >>> float(convert(68.0, "f", "c").round(6))
    20.0
    """
    for suffix in (from_suffix, to_suffix):
        if suffix not in UNIT_OF_SUFFIX:
            raise ValueError(f"unit '{suffix}' is not known; known units: {', '.join(sorted(UNIT_OF_SUFFIX))}.")
    if from_suffix == to_suffix:
        return np.asarray(values, dtype=np.float64)
    if not same_dimension(from_suffix, to_suffix):
        raise ValueError(f"'{from_suffix}' cannot be converted to '{to_suffix}': they measure different things.")
    scale, offset = _scale_and_offset(from_suffix, to_suffix)
    return np.asarray(values, dtype=np.float64) * scale + offset
