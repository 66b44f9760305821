"""What each accepted cause costs in water, day by day."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.account import DayBooks, shapley_shares
from diagnostics.causes import Misreading
from diagnostics.evidence.features import POSITION
from diagnostics.evidence.intervals import Intervals
from diagnostics.health import HEALTHY
from diagnostics.inference.findings import Loss
from diagnostics.inference.search import Accepted
from diagnostics.inference.signatures import Signatures
from diagnostics.readings import SiteReadings
from diagnostics.sufficiency import Judgeable

Vector = NDArray[np.float64]
STOPPED = POSITION["stopped_share"]
_BIN_WEIGHT = {"low": 0.15, "mid": 0.3, "high": 0.55}   # share of a usual day's water by bin of sun or power


def loss_ratio(accepted: Accepted, signatures: Signatures) -> Vector:
    """
    Return the share of the expected water that a cause costs on each day.

    Parameters
    ----------
    accepted : Accepted
        Cause, severity and course.
    signatures : Signatures
        With the delivered share of every case, from the site's own chain.

    Returns
    -------
    ratio : ndarray, shape (days,)
        Negative for a meter that reads high. [1]
    """
    if accepted.case is None:
        return np.zeros_like(accepted.course)
    form = accepted.case.form
    rows = [i for i, case in enumerate(signatures.cases) if case.form is form]
    severities = np.array([signatures.cases[i].severity for i in rows])
    if accepted.case.health == HEALTHY and accepted.case.misreading == Misreading():
        now = _loss_of_shift(accepted.shift, signatures)
        return np.asarray(now * accepted.course)
    losses = signatures.delivery_loss[rows]
    order = np.argsort(severities)
    severities, losses = severities[order], losses[order]
    if severities[0] > 0.0:
        severities, losses = np.concatenate(([0.0], severities)), np.concatenate(([0.0], losses))
    if len(severities) == 2 or accepted.cause.code == "unit_mistake":
        return np.asarray(losses[np.argmin(np.abs(severities - accepted.severity))] * accepted.course)
    return np.interp(accepted.severity * accepted.course, severities, losses)


def _loss_of_shift(shift: Vector, signatures: Signatures) -> float:
    """Estimate the water lost from shifts alone, for causes that no chain computes."""
    power = flow = 0.0
    for part, weight in _BIN_WEIGHT.items():
        amps, volts = shift[POSITION[f"current_{part}_sun"]], shift[POSITION[f"voltage_{part}_sun"]]
        watts = shift[POSITION[f"power_{part}_sun"]]
        power += weight * (watts if watts else (1.0 + amps) * (1.0 + volts) - 1.0)
        flow += weight * (shift[POSITION[f"flow_{part}_power"]] or shift[POSITION[f"flow_{part}_sun"]])
    known = [(case.severity, loss) for case, loss in zip(signatures.cases, signatures.delivery_loss, strict=True)
             if case.cause.code == "soiled_array"]
    lost = -power
    if known:
        severities, losses = zip(*sorted(known), strict=True)
        lost = float(np.interp(-power, [0.0, *severities], [0.0, *losses])) if power < 0.0 else 0.0
    ran = 1.0 - float(np.clip(shift[STOPPED], 0.0, 1.0))
    if power == 0.0 and flow == 0.0:
        # One side of the clear day gives nothing: a third of it lies in the low sun that shade reaches.
        lost = abs(float(shift[POSITION["power_morning_less_afternoon"]])) / 3.0
    return float(np.clip(1.0 - (1.0 - lost) * (1.0 + min(flow, 0.0)) * ran, -1.0, 1.0))


def healthy_ratio(drift: pd.DataFrame, signatures: Signatures, epoch_days: Sequence[int], heard: NDArray[np.bool_]
                  ) -> Vector:
    """
    Return this site's own healthy delivery over that of its sheet, within the tolerances, one value an epoch.

    Taken over the first thirty days with data: a slow drift nobody can name is a loss nobody can explain, and must not
    become the new healthy.

    Parameters
    ----------
    drift : pandas.DataFrame
        Healthy course of each summary.
    signatures : Signatures
        Give the water that a share of power is worth here.
    epoch_days : sequence of int
        First day of each epoch.
    heard : ndarray of bool, shape (days,)
        Judged days.

    Returns
    -------
    ratio : ndarray, shape (days,)
        Held to 0.8 to 1.2: beyond that it is no tolerance. [1]
    """
    worth = next((loss / case.severity for case, loss in zip(signatures.cases, signatures.delivery_loss, strict=True)
                  if case.cause.code == "soiled_array"), 1.0)
    ratio = np.ones(len(drift))
    power = np.zeros(len(drift))
    for part, weight in _BIN_WEIGHT.items():
        flow = drift[f"flow_{part}_power"].to_numpy() + drift[f"flow_{part}_sun"].to_numpy()
        ratio += weight * flow
        power += weight * (drift[f"current_{part}_sun"] + drift[f"voltage_{part}_sun"]
                           + drift[f"power_{part}_sun"]).to_numpy()
    by_day = np.clip(ratio + worth * power, 0.8, 1.2)
    steady = np.ones(len(drift))
    for first, last in pairwise([*epoch_days, len(drift)]):
        days = first + np.flatnonzero(heard[first:last])[:30]
        steady[first:last] = float(np.median(by_day[days])) if days.size else 1.0
    return steady


@dataclass(frozen=True)
class CauseShares:
    """What each cause takes by day: of the water lost by standing, and of what was due while it ran. [1]"""

    of_stops: list[tuple[str, Vector]]
    of_rest: list[tuple[str, Vector]]
    spread: dict[str, float]            # relative half-width of each cause's volume

    def standing_on(self, day: int, count: int) -> "CauseShares":
        """Return shares that stand for `count` days as they are on one day."""
        def held(shares: list[tuple[str, Vector]]) -> list[tuple[str, Vector]]:
            return [(code, np.full(count, share[day])) for code, share in shares]

        return CauseShares(held(self.of_stops), held(self.of_rest), self.spread)


def cause_shares(accepted: Sequence[Accepted], signatures: Signatures) -> CauseShares:
    """Return what each accepted cause takes by day; causes at work together share by the Shapley value."""
    stops = [a for a in accepted if a.course.any() and stands(a)]
    strength = sum((a.course for a in stops), np.zeros(len(accepted[0].course) if accepted else 0))
    of_stops: list[tuple[str, Vector]] = []
    for item in stops:
        with np.errstate(invalid="ignore", divide="ignore"):
            part = np.where(strength > 0.0, item.course / strength, 0.0)
        of_stops.append((item.cause.code, np.where(part > 0.05, part, 0.0)))
    others = [a for a in accepted if a not in stops and a.case is not None and a.cause.kind != "after_meter"]
    lost = shapley_shares([1.0 - loss_ratio(a, signatures) for a in others])
    of_rest = [(item.cause.code, share) for item, share in zip(others, lost, strict=True)]
    return CauseShares(of_stops, of_rest, {a.cause.code: _relative_spread(a) for a in accepted})


def day_books(intervals: Intervals, judgeable: Judgeable, readings: SiteReadings, shares: CauseShares,
              sound_ratio: Vector, stopped: NDArray[np.bool_]) -> DayBooks:
    """
    Book every judged interval: delivered, state, stopped time, and what each cause takes of the rest.

    Parameters
    ----------
    intervals : Intervals
        Readings beside expectation.
    judgeable : Judgeable
        Judged intervals and days.
    readings : SiteReadings
        Sound flow only counts as delivered.
    shares : CauseShares
        What each cause takes, by day.
    sound_ratio : ndarray, shape (days,)
        Own healthy delivery over the sheet's.
    stopped : ndarray of bool
        Intervals that stood though they should have run.

    Returns
    -------
    books : DayBooks
        Volumes by day.
    """
    count = len(intervals.days)
    seconds = intervals.hours * 3600.0
    sound = readings.sound_array("flow_m3_s")
    metered = np.where(np.isfinite(sound), sound, intervals.flow_m3_s)
    day = intervals.day
    judged = judgeable.delivery & judgeable.day_judged[day]
    scale = sound_ratio[day]

    def volume(name: str) -> Vector:
        return np.where(judged, intervals.expected[name].to_numpy(dtype=np.float64) * seconds * scale, 0.0)

    expected = np.nan_to_num(volume("expected_flow_m3_s"))
    delivered = np.where(judged, np.nan_to_num(metered) * seconds, 0.0)
    full = intervals.tank_full & judged
    by_day = _adder(day, count)
    held = by_day(np.where(full, expected - delivered, 0.0))
    if intervals.stored:
        # What the sun brings while the tank is full is pumped later: no more was left unpumped than the day lacks.
        held = np.clip(held, 0.0, np.maximum(by_day(expected - delivered), 0.0))
    states = {"tank_full": held}
    standing = stopped & judged & ~full
    stop_loss = by_day(np.where(standing, expected - delivered, 0.0))
    rest = by_day(np.where(judged & ~full & ~standing, expected, 0.0))
    causes: dict[str, Vector] = {}
    for volume_lost, of_it in ((stop_loss, shares.of_stops), (rest, shares.of_rest)):
        for code, share in of_it:
            causes[code] = causes.get(code, np.zeros(count)) + volume_lost * share
    return DayBooks(
        expected=by_day(expected), expected_low=by_day(np.nan_to_num(volume("expected_flow_low_m3_s"))),
        expected_high=by_day(np.nan_to_num(volume("expected_flow_high_m3_s"))), delivered=by_day(delivered),
        seen=by_day(np.nan_to_num(metered) * seconds), states=states, causes=causes, cause_spread=shares.spread,
        judged=judgeable.day_judged)


def stands(accepted: Accepted) -> bool:
    """Tell whether a cause costs its water by standing still: what stops, and a motor that trips."""
    if accepted.cause.kind == "stop":
        return True
    return accepted.case is not None and accepted.cause.kind == "health" and bool(accepted.shift[STOPPED] > 0.05)


def _adder(day: NDArray[np.intp], count: int) -> "_Adder":
    return _Adder(day, count)


class _Adder:
    """Sum an amount per interval by day."""

    def __init__(self, day: NDArray[np.intp], count: int) -> None:
        self.day, self.count = day, count

    def __call__(self, amount: Vector) -> Vector:
        return np.bincount(self.day, weights=amount, minlength=self.count).astype(np.float64)


def _relative_spread(accepted: Accepted) -> float:
    if accepted.severity == 0.0:
        return 0.3
    half = 0.5 * abs(accepted.severity_high - accepted.severity_low) / abs(accepted.severity)
    return float(np.hypot(half, 0.15))


def loss_of(accepted: Accepted, books: DayBooks) -> Loss:
    """
    Return the water lost a day by one cause, over the judged days on which it was there.

    Parameters
    ----------
    accepted : Accepted
        The cause.
    books : DayBooks
        Its volumes by day.

    Returns
    -------
    loss : Loss
        Of the last thirty such days. [m3/day]
    """
    volume = books.causes.get(accepted.cause.code)
    active = (accepted.course > 0.05) & books.judged
    if volume is None or not active.any():
        return Loss(0.0, 0.0, 0.0)
    recent = np.flatnonzero(active)[-30:]
    mean = float(np.mean(volume[recent]))
    spread = abs(mean) * books.cause_spread.get(accepted.cause.code, 0.3)
    return Loss(mean, mean - spread, mean + spread)
