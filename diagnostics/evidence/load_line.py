"""
What a load line lets be judged of an array that is coupled straight to its motor.

Such an array stands where its curve meets the motor's load line. On the flat of the curve the current is that of the
light and the voltage hangs on head, friction, warmth and brushes of the motor: near the verge of turning a few per cent
of torque or light throw it from nothing to full. Beyond the knee the current is that of the torque, and light hardly
shows. So current is judged of light only where it follows light, and voltage and power only where they stand firm.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnostics.chain.daylight import fixed_losses
from diagnostics.site import Site

Vector = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Light and torque are each known to about so much, one standard uncertainty.
_STEP = 0.04
# Voltage that moves by more than so many times a small change of light says how far the verge is known, nothing else.
_FIRM = 2.0
# From here on the current moves with the light and not with the load.
_FOLLOWS = 0.6
# Break-away torque is printed roughly or not at all: light over the reckoned start in which a sound pump surely turns.
SURELY_STARTS = 1.2


@dataclass(frozen=True)
class LoadLineRows:
    """Which rows of a directly coupled site tell of what."""

    follows_light: Flags        # the array's current is that of the light
    firm: Flags                 # voltage and power do not hang on the last few per cent of light or torque

    def tiled(self, times: int) -> "LoadLineRows":
        """Return the same rows repeated."""
        return LoadLineRows(np.tile(self.follows_light, times), np.tile(self.firm, times))


def load_line_rows(site: Site, model: Any, poa_w_m2: Vector, cell_temperature_c: Vector) -> LoadLineRows | None:
    """
    Find where the sound site's current follows the light and where its voltage stands firm.

    Parameters
    ----------
    site : Site
    model : SiteModel or None
        Healthy.
    poa_w_m2, cell_temperature_c : ndarray, shape (n,)
        Plane irradiance and temperature of the cells. [W/m2, degC]

    Returns
    -------
    rows : LoadLineRows or None
        None for drives that choose their voltage, and without a chain.
    """
    if model is None or site.array is None or site.drive.kind != "direct":
        return None
    follows, firm = (np.zeros(poa_w_m2.shape, dtype=np.bool_) for _ in range(2))
    lit = np.flatnonzero((np.nan_to_num(poa_w_m2) > 50.0) & np.isfinite(cell_temperature_c))
    if lit.size:
        light, cell = poa_w_m2[lit], cell_temperature_c[lit]
        width = 2.0 * np.log1p(_STEP)
        slopes = []
        for read in (model.array_current, model.array_voltage):
            more, less = (np.asarray(read(light * factor, cell), dtype=np.float64)
                          for factor in (1.0 + _STEP, 1.0 / (1.0 + _STEP)))
            with np.errstate(invalid="ignore", divide="ignore"):
                slopes.append((np.log(more) - np.log(less)) / width)
        with np.errstate(invalid="ignore"):
            follows[lit], firm[lit] = slopes[0] > _FOLLOWS, slopes[1] < _FIRM
    return LoadLineRows(follows, firm)


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
