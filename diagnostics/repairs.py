"""Did a repair do what it was meant to do: matched conditions before and after, with an interval."""

from collections.abc import Sequence
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.causes import CAUSES
from diagnostics.inference.search import Accepted
from diagnostics.inference.signatures import Signatures
from diagnostics.inference.weigh import Noise
from diagnostics.results import RepairProof, ServiceEvent
from diagnostics.service_actions import SERVICE_ACTIONS

Vector = NDArray[np.float64]
Outcome = Literal["worked", "did not work", "not yet proven"]
BEFORE_DAYS, AFTER_DAYS, LEAST_DAYS = 21, 21, 2
LEAST_SEEN = 0.15               # of the cause's size: below it nothing was there to be mended


def prove_repairs(events: Sequence[ServiceEvent], event_day: dict[str, int], signatures: Signatures, noise: Noise,
                  drift: pd.DataFrame, accepted: Sequence[Accepted]) -> list[RepairProof]:
    """
    Judge every service event by the summaries of the cause it was meant for.

    The summaries are ratios in bins of equal sun and equal power, so days before and after are compared under matched
    conditions; the amount of the cause on each day is its signature's best fit to that day.

    Parameters
    ----------
    events : sequence of ServiceEvent
        Service log of the site.
    event_day : dict of str to int
        ISO time of an event -> position of its local day.
    signatures : Signatures
        Shifts of each cause at this site.
    noise : Noise
        Daily values and variances.
    drift : pandas.DataFrame
        Healthy course of each summary.
    accepted : sequence of Accepted
        Causes found; their own severity is the unit of the amount.

    Returns
    -------
    proofs : list of RepairProof
        One for each event that names or implies a cause.
    """
    proofs = []
    for event in events:
        action = SERVICE_ACTIONS.get(event.action)
        meant = [event.meant_for] if event.meant_for in CAUSES else list(action.meant_for if action else ())
        day = event_day.get(event.when_utc.isoformat())
        if not meant or day is None:
            continue
        proofs.append(_prove(event, day, meant, signatures, noise, drift, accepted))
    return proofs


def _prove(event: ServiceEvent, day: int, meant: list[str], signatures: Signatures, noise: Noise,
           drift: pd.DataFrame, accepted: Sequence[Accepted]) -> RepairProof:
    # A cause that came only after the work is not the one the work was for.
    found = next((a for a in accepted if a.cause.code in meant and a.case is not None
                  and bool((a.course[max(0, day - BEFORE_DAYS):day] > 0.05).any())), None)
    code = found.cause.code if found else meant[0]
    shift = found.shift if found else _typical_shift(code, signatures)
    what = SERVICE_ACTIONS[event.action].label if event.action in SERVICE_ACTIONS else event.action
    if shift is None:
        return RepairProof(site_id=event.site_id, when_utc=event.when_utc, what=what, cause=code,
                           outcome="not yet proven", says="This site's sensors cannot show the cause it was meant for.")
    amount, error = _daily_amount(shift, noise, drift)
    # The day of the work itself is disturbed by the work; sound days before the onset are no "before".
    before = _mean(amount, error, _faulty_days(found, day))
    after = _mean(amount, error, np.arange(day + 1, min(day + 1 + AFTER_DAYS, len(amount))))
    label = CAUSES[code].label.lower()
    if before is None or after is None:
        side = "before" if before is None else "after"
        return RepairProof(site_id=event.site_id, when_utc=event.when_utc, what=what, cause=code,
                           outcome="not yet proven",
                           says=f"Cannot tell yet: fewer than {LEAST_DAYS} comparable days {side} the work.")
    (was, was_error, n_before), (now, now_error, n_after) = before, after
    says = (f"'{label}' before: {was:.0%} of its size (+/- {1.96 * was_error:.0%}), after: {now:.0%} "
            f"(+/- {1.96 * now_error:.0%}), at equal sun and power, {n_before} days against {n_after}.")
    # What is left of the fault, with the errors of both sides.
    left_error = 1.96 * float(np.hypot(now_error, 0.5 * was_error))
    outcome: Outcome
    if was - 1.96 * was_error <= LEAST_SEEN:
        outcome = "not yet proven"
        says = f"Cannot tell: nothing of the cause it was meant for was to be seen before the work. {says}"
    elif now + left_error < 0.5 * was:
        outcome = "worked"
    elif now - left_error > 0.5 * was:
        outcome = "did not work"
    else:
        outcome, says = "not yet proven", f"Cannot tell yet: {says}"
    return RepairProof(site_id=event.site_id, when_utc=event.when_utc, what=what, cause=code, outcome=outcome,
                       says=says, before=was, after=now, unit="share of the cause's size")


def _faulty_days(found: Accepted | None, day: int) -> NDArray[np.intp]:
    """Return the days before the work on which the cause was there at more than half of what it had come to."""
    days = np.arange(max(0, day - BEFORE_DAYS), day)
    if found is None:
        return days
    course = found.course[days]
    return days[course > 0.5 * float(course.max())]


def _typical_shift(code: str, signatures: Signatures) -> Vector | None:
    rows = [i for i, case in enumerate(signatures.cases) if case.cause.code == code]
    if not rows:
        return None
    shift = signatures.shifts[rows[len(rows) // 2]]
    return shift if np.any(shift != 0.0) else None


def _daily_amount(shift: Vector, noise: Noise, drift: pd.DataFrame) -> tuple[Vector, Vector]:
    gone = noise.values - drift.to_numpy(dtype=np.float64)
    weight = np.where(np.isfinite(gone), shift**2 / noise.variance, 0.0)
    total = np.nansum(weight, axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        amount = np.nansum(np.where(np.isfinite(gone), shift * gone / noise.variance, 0.0), axis=1) / total
        error = 1.0 / np.sqrt(total)
    unseen = total <= 1e-6
    return np.where(unseen, np.nan, amount), np.where(unseen, np.nan, error)


def _mean(amount: Vector, error: Vector, days: NDArray[np.intp]) -> tuple[float, float, int] | None:
    part, own = amount[days], error[days]
    known = np.isfinite(part)
    if known.sum() < LEAST_DAYS:
        return None
    part, own = part[known], own[known]
    middle = float(np.median(part))
    scatter = 1.4826 * float(np.median(np.abs(part - middle)))
    return middle, float(np.hypot(np.median(own), scatter)) / float(np.sqrt(len(part))) * 1.25, len(part)
