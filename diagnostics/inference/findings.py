"""Turn accepted causes into findings: size, onset, evidence rows, rivals, life, water lost."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.calibration import calibrated, finding_traits
from diagnostics.causes import CAUSES, Cause, Setting
from diagnostics.evidence.features import FEATURE_NAMES, FEATURES
from diagnostics.inference.profiles import Profiles
from diagnostics.inference.search import Accepted
from diagnostics.inference.signatures import Signatures
from diagnostics.inference.weigh import Noise
from diagnostics.results import EvidenceRow, Finding, Rival
from diagnostics.service_actions import SERVICE_ACTIONS
from diagnostics.settings import Settings

Vector = NDArray[np.float64]
Status = Literal["new", "growing", "steady", "healed", "mended", "relapsed"]
OnsetShape = Literal["step", "ramp", "seasonal", "intermittent", "day_one"]
_SHAPE_OF_KIND: dict[str, OnsetShape] = {
    "day_one": "day_one", "step": "step", "window": "step", "spell": "intermittent", "ramp": "ramp",
    "ramp_window": "ramp", "sawtooth": "ramp", "season": "seasonal", "intermittent": "intermittent"}
NEW_DAYS = 14
QUIET_DAYS = 10
# A rival this probable is worth its parts in the truck. [1]
PARTS_FROM = 0.1
# An earlier spell this small beside the greatest is noise of the search and no onset. [1]
LEAST_SPELL = 0.08


@dataclass(frozen=True)
class WorkDay:
    """A service event on its local day of the record."""

    day: int
    action: str
    meant_for: str


@dataclass(frozen=True)
class Loss:
    """Water lost by one cause per day over the days it was there, with its interval. [m3/day]"""

    per_day_m3: float
    low_m3: float
    high_m3: float


def build_finding(site_id: str, accepted: Accepted, *, days: pd.Index, signatures: Signatures, noise: Noise,
                  drift: pd.DataFrame, profiles: Profiles, setting: Setting, loss: Loss,
                  work: Sequence[WorkDay], settings: Settings) -> Finding:
    """
    Write down one accepted cause with all that stands beside it.

    Parameters
    ----------
    site_id : str
        Site.
    accepted : Accepted
        Cause, course and posterior.
    days : pandas.Index
        Local dates of the record.
    signatures, noise, profiles : Signatures, Noise, Profiles
        What was weighed.
    drift : pandas.DataFrame
        What tolerance and drift explain, by day and feature: the healthy value of this very site.
    setting : Setting
        Sizes of the site.
    loss : Loss
        Water lost a day.
    work : sequence of WorkDay
        Service events.
    settings : Settings
        Limits.

    Returns
    -------
    finding : Finding
        Complete record.
    """
    cause = accepted.cause
    probability = accepted.weighed.probability
    rivals = _rivals(accepted, signatures, noise, drift, settings)
    group = _group(accepted, signatures, settings)
    status, says, onset = _life(accepted, days, work)
    size, low, high = _size(accepted, setting)
    posterior = float(probability.get(cause.code, 0.0))
    traits = finding_traits(
        cause.code, probability, accepted.weighed.log_evidence, kind=accepted.kind,
        is_measuring=cause.link == "measuring", shift=accepted.shift, course=accepted.course,
        drift=np.array([FEATURES[name].drift for name in FEATURE_NAMES]), known=np.isfinite(noise.values))
    urgency = cause.urgency
    if status in ("healed", "mended"):
        urgency = "information"
    return Finding(
        site_id=site_id, cause=cause.code, confidence=calibrated(traits), group=group,
        posterior=min(max(posterior, 0.0), 1.0), confidence_from=traits,
        onset=_day(days, onset), onset_low=_day(days, min(accepted.onset_low, onset)),
        onset_high=_day(days, max(accepted.onset_high, onset)),
        onset_shape=_SHAPE_OF_KIND[accepted.kind], last_seen=_day(days, _last_active(accepted)), size=size,
        size_low=min(low, size), size_high=max(high, size), size_unit=cause.size_unit, size_means=cause.size_means,
        water_lost_m3_day=loss.per_day_m3, water_lost_low_m3_day=loss.low_m3, water_lost_high_m3_day=loss.high_m3,
        evidence=evidence_rows(accepted, noise, drift, days), rivals=rivals,
        next_test=next_test(cause, {rival.cause: rival.probability for rival in rivals}),
        field_readings=list(cause.readings), parts=list(cause.parts), parts_if_rival=_parts_of_rivals(cause, rivals),
        dangers=list(cause.dangers), owner_of_cause=cause.owner_of_cause, urgency=urgency, status=status,
        status_says=says)


def _day(days: pd.Index, position: int) -> date:
    return pd.Timestamp(days[int(np.clip(position, 0, len(days) - 1))]).date()


def _last_active(accepted: Accepted) -> int:
    active = np.flatnonzero(_active(accepted))
    return int(active[-1]) if active.size else accepted.last


def _size(accepted: Accepted, setting: Setting) -> tuple[float, float, float]:
    """Size at the last day it was there, in the unit people are told."""
    if accepted.case is None:
        return accepted.severity, accepted.severity_low, accepted.severity_high
    now = float(accepted.course[_last_active(accepted)])
    tell = accepted.case.form.size
    # The signature may be off by its own error, and the size with it.
    spread = 0.2 if accepted.case.form.health is not None else 0.1
    values = sorted([tell(accepted.severity_low * now, setting) * (1.0 - spread),
                     tell(accepted.severity_high * now, setting) * (1.0 + spread)])
    return tell(accepted.severity * now, setting), values[0], values[1]


def _life(accepted: Accepted, days: pd.Index, work: Sequence[WorkDay]) -> tuple[Status, str, int]:
    """
    Say where the cause stands in its life, from its whole course, so that a nightly run cannot flicker.

    A course that has ended is mended if work meant for it stands at its end, else healed by itself.
    """
    active = _active(accepted)
    last, total = _last_active(accepted), len(days)
    begins = _beginnings(active)
    current = int(begins[-1]) if begins.size else accepted.onset
    onset = _first_onset(accepted, begins)
    repeated = len(begins) > 1 and accepted.kind != "intermittent"
    # What comes and goes is gone only when it has stayed away.
    patience = QUIET_DAYS if accepted.kind == "intermittent" else 0
    if last < total - 1 - patience and not active[-1]:
        code = accepted.cause.code
        near = [w for w in work if -3 <= w.day - (last + 1) <= 3 and (
            w.meant_for == code or code in _meant_for(w.action))]
        if near:
            return "mended", f"Gone since {_day(days, last + 1)}, after the work of {_day(days, near[0].day)}.", onset
        return "healed", f"Gone by itself since {_day(days, last + 1)}.", onset
    if repeated:
        return "relapsed", f"Back since {_day(days, current)} after it had gone.", onset
    if total - accepted.onset <= NEW_DAYS:
        return "new", f"First seen {_day(days, accepted.onset)}.", onset
    recent = accepted.course[-1] - accepted.course[max(0, total - 15)]
    if recent > 0.1:
        return "growing", "Still growing over the last two weeks.", onset
    return "steady", f"Unchanged since {_day(days, accepted.onset)}.", onset


def _active(accepted: Accepted) -> NDArray[np.bool_]:
    """Say on which days the cause was there; what washes off is gone when little of it is left."""
    least = 0.25 * float(accepted.course.max()) if accepted.cause.resets else 0.05
    return np.asarray(accepted.course > least)


def _beginnings(active: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return the days on which the cause began, counting it as gone only after two weeks without it."""
    on = np.flatnonzero(active)
    if on.size == 0:
        return on
    return np.asarray(on[np.concatenate(([True], np.diff(on) > NEW_DAYS))])


def _first_onset(accepted: Accepted, begins: NDArray[np.intp]) -> int:
    """
    Return the day on which the cause first came: a later spell is a relapse of it and no new onset.

    A first spell that is next to nothing beside the greatest one does not date the cause.
    """
    if len(begins) <= 1:
        return accepted.onset
    # A course rises before it counts as there, so the first spell keeps the onset that was weighed.
    starts = np.concatenate(([min(accepted.onset, int(begins[0]))], begins[1:]))
    mass = np.add.reduceat(accepted.course, starts)
    return int(starts[int(np.argmax(mass >= LEAST_SPELL * mass.max()))])


def _meant_for(action: str) -> tuple[str, ...]:
    known = SERVICE_ACTIONS.get(action)
    return known.meant_for if known else ()


def evidence_rows(accepted: Accepted, noise: Noise, drift: pd.DataFrame, days: pd.Index) -> list[EvidenceRow]:
    """
    List what was measured while the cause was there, beside this site's healthy value and what the cause would show.

    Parameters
    ----------
    accepted : Accepted
        Cause, course and signature.
    noise : Noise
        Daily values.
    drift : pandas.DataFrame
        Healthy course of each summary at this site.
    days : pandas.Index
        Local dates.

    Returns
    -------
    rows : list of EvidenceRow
        The strongest first, and what speaks against.
    """
    active = accepted.course >= 0.5 * float(accepted.course.max())
    before = accepted.course < 0.05
    rows: list[tuple[float, EvidenceRow]] = []
    for column, name in enumerate(FEATURE_NAMES):
        values = noise.values[:, column]
        inside = active & np.isfinite(values)
        if not inside.any():
            continue
        weight = 1.0 / noise.variance[inside, column]
        measured = float(np.sum(weight * values[inside]) / weight.sum())
        healthy = float(np.mean(drift[name].to_numpy()[inside]))
        due = float(np.sum(weight * accepted.course[inside]) / weight.sum()) * float(accepted.shift[column])
        feature = FEATURES[name]
        error = float(np.sqrt(1.0 / weight.sum() + feature.drift**2))
        gone = measured - healthy
        outside = before & np.isfinite(values)
        earlier = float(np.median(values[outside])) if outside.sum() >= 3 else None
        strength = abs(due) / error if due else 0.0
        if strength < 1.0 and abs(gone) < 3.0 * error:
            continue
        fits = abs(gone - due) < max(0.5 * abs(due), 2.5 * error)
        outcome: Literal["supports", "speaks against", "neutral", "not enough data"]
        outcome = "supports" if fits and strength >= 1.0 else "neutral" if fits else "speaks against"
        if outcome == "neutral":
            continue
        says = _sentence(feature.says, measured, healthy, due, earlier, str(_day(days, accepted.onset)))
        rows.append((strength if outcome == "supports" else abs(gone - due) / error, EvidenceRow(
            check=name, says=says, value=measured, healthy=healthy, unit="1", outcome=outcome,
            n_samples=int(inside.sum()), source="daily summaries of this site's own readings")))
    rows.sort(key=lambda row: (row[1].outcome != "supports", -row[0]))
    supports = [row for _, row in rows if row.outcome == "supports"][:6]
    against = [row for _, row in rows if row.outcome == "speaks against"][:3]
    return supports + against


def _sentence(says: str, measured: float, healthy: float, due: float, earlier: float | None, since: str) -> str:
    text = f"{says[0].upper()}{says[1:]}: {measured:+.1%}, healthy here {healthy:+.1%}"
    if earlier is not None:
        text += f", before {since} {earlier:+.1%}"
    return f"{text}; this cause would show {healthy + due:+.1%}."


def _rivals(accepted: Accepted, signatures: Signatures, noise: Noise, drift: pd.DataFrame,
            settings: Settings) -> list[Rival]:
    weighed = accepted.weighed
    mine = accepted.cause.code
    ranked = sorted(((code, p) for code, p in weighed.probability.items() if code not in (mine, "nothing")),
                    key=lambda pair: -pair[1])
    rivals: list[Rival] = []
    for code, probability in ranked:
        # Named look-alikes are listed with what excludes them even where little probability is left.
        listed = probability >= settings.least_rival_probability
        if not listed and not (code in accepted.cause.look_alikes and len(rivals) < 5 and probability > 1e-4):
            continue
        rivals.append(Rival(cause=code, probability=float(min(probability, 1.0)),
                            against=_against(accepted, code), split_by=_split(accepted.cause, code)))
        if len(rivals) >= 6:
            break
    return rivals


def _split(cause: Cause, rival: str) -> str:
    """Return the measurement that splits the pair; where none is named, what shows the named cause itself."""
    return cause.look_alikes.get(rival, "") or CAUSES[rival].look_alikes.get(cause.code, "") or cause.test


def _parts_of_rivals(cause: Cause, rivals: list[Rival]) -> list[str]:
    """List what a rival would need beyond the named cause, marked as such, so that one drive may do."""
    found: dict[str, str] = {}
    for rival in rivals:
        if rival.probability < PARTS_FROM:
            continue
        for part in CAUSES[rival.cause].parts:
            if part not in cause.parts and part not in found:
                found[part] = CAUSES[rival.cause].label
    return [f"{part} (only if: {label[0].lower()}{label[1:]})" for part, label in found.items()]


def _against(accepted: Accepted, rival: str) -> str:
    """Name the summary that speaks most against the rival, with the two numbers."""
    weighed = accepted.weighed
    best = weighed.candidates.get(rival)
    if not best or best[0].case < 0 or accepted.case is None:
        return "Nothing excludes it; it names no cause." if rival == "unexplained" else ""
    field, used, signatures = weighed.field, weighed.field.used, weighed.signatures
    own_profile = weighed.candidates[accepted.cause.code][0].profile
    mine = _feature_fit(accepted.shift[used], field.score[own_profile], field.weight[own_profile])
    theirs = _feature_fit(signatures.shifts[best[0].case][used], field.score[best[0].profile],
                          field.weight[best[0].profile])
    worse = mine - theirs
    place = int(np.argmax(worse))
    if worse[place] < 1.0:
        return "Nothing logged here speaks against it."
    name = FEATURE_NAMES[used[place]]
    weight = field.weight[own_profile][place]
    seen = field.score[own_profile][place] / weight if weight > 0 else float("nan")
    would = float(signatures.shifts[best[0].case][used[place]])
    return (f"{FEATURES[name].says[0].upper()}{FEATURES[name].says[1:]} moved by {seen:+.1%}; "
            f"{CAUSES[rival].label[0].lower()}{CAUSES[rival].label[1:]} would move it by {would:+.1%}.")


def _feature_fit(shift: Vector, score: Vector, weight: Vector) -> Vector:
    return np.asarray(shift * score - 0.5 * shift**2 * weight)


def _group(accepted: Accepted, signatures: Signatures, settings: Settings) -> list[str]:
    """
    List the causes that these sensors cannot tell from the accepted one, most probable first.

    Two causes belong together if the best of one explains the record within a factor of about ten of the other.
    """
    weighed, mine = accepted.weighed, accepted.cause.code
    own = weighed.log_evidence.get(mine, 0.0) * settings.evidence_temper
    near = [code for code, value in weighed.log_evidence.items()
            if code != "unexplained" and own - value * settings.evidence_temper < 2.3
            and weighed.probability.get(code, 0.0) >= settings.least_rival_probability]
    if mine not in near:
        near.append(mine)
    return sorted(near, key=lambda code: (code != mine, -weighed.probability.get(code, 0.0)))


def next_test(cause: Cause, rivals: Mapping[str, float]) -> str:
    """
    Take the test that splits the named cause from the most probability left to others.

    Parameters
    ----------
    cause : Cause
        The named one.
    rivals : mapping of str to float
        Probability of each rival by code. [1]

    Returns
    -------
    test : str
        A measurement that splits a pair counts for every rival it is named for; the cause's own test counts for the
        rivals that no such measurement is named for, and is taken where there is hardly a rival.
    """
    split: dict[str, float] = {}
    for code, probability in rivals.items():
        text = _split(cause, code) if code in CAUSES else cause.test
        split[text] = split.get(text, 0.0) + probability
    best = max(split, key=lambda text: split[text], default=cause.test)
    if split.get(best, 0.0) < 0.05:
        best = cause.test
    return best[0].upper() + best[1:] + ("" if best.endswith(".") else ".")
