"""What a fault does at a jet pump that no model of its ejector tells exactly: flow, and the pressure of its casing."""

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from diagnostics.evidence.features import POSITION
from diagnostics.health import Health

Vector = NDArray[np.float64]

# Error of a jet's computed shifts over that of a pump that lifts by its own head: coefficients of nozzle, throat and
# diffuser are known to a fifth each and stand against each other (common practice).
INEXACTNESS = 2.5
# Power of the flow by which the casing's pressure falls: the square through a control valve left as it was set; held
# by hand or by itself, less or more.
VALVE = 2.0
# Casing pressure beyond what the line asks, over the total head, that a jet is driven with (common practice: two to
# three times the head that it gives); known no better than to itself.
DRIVEN = 1.0
AT_LOW_FLOW = 0.2
_FLOWS = ("flow_mid_power", "flow_high_power", "flow_mid_sun", "flow_high_sun")
_WATER = ("extra_static_level_m", "well_loss_ratio", "intake_loss_s2_m5", "delivery_loss_s2_m5", "extra_static_head_m",
          "pump_head_ratio", "recirculation_ratio", "motor_efficiency_ratio", "riser_leak_m3_s_per_sqrt_m")
_BEHIND = ("delivery_loss_s2_m5", "extra_static_head_m")


class HasHealth(Protocol):
    """A case of a cause, of which only the health counts here."""

    @property
    def health(self) -> Health:
        """State of the site under the cause."""
        ...


def opened_by_ejector(cases: Sequence[HasHealth], shifts: Vector, loose: Vector) -> Vector:
    """
    Put in what a jet's casing gauge shows of each fault, and say how much less exact its signature is.

    The gauge of a jet sits on the casing, before the control valve, where the drive water of the ejector is taken off.
    Whatever brings less water lets the pressure before a set valve fall with it; what stands in the line behind it
    raises the pressure by its own loss at most, or by nothing where the valve gives way to it.

    Parameters
    ----------
    cases : sequence
        With their health.
    shifts : ndarray, shape (cases, all features)
        As the chain computed them; the pressures are changed in place.
    loose : ndarray, shape (cases, all features)
        Deviations, changed in place.

    Returns
    -------
    inexactness : ndarray, shape (cases,)
        Factor on the error of each signature. [1]
    """
    factor = np.ones(len(cases))
    low, high, top = (POSITION[name] for name in ("pressure_low_flow", "pressure_high_flow", "top_flow"))
    flows = [POSITION[name] for name in _FLOWS]
    for number, case in enumerate(cases):
        changed = case.health.changed()
        if not any(name in changed for name in _WATER):
            continue
        factor[number] = INEXACTNESS
        if any(name in changed for name in _BEHIND):
            for place in (low, high):
                loose[number, place] = np.hypot(loose[number, place], abs(shifts[number, place]))
            continue
        lost = max(0.0, -float(shifts[number, flows].min()))
        if "extra_static_level_m" in changed:
            lost = max(lost, -float(shifts[number, top]))   # at the logged level the flow is as due
        for place, share in ((low, AT_LOW_FLOW), (high, 1.0)):
            fall = DRIVEN * share * (1.0 - (1.0 - min(lost, 1.0)) ** VALVE)
            shifts[number, place] -= fall
            loose[number, place] = np.hypot(loose[number, place], fall)
    return factor
