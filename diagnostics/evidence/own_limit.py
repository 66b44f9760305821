"""Where the drive, and not the array, sets the power: at the limit on its sheet, or at one of its own."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Vector = NDArray[np.float64]
Flags = NDArray[np.bool_]
# Array voltage over the due one from which it is held back and not merely cool.
RAISED_VOLTAGE = 1.03
# Part of the day's most power in which no limit holds: there the site shows what it usually stands at.
FREE_FROM, FREE_TO = 0.4, 0.7
# Voltage sensors and the point a tracker chooses are off by this much at most; more is a fault of its own.
MOST_USUAL_ERROR = 0.06
LEAST_FREE = 2
# Due power over the most of the record below which a day never left the verge of starting.
LEAST_LIT = 0.25
# Current over the usual one below which the drive surely did not load the array all the time.
LESS_CURRENT = 0.9
# Below so many times the power that starts the pump a drive may wait or try: start and break-away are known roughly.
NEAR_START = 2.0


def near_cap(expected: pd.DataFrame, x_power: Vector, steady: Vector) -> Flags:
    """
    Say where the sound drive is at its own limit, or was for part of an unsteady interval.

    Under moving cloud an interval whose mean lies just below the limit was above it for part of the time, and took
    less than its mean sun would give.
    """
    capped = np.asarray(expected["expected_state"].astype(str) == "capped")
    if not capped.any():
        return capped
    with np.errstate(invalid="ignore"):
        limit = float(np.nanquantile(x_power[capped], 0.05))
        return capped | (x_power > 0.97 * limit) | ((x_power > 0.75 * limit) & (steady < 0.7))


def own_limit(power: Vector, x_power: Vector, voltage: Vector, x_voltage: Vector, steady: Vector,
              group: NDArray[np.intp], groups: int) -> Flags:
    """
    Say where the drive holds the array back at a limit of its own, whatever its sheet says of one.

    There the array stands above its best voltage with less current than due, near the most that is taken that day:
    such a reading tells of the limit and nothing of the array. Dirt, shade and joints lower the power without raising
    the voltage. Raised and lowered is meant against what the site stands at in weaker sun of the same day: a drive that
    holds a wrong voltage, a sensor that is off by a few per cent, strings that are gone all show there as well and are
    no limit.

    Parameters
    ----------
    power, x_power : ndarray, shape (n,)
        Taken, and due from the sound array. [W]
    voltage, x_voltage : ndarray, shape (n,)
        Of the array, measured and due. [V]
    steady : ndarray, shape (n,)
        1 under steady sun, small where cloud edges pass. [1]
    group : ndarray of int, shape (n,)
        Day of each row.
    groups : int
        Number of days.

    Returns
    -------
    held_back : ndarray of bool, shape (n,)
        False where voltage or power is not known.
    """
    volts, amperes = _pair(power, x_power, voltage, x_voltage)
    with np.errstate(invalid="ignore"):
        # A little above its best voltage an array gives nearly all of its power: voltage tells before power does.
        backed = (power > 0.2 * x_power) & (volts > RAISED_VOLTAGE * (1.0 - MOST_USUAL_ERROR)) & (amperes < 0.98)
    if not backed.any():
        return np.zeros(len(power), dtype=bool)
    most = _most(power, group, groups)
    usual_volts, usual_amperes = _usual_pair(power, x_power, volts, amperes, steady, most, group)
    with np.errstate(invalid="ignore"):
        backed &= (volts > RAISED_VOLTAGE * usual_volts[group]) & (amperes < 0.98 * usual_amperes[group])
        # Motors near their own voltage limit take more with more sun, yet ever less of it.
        held = backed & (power > 0.75 * most[group])
        # Under moving cloud an interval was held back for a part of its time only.
        by_day = np.bincount(group[held], minlength=groups) > 0
        return np.asarray(held | (by_day[group] & (x_power > 0.75 * most[group]) & (steady < 0.7)))


def unloaded(power: Vector, x_power: Vector, voltage: Vector, x_voltage: Vector, weak: Flags, steady: Vector,
             group: NDArray[np.intp], groups: int) -> Flags:
    """
    Say where, in sun that hardly starts the pump, the drive takes little or nothing from the array.

    A drive that waits, tries to start or gave up within the interval leaves the array near open circuit for that time:
    the mean voltage is up and the mean current down, as under a limit. Such a reading tells of the start and nothing
    of the array; less light, shade and lost strings take current at an unchanged voltage.

    Parameters
    ----------
    power, x_power : ndarray, shape (n,)
        Taken, and due from the sound array. [W]
    voltage, x_voltage : ndarray, shape (n,)
        Of the array, measured and due. [V]
    weak : ndarray of bool, shape (n,)
        Where the sun hardly starts the pump.
    steady : ndarray, shape (n,)
        1 under steady sun, small where cloud edges pass. [1]
    group : ndarray of int, shape (n,)
        Day of each row.
    groups : int
        Number of days.

    Returns
    -------
    unloaded : ndarray of bool, shape (n,)
        False where voltage or power is not known.
    """
    volts, amperes = _pair(power, x_power, voltage, x_voltage)
    usual_volts, usual_amperes = _usual_pair(power, x_power, volts, amperes, steady, _most(power, group, groups), group)
    with np.errstate(invalid="ignore"):
        return np.asarray(weak & (volts > RAISED_VOLTAGE * usual_volts[group])
                          & (amperes < LESS_CURRENT * usual_amperes[group]))


def _pair(power: Vector, x_power: Vector, voltage: Vector, x_voltage: Vector) -> tuple[Vector, Vector]:
    """Voltage and current over those due."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return voltage / x_voltage, (power * x_voltage) / (x_power * voltage)


def _most(power: Vector, group: NDArray[np.intp], groups: int) -> Vector:
    """Most power of each group, single outliers aside."""
    known = np.isfinite(power) & (power > 0.0)
    top = pd.Series(power[known]).groupby(group[known]).quantile(0.95)
    return np.asarray(top.reindex(range(groups)).to_numpy(dtype=np.float64))


def _usual_pair(power: Vector, x_power: Vector, volts: Vector, amperes: Vector, steady: Vector, most: Vector,
                group: NDArray[np.intp]) -> tuple[Vector, Vector]:
    """Ratios of voltage and current at which each group stands where no limit holds it; a dull day tells nothing."""
    lit = LEAST_LIT * float(np.nanmax(x_power, initial=0.0))
    with np.errstate(invalid="ignore"):
        free = (power > FREE_FROM * most[group]) & (power < FREE_TO * most[group]) & (power > 0.2 * x_power) & (
            x_power > lit) & (steady > 0.5) & np.isfinite(volts) & np.isfinite(amperes)
    groups = len(most)
    # Standing for a part of the interval and being held back raise voltage and lower current, never the reverse.
    usual_volts = np.clip(_usual(volts, free, group, groups, 0.25), 1.0 - MOST_USUAL_ERROR, 1.0 + MOST_USUAL_ERROR)
    # A sensor or a tracker is the same every day; a day that stands higher than most was held back in weaker sun too.
    usual_volts = np.minimum(usual_volts, float(np.median(usual_volts)) + 0.01)
    return usual_volts, np.minimum(_usual(amperes, free, group, groups, 0.75), 1.0)


def _usual(ratio: Vector, free: Flags, group: NDArray[np.intp], groups: int, quantile: float) -> Vector:
    """Quantile of a ratio over the free rows of each group; 1 where there are too few."""
    by_group = pd.Series(ratio[free]).groupby(group[free])
    found = by_group.quantile(quantile).where(by_group.size() >= LEAST_FREE).reindex(range(groups))
    return np.asarray(found.fillna(1.0).to_numpy(dtype=np.float64))
