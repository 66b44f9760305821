"""What the diagnosis would say of one fault of one size and course at a site that is exactly its own chain."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnostics.detectability.grounds import Grounds

Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ByOwnChain:
    """Posterior of a planted cause without the chance of the day and without any error of its signature's law."""

    opened: bool            # something would be said at all
    probability: float      # of the planted cause; how often it would be named first, if opened
    first: str              # the most probable cause


def told_by_own_chain(grounds: Grounds, code: str, course: Vector, nearness: Callable[[float, float], float]
                      ) -> ByOwnChain | None:
    """
    Weigh a fault that shows exactly as the site's own chain says, with the site's sensors, noise and tolerances.

    Other people's physics and the chance of single days come on top. What is silent or confounded here is so by the
    stated tolerances, noise and priors, not for any fault of the chain. It is no bound: days on which the pump of this
    record stood tell no flow, a site on a battery is reckoned while its pump runs, and a fault that is larger on some
    days than the matched one is seen more easily.

    Parameters
    ----------
    grounds : Grounds
        Conditions of the site.
    code : str
        Planted cause.
    course : ndarray, shape (days,)
        How much of its full size it has on each day, 0 to 1.
    nearness : callable
        (size that people are told, share of the water lost) of a case -> its distance to what was planted; the
        nearest case is taken.

    Returns
    -------
    told : ByOwnChain or None
        None where no logged channel of this site can show the cause.
    """
    rows = [number for number, case in enumerate(grounds.signatures.cases) if case.cause.code == code]
    if not rows:
        return None
    cases, losses = grounds.signatures.cases, grounds.signatures.delivery_loss
    told = [nearness(cases[row].form.size(cases[row].severity, grounds.setting), float(losses[row])) for row in rows]
    shift = grounds.signatures.shifts[rows[int(np.argmin(told))]]
    weighed = grounds.weighed(grounds.unit_field(course), shift, grounds.signatures)
    named = {name: share for name, share in weighed.probability.items() if name != "nothing"}
    return ByOwnChain(1.0 - weighed.probability["nothing"] >= grounds.settings.open_probability,
                  float(named.get(code, 0.0)), max(named, key=lambda name: named[name]))
