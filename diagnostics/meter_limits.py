"""How far a water meter of a printed class may be off: the bound below which no shortfall can be proved by it."""

from dataclasses import dataclass
from typing import Literal, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

# ISO 4064-1:2014 / OIML R 49-1:2013: (lower zone, upper zone to 30 degC, upper zone above 30 degC) in percent.
_LIMITS_PCT: dict[int, tuple[float, float, float]] = {1: (3.0, 1.0, 2.0), 2: (5.0, 2.0, 3.0)}


@dataclass(frozen=True, slots=True)
class MeterRange:
    """The four flows printed on a meter: minimum, transitional, permanent, overload. [m3/s]"""

    minimum_m3_s: float
    transitional_m3_s: float
    permanent_m3_s: float
    overload_m3_s: float

    @classmethod
    def from_label(cls, permanent_m3_s: float, ratio: float) -> Self:
        """Work out all four from Q3 and R: Q1 = Q3 / R, Q2 = 1.6 Q1, Q4 = 1.25 Q3 (ISO 4064-1:2014)."""
        if permanent_m3_s <= 0 or ratio < 10:
            raise ValueError(f"Q3 {permanent_m3_s:g} m3/s with R{ratio:g} is not a meter label: Q3 is above zero and R "
                             "is 10 or more. Check whether Q3 was taken from the line of R.")
        minimum = permanent_m3_s / ratio
        return cls(minimum, 1.6 * minimum, permanent_m3_s, 1.25 * permanent_m3_s)


def maximum_permissible_error_pct(flow_m3_s: ArrayLike, meter: MeterRange, *, accuracy_class: Literal[1, 2] = 2,
                                  water_temperature_c: float = 20.0) -> NDArray[np.float64]:
    """
    Initial maximum permissible error of a water meter, percent of the true volume [1]_.

    Parameters
    ----------
    flow_m3_s : array_like, any shape
        True flow. [m3/s]
    meter : MeterRange
        The flows of its label.
    accuracy_class : {1, 2}, default 2
        As printed. [1]
    water_temperature_c : float, default 20
        [degC]

    Returns
    -------
    limit_pct : ndarray of float64, shape of `flow_m3_s`
        NaN below Q1 and above Q4, where the class promises nothing. [%]

    References
    ----------
    .. [1] ISO 4064-1:2014 / OIML R 49-1:2013.

    Examples
    --------
    >>> label = MeterRange.from_label(2.5 / 3600, 100)
    >>> maximum_permissible_error_pct([0.03 / 3600, 1.0 / 3600], label).tolist()
    [5.0, 2.0]
    """
    flow = np.asarray(flow_m3_s, dtype=np.float64)
    lower, cool, warm = _LIMITS_PCT[accuracy_class]
    upper = cool if water_temperature_c <= 30.0 else warm
    inside = (flow >= meter.minimum_m3_s) & (flow <= meter.overload_m3_s)
    return np.where(inside, np.where(flow < meter.transitional_m3_s, lower, upper), np.nan)
