"""
What a load line lets be judged of an array that is coupled straight to its motor.

Such an array stands where its curve meets the motor's load line. On the flat of the curve the current is that of the
light and the voltage hangs on head, friction, warmth and brushes of the motor: near the verge of turning a few per cent
of torque or light throw it from nothing to full. Beyond the knee the current is that of the torque, and light hardly
shows. So current is judged of light only where it follows light, and voltage and power only where they stand firm. A
motor that does not break away yet shorts the array through its winding: its current is the light's alone.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.chain.daylight import fixed_losses
from diagnostics.site import Site

Vector = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Light and torque are each known to about so much, one standard uncertainty.
_STEP = 0.04
# Voltage that moves by more than so many times a small change of light says how far the verge is known, nothing else.
_FIRM = 2.0
# A standing motor's winding takes 5 to 15 % of its rated voltage at rated current (common practice).
_STANDING_VOLTAGE = 0.2
_WEAK_W_M2 = 10.0
# Flow due over that under the interval's mean light, below which part of the interval is reckoned as stalled.
_WHOLE_INTERVAL = 0.85
# From here on the current moves with the light and not with the load.
_FOLLOWS = 0.6
# Break-away torque is printed roughly or not at all: light over the reckoned start in which a sound pump surely turns.
SURELY_STARTS = 1.2


@dataclass(frozen=True)
class LoadLineRows:
    """Which rows of a directly coupled site tell of what."""

    follows_light: Flags        # the array's current is that of the light
    firm: Flags                 # voltage and power do not hang on the last few per cent of light or torque
    flow_firm: Flags            # nor does the flow, which begins only at a voltage and hangs on it all the more
    standing_current_a: Vector  # of the sound array into a motor that stands

    def tiled(self, times: int) -> "LoadLineRows":
        """Return the same rows repeated."""
        return LoadLineRows(np.tile(self.follows_light, times), np.tile(self.firm, times),
                            np.tile(self.flow_firm, times), np.tile(self.standing_current_a, times))


def load_line_rows(site: Site, model: Any, poa_w_m2: Vector, cell_temperature_c: Vector,
                   due_flow_m3_s: Vector | None = None) -> LoadLineRows | None:
    """
    Find where the sound site's current follows the light and where its voltage stands firm.

    Parameters
    ----------
    site : Site
    model : SiteModel or None
        Healthy.
    poa_w_m2, cell_temperature_c : ndarray, shape (n,)
        Plane irradiance and temperature of the cells. [W/m2, degC]
    due_flow_m3_s : ndarray, shape (n,), optional
        Expected flow: where passing cloud is reckoned to stall the pump for part of the interval it says little. [m3/s]

    Returns
    -------
    rows : LoadLineRows or None
        None for drives that choose their voltage, and without a chain.
    """
    if model is None or site.array is None or site.drive.kind != "direct":
        return None
    follows, firm, flow_firm = (np.zeros(poa_w_m2.shape, dtype=np.bool_) for _ in range(3))
    standing = np.full(poa_w_m2.shape, np.nan)
    lit = np.flatnonzero((np.nan_to_num(poa_w_m2) > 50.0) & np.isfinite(cell_temperature_c))
    if lit.size:
        light, cell = poa_w_m2[lit], cell_temperature_c[lit]
        width = 2.0 * np.log1p(_STEP)
        more, less = (_point(model, light * factor, cell) for factor in (1.0 + _STEP, 1.0 / (1.0 + _STEP)))
        with np.errstate(invalid="ignore", divide="ignore"):
            amperes, volts, water = ((np.log(high) - np.log(low)) / width
                                     for high, low in zip(more, less, strict=True))
            follows[lit], firm[lit], flow_firm[lit] = amperes > _FOLLOWS, volts < _FIRM, water < _FIRM
        if due_flow_m3_s is not None:
            with np.errstate(invalid="ignore"):
                flow_firm[lit] &= due_flow_m3_s[lit] > _WHOLE_INTERVAL * _point(model, light, cell)[2]
        # In light too weak for any motor the crossing is that of one that stands; from there it goes with the light.
        weak = np.full(light.shape, _WEAK_W_M2)
        standing[lit] = np.asarray(model.array_current(weak, cell), dtype=np.float64) * light / _WEAK_W_M2
    return LoadLineRows(follows, firm, flow_firm, standing)


def _point(model: Any, light: Vector, cell: Vector) -> tuple[Vector, Vector, Vector]:
    current, voltage = (np.asarray(read(light, cell), dtype=np.float64)
                        for read in (model.array_current, model.array_voltage))
    return current, voltage, np.asarray(model.flow_at_power(current * voltage), dtype=np.float64)


def stands(voltage_v: Vector, current_a: Vector, due_voltage_v: Vector, rows: LoadLineRows) -> Flags:
    """
    Say where a directly coupled motor draws current and does not turn: nearly all of the voltage is missing.

    Parameters
    ----------
    voltage_v, current_a, due_voltage_v : ndarray, shape (n,)
        Of the array, measured, and due from the turning sound pump. [V, A, V]
    rows : LoadLineRows

    Returns
    -------
    stands : ndarray of bool, shape (n,)
        False where voltage or current is not known.
    """
    with np.errstate(invalid="ignore"):
        full = float(np.nanmax(due_voltage_v, initial=0.0))
        return np.asarray((voltage_v < _STANDING_VOLTAGE * full) & (current_a > 0.1 * rows.standing_current_a))


def own_light_share(standing: Flags, current_a: Vector, rows: LoadLineRows, day: NDArray[np.intp],
                    days: int) -> Vector:
    """
    Share of the due light that the site's own array shows, by what it gives to its standing motor.

    Parameters
    ----------
    standing : ndarray of bool, shape (n,)
    current_a : ndarray, shape (n,)
        Of the array. [A]
    rows : LoadLineRows
    day : ndarray of int, shape (n,)
        Local day of each row.
    days : int
        Number of days.

    Returns
    -------
    share : ndarray, shape (n,)
        Median of three weeks; 1 where nothing tells. [1]
    """
    known = standing & np.isfinite(current_a) & (rows.standing_current_a > 0.0)
    got = np.bincount(day[known], weights=current_a[known], minlength=days)
    due = np.bincount(day[known], weights=rows.standing_current_a[known], minlength=days)
    with np.errstate(invalid="ignore", divide="ignore"):
        by_day = pd.Series(np.where(due > 0.0, got / due, np.nan))
    share = by_day.rolling(21, center=True, min_periods=1).median().ffill().bfill().fillna(1.0)
    return np.asarray(np.clip(share.to_numpy(dtype=np.float64), 0.2, 1.0)[day], dtype=np.float64)


def surely_starts(site: Site, model: Any, poa_w_m2: Vector, cell_temperature_c: Vector, level_m: Vector) -> Flags:
    """
    Say where even a standing pump must start: with the current for its break-away torque, and room for its error.

    Parameters
    ----------
    site : Site
    model : SiteModel or None
        Healthy.
    poa_w_m2, cell_temperature_c, level_m : ndarray, shape (n,)
        Plane irradiance, temperature of the cells, rest level. [W/m2, degC, m]

    Returns
    -------
    starts : ndarray of bool, shape (n,)
        True everywhere for drives that choose their voltage.
    """
    if model is None or site.array is None or site.drive.kind != "direct":
        return np.ones(poa_w_m2.shape, dtype=np.bool_)
    start, _ = model.thresholds(np.nan_to_num(cell_temperature_c, nan=25.0), np.nan_to_num(level_m))
    kept = float(fixed_losses(site.array, np.zeros(1))[0])
    with np.errstate(invalid="ignore"):
        return np.asarray(kept * poa_w_m2 > SURELY_STARTS * start)
