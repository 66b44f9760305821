"""The smallest size of one cause that a site's sensors could prove, by name or as one of a named few."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from diagnostics.causes import Cause, Form, Misreading
from diagnostics.detectability.grounds import Grounds
from diagnostics.diagnose import TOLD_AT_ANY_LOSS
from diagnostics.health import HEALTHY
from diagnostics.inference.search import Weighed
from diagnostics.inference.signatures import Signatures

Vector = NDArray[np.float64]
PROVED = 0.8                # posterior from which a cause, or a named few together, count as proved
OFTEN = 0.9                 # share of such faults that chance must leave proved
MOST_TOGETHER = 3           # more names than that are no answer
COUNTED = ("string_open", "module_bypassed")    # come in whole pieces
STEPS = 10
NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a fault of one severity would be judged."""

    severity: float
    named: bool
    together: tuple[str, ...]           # the few it would be proved as one of, itself included; empty if not proved
    rivals: tuple[tuple[str, float], ...]
    margin: float                       # log evidence over the best that is not the cause, untempered
    margin_together: float              # the same over what is not one of the few


@dataclass(frozen=True, slots=True)
class Found:
    """Severity proved by name, severity proved as one of a few, with how each was judged; None if at no size."""

    named: tuple[float, Outcome] | None
    together: tuple[float, Outcome] | None
    largest: Outcome


@dataclass(frozen=True)
class Ladder:
    """One form of a cause from nothing to its severest, with its mark and the water it costs at each."""

    cause: Cause
    form: Form
    severities: Vector
    shifts: Vector
    losses: Vector

    def shift(self, severity: float) -> Vector:
        """Return the shift of every summary at a severity."""
        above = int(np.clip(np.searchsorted(self.severities, severity), 1, len(self.severities) - 1))
        part = (severity - self.severities[above - 1]) / (self.severities[above] - self.severities[above - 1])
        return np.asarray(self.shifts[above - 1] * (1.0 - part) + self.shifts[above] * part, dtype=np.float64)

    def loss(self, severity: float) -> float:
        """Return the share of the water that a severity costs."""
        return float(np.interp(severity, self.severities, self.losses))


def ladder_of(signatures: Signatures, code: str) -> Ladder | None:
    """
    Lay out the usual form of a cause.

    Parameters
    ----------
    signatures : Signatures
        Of this site.
    code : str
        Cause.

    Returns
    -------
    ladder : Ladder or None
        None where this site cannot have the cause, or none of its forms runs through the chain.
    """
    rows = [number for number, case in enumerate(signatures.cases)
            if case.cause.code == code and case.severity > 0.0
            and (case.health != HEALTHY or case.misreading != Misreading())]
    if not rows:
        return None
    form = max((signatures.cases[row].form for row in rows), key=lambda one: one.weight)
    rows = sorted((row for row in rows if signatures.cases[row].form is form),
                  key=lambda row: signatures.cases[row].severity)
    zero = np.zeros((1, signatures.shifts.shape[1]))
    return Ladder(signatures.cases[rows[0]].cause, form,
                  np.concatenate(([0.0], [signatures.cases[row].severity for row in rows])),
                  np.vstack((zero, signatures.shifts[rows])),
                  np.concatenate(([0.0], signatures.delivery_loss[rows])))


def smallest(grounds: Grounds, ladder: Ladder, days: int) -> Found:
    """
    Search the smallest severity that would be proved if it came at once, some days before the end of the record.

    The search is over faults without the chance of the day; the severities returned are raised so that chance leaves
    nine of ten such faults proved. With evidence delta^2/2 between two explanations, chance moves it by one standard
    deviation of delta.

    Parameters
    ----------
    grounds : Grounds
        Conditions of the site.
    ladder : Ladder
        Cause and form.
    days : int
        Days that the fault has lasted. [days]

    Returns
    -------
    found : Found
        None where even the severest would not be proved.
    """
    unit = grounds.unit_field(grounds.course(days))
    code = ladder.cause.code
    near = grounds.nearest(unit, grounds.last + 1 - days, ladder.shift(float(ladder.severities[-1])), code)

    @cache
    def judged(severity: float) -> Outcome:
        return _outcome(grounds.weighed(unit, ladder.shift(severity), near), code, severity, grounds)

    sizes = _sizes(ladder, grounds)
    named = _first(sizes, judged, lambda outcome: outcome.named)
    together = _first(sizes, judged, lambda outcome: outcome.named or bool(outcome.together))
    top = float(sizes[-1])
    return Found(None if named is None else _often(named, named.margin, ladder, judged, lambda o: o.named),
                 None if together is None else _often(together, together.margin_together, ladder, judged,
                                                      lambda o: o.named or bool(o.together)), judged(top))


def _sizes(ladder: Ladder, grounds: Grounds) -> Vector:
    """Return the severities to be tried; below the water that the diagnosis tells of none is tried."""
    top = float(ladder.severities[-1])
    if ladder.cause.code in COUNTED:
        return ladder.severities[1:]
    low = float(ladder.severities[1]) / 3.0
    if ladder.cause.kind == "health" and ladder.cause.code not in TOLD_AT_ANY_LOSS:
        fine = np.linspace(0.0, top, 400)
        enough = np.flatnonzero(np.interp(fine, ladder.severities, ladder.losses) >= grounds.settings.least_loss_ratio)
        low = max(low, float(fine[enough[0]]) if enough.size else top)
    return np.geomspace(min(low, top), top, STEPS) if low < top else np.array([top])


def _first(sizes: Vector, judged: Callable[[float], Outcome], proved: Callable[[Outcome], bool]) -> Outcome | None:
    """Return the outcome at the smallest size that is proved like the next one up, found by halving."""
    high = next((place for place in (len(sizes) // 2, 3 * len(sizes) // 4, len(sizes) - 1)
                 if proved(judged(float(sizes[place])))), None)
    if high is None:
        return None
    low = -1
    while high - low > 1:
        middle = (high + low) // 2
        low, high = (low, middle) if proved(judged(float(sizes[middle]))) else (middle, high)
    # Between the severities of its rivals a cause may be proved by accident of their spacing.
    for place in range(high, len(sizes)):
        after = float(sizes[min(place + 1, len(sizes) - 1)])
        if proved(judged(float(sizes[place]))) and proved(judged(after)):
            return judged(float(sizes[place]))
    return None


def _often(outcome: Outcome, margin: float, ladder: Ladder, judged: Callable[[float], Outcome],
           proved: Callable[[Outcome], bool]) -> tuple[float, Outcome] | None:
    """Raise a severity so that chance leaves most such faults proved; None if no severity of the cause is enough."""
    if ladder.cause.code in COUNTED:
        return outcome.severity, outcome
    delta, beyond = float(np.sqrt(2.0 * max(margin, 0.1))), float(norm.ppf(OFTEN))
    severity, top = outcome.severity * (beyond + float(np.hypot(beyond, delta))) / delta, float(ladder.severities[-1])
    for raised in (severity, 1.25 * severity, 1.25**2 * severity):
        if raised <= top and proved(judged(raised)):
            return raised, judged(raised)
    return None


def _outcome(weighed: Weighed, code: str, severity: float, grounds: Grounds) -> Outcome:
    settings = grounds.settings
    probability = weighed.probability
    opened = 1.0 - probability[NOTHING] >= settings.open_probability
    ranked = sorted((name for name in probability if name != NOTHING), key=lambda name: -probability[name])
    first = ranked[0]
    named = opened and first == code and probability[code] >= PROVED
    held = np.cumsum([probability[name] for name in ranked])
    few = ranked[:int(np.searchsorted(held, PROVED)) + 1]
    together = opened and code in few and len(few) <= MOST_TOGETHER and "unexplained" not in few
    own = _strength(weighed, code)
    beside = [_strength(weighed, name) for name in ranked[:6] if name != code]
    outside = [_strength(weighed, name) for name in ranked[:8] if name not in few]
    return Outcome(severity, named, tuple(few) if together else (),
                   tuple((name, float(probability[name])) for name in ranked if name != code
                         and probability[name] >= 0.01)[:4],
                   own - max([0.0, *beside]), own - max([0.0, *outside]))


def _strength(weighed: Weighed, code: str) -> float:
    candidates = weighed.candidates.get(code)
    return candidates[0].log_ratio if candidates else -np.inf
