"""
From the posterior of a cause to a confidence that holds: of findings stated at 0.8, about 0.8 are right.

A posterior is right only as far as the model behind it is: the array, pump and sensors of a real site are never those
of the signatures. How often a named cause is right was therefore counted on proving plants whose physics was varied on
purpose, and a logistic curve over a few traits of the finding can be fitted to that count (`calibration_fit`, written
by ``python -m pipelines.prove --calibrate``). While nothing is fitted there, the posterior itself is stated, and it is
too high where a plant is unlike its description. Traits that say the same thing more strongly can only raise the
confidence.
(J. Platt, "Probabilistic outputs for support vector machines", 1999; A. Niculescu-Mizil and R. Caruana, "Predicting
good probabilities with supervised learning", ICML 2005.)
"""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from diagnostics.calibration_fit import INTERCEPT, TRAITS

Vector = NDArray[np.float64]
LEAST, MOST = 0.02, 0.99
# Days that a cause which stands at the end of the record is taken to have been there at least.
STANDING_DAYS = 100
# Traits of which more must never mean a lower confidence.
RISING = ("posterior", "evidence", "fit", "margin", "strength", "days", "active", "summaries")


def finding_traits(code: str, probability: Mapping[str, float], log_evidence: Mapping[str, float], *, kind: str,
                   is_measuring: bool, shift: Vector, drift: Vector, course: Vector,
                   known: NDArray[np.bool_]) -> dict[str, float]:
    """
    Sum up what a finding rests on.

    Parameters
    ----------
    code : str
        Cause that is named.
    probability : mapping of str to float
        Posterior by cause, with "nothing". [1]
    log_evidence : mapping of str to float
        Log evidence by cause against nothing wrong. [1]
    kind : str
        Kind of the accepted course: "day_one", "step", ...
    is_measuring : bool
        Is it a fault of a sensor, meter or logger.
    shift : ndarray, shape (summaries,)
        How far the cause moved each daily summary. [1]
    drift : ndarray, shape (summaries,)
        How far each wanders on a sound site. [1]
    course : ndarray, shape (days,)
        Share of its full size on each day. [1]
    known : ndarray of bool, shape (days, summaries)
        Which summaries were there.

    Returns
    -------
    traits : dict of str to float
        Plain numbers on like scales; each key is one of those that `calibrated` may use.
    """
    own = log_evidence.get(code, 0.0)
    others = [value for name, value in log_evidence.items() if name not in (code, "unexplained")]
    chance = float(np.clip(probability.get(code, 0.0), 1e-3, 1.0 - 1e-3))
    heard = known.any(axis=1)
    there = heard & (course > 0.25)
    # What came and went within days is often no fault; what stands today has not had the time to last. The plants that
    # confidence is fitted on hold no standing fault younger than this.
    stands = bool(there.any()) and bool(there[np.flatnonzero(heard)[-1]])
    away = np.abs(shift) / np.maximum(drift, 1e-3) * known.any(axis=0)
    return {
        "posterior": float(np.log(chance / (1.0 - chance))),
        "evidence": float(np.log1p(np.clip(own, 0.0, 1e4))),
        "fit": float(np.clip(own - log_evidence.get("unexplained", 0.0), -20.0, 20.0)),
        "margin": float(np.clip(own - max(others, default=0.0), -10.0, 20.0)),
        "strength": float(np.log1p(away.max(initial=0.0))),
        "days": float(np.log1p(heard.sum())),
        "active": float(np.log1p(max(there.sum(), STANDING_DAYS if stands else 0))),
        "summaries": float(known.any(axis=0).sum()),
        "day_one": float(kind == "day_one"),
        "measuring": float(is_measuring),
        "unexplained": float(code == "unexplained"),
    }


def calibrated(traits: Mapping[str, float], *, fitted: Mapping[str, tuple[float, float, float]] | None = None,
               intercept: float | None = None) -> float:
    """
    Say how probable it is that a finding with these traits is right.

    Parameters
    ----------
    traits : mapping of str to float
        As from `finding_traits`.
    fitted : mapping of str to tuple, optional
        Centre, scale and weight of every trait; those of `calibration_fit` where not given. [1]
    intercept : float, optional
        Log odds of a finding with all traits at their centres. [1]

    Returns
    -------
    confidence : float
        0.02 to 0.99; the posterior itself where nothing was fitted. [1]
    """
    table = TRAITS if fitted is None else fitted
    start = INTERCEPT if intercept is None else intercept
    if table:
        odds = start + sum(weight * (traits[name] - centre) / scale for name, (centre, scale, weight) in table.items())
    else:
        odds = traits["posterior"]
    return float(np.clip(1.0 / (1.0 + np.exp(-np.clip(odds, -30.0, 30.0))), LEAST, MOST))
