"""Which cause, since when, how much: posterior over causes, and forward selection of concurrent ones."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from diagnostics.causes import CAUSES, Cause
from diagnostics.evidence.features import FEATURE_NAMES, FEATURES
from diagnostics.inference.profiles import SPREAD, Profiles
from diagnostics.inference.signatures import Case, Signatures, replaced_cases
from diagnostics.inference.weigh import Direction, Field, KnownShift, Noise, build_field, rescore, scan
from diagnostics.settings import Settings

Vector = NDArray[np.float64]
TOP = 24
LEAST_BASELINE_DAYS = 10
SAME_EVENT_DAYS = 7
# Error of a cause's own marks that leaves them nearly any size, over the usual.
OWN_MARK_ERROR = 4.0
# What a cause does besides its signature, over what a change that nobody can name may do: no chain is the site itself,
# and what little is left beside a cause that has been named must not be named a second one.
BESIDES = 0.15
# A change free in every summary fits any record best, the error of every signature included; its evidence is divided
# by this much more than that of causes, so that it is told where no cause says the greater part of what is seen.
UNEXPLAINED_TEMPER = 1.4
FREE = np.array([FEATURES[name].free for name in FEATURE_NAMES])


@dataclass(frozen=True)
class Candidate:
    """One case with one profile and its weight among those of its cause."""

    case: int
    profile: int
    log_ratio: float
    weight: float


@dataclass(frozen=True)
class Weighed:
    """Posterior of one round: probabilities by cause code ("nothing" for no fault), candidates of each cause."""

    probability: Mapping[str, float]
    log_evidence: Mapping[str, float]
    candidates: Mapping[str, list[Candidate]]
    field: Field
    signatures: Signatures      # those the candidates count in
    coarse: float = 1.0         # what the log evidence of causes was divided by besides the temper


@dataclass(frozen=True)
class Accepted:
    """A cause that the record asks for: its case, course over the days, posterior against rivals."""

    cause: Cause
    case: Case | None
    case_number: int
    shift: Vector               # (all features,) at full course
    course: Vector              # (days,) 0..1
    severity: float
    severity_low: float
    severity_high: float
    onset: int
    onset_low: int
    onset_high: int
    last: int
    kind: str
    weighed: Weighed
    loose: Vector               # (all features,) what it disturbs beyond its shift
    inexactness: float = 1.0    # of its signature, over the usual

    def known(self) -> KnownShift:
        """Return what later rounds must take out."""
        strength = min(float(np.max(np.abs(self.shift) / FREE)), 1.0)
        return KnownShift(self.shift, self.course, np.hypot(self.loose, BESIDES * strength * FREE), self.inexactness)


def weigh_all(signatures: Signatures, noise: Noise, profiles: Profiles, directions: list[Direction],
              settings: Settings, *, known: list[KnownShift] | None = None, base: Field | None = None,
              dated: frozenset[str] = frozenset()) -> Weighed:
    """
    Weigh every cause against nothing wrong and the unexplained.

    Parameters
    ----------
    signatures : Signatures
        Cases and shifts of this site.
    noise : Noise
        Daily values and variances.
    profiles : Profiles
        Shapes over time.
    directions : list of Direction
        Tolerances.
    settings : Settings
        Temper and signature error.
    known : list of KnownShift, optional
        Causes already accepted.
    base : Field, optional
        Projections of the first round, to save time.
    dated : frozenset of str, optional
        Causes that were found to begin later: the first days, against which they were dated, are none of theirs.

    Returns
    -------
    weighed : Weighed
        Probabilities add up to 1.
    """
    field = build_field(noise, profiles, directions, settings, known_shifts=known, base=base)
    kind_priors = _kind_priors(profiles, dated)
    temper = np.where(profiles.kind == "day_one", settings.day_one_temper, settings.evidence_temper)
    log_ratio = scan(field, signatures.shifts)
    disturbing = np.flatnonzero(((signatures.loose > 0.0) & (signatures.shifts != 0.0)).any(axis=1))
    if disturbing.size:
        # What a cause may disturb by nobody knows how much must not keep its own marks from being dated.
        own_marks = np.where(signatures.loose[disturbing] > 0.0, 0.0, signatures.shifts[disturbing])
        log_ratio[disturbing] = np.maximum(log_ratio[disturbing], scan(field, own_marks))
    codes = [case.cause.code for case in signatures.cases]
    case_prior = np.array([case.log_prior for case in signatures.cases])
    evidence: dict[str, float] = {}
    picked: dict[str, tuple[NDArray[np.intp], NDArray[np.intp], Vector, float]] = {}
    for code in dict.fromkeys(codes):
        rows = np.flatnonzero(np.array([c == code for c in codes]))
        prior = case_prior[rows][:, None] + np.array([kind_priors[code, signatures.cases[row].washes_off]
                                                      for row in rows])
        block = log_ratio[rows] / temper[None, :] + prior
        flat = block.ravel()
        if not np.isfinite(flat).any():
            continue        # no shape of this cause fits into so short a record
        top = np.argpartition(flat, -min(TOP, flat.size))[-min(TOP, flat.size):]
        rest = float(logsumexp(flat) - logsumexp(flat[top]))
        picked[code] = (rows[top // profiles.count], top % profiles.count, prior.ravel()[top], rest)
    candidates: dict[str, list[Candidate]] = {}
    coarse = 1.0
    if picked:
        case_rows = np.concatenate([p[0] for p in picked.values()])
        profile_rows = np.concatenate([p[1] for p in picked.values()])
        exact = rescore(field, signatures.shifts[case_rows], profile_rows,
                        signature_error=settings.signature_error * signatures.inexactness[case_rows],
                        loose=signatures.loose[case_rows])
        # What a cause may disturb is no proof of it: its own marks bound its evidence.
        loose = np.flatnonzero(signatures.loose[case_rows].any(axis=1))
        if loose.size:
            rows = case_rows[loose]
            own = rescore(field, signatures.shifts[rows], profile_rows[loose], signature_error=OWN_MARK_ERROR,
                          loose=np.where(signatures.shifts[rows] != 0.0, signatures.loose[rows], 0.0))
            exact[loose] = np.minimum(exact[loose], own)
        at = 0
        # What was seen tells beyond doubt that and when something changed; which of two computed signatures it follows
        # it tells only as well as the chain behind them is the site itself, which more days of the same do not mend
        # (J. W. Miller and D. B. Dunson, Robust Bayesian inference via coarsening, JASA 114, 2019, 1113-1125).
        tempered = exact / temper[profile_rows]
        coarse = max(1.0, float(tempered.max()) / settings.trusted_evidence)
        for code, (rows, columns, prior, rest) in picked.items():
            part, weighted = exact[at:at + len(rows)], tempered[at:at + len(rows)]
            at += len(rows)
            evidence[code] = float(logsumexp(weighted / coarse + prior)) + min(rest, 3.0)
            total = weighted + prior
            share = np.exp(total - logsumexp(total))
            order = np.argsort(-share)
            candidates[code] = [Candidate(int(rows[i]), int(columns[i]), float(part[i]), float(share[i]))
                                for i in order]
    evidence["unexplained"] = _unexplained(field, profiles, settings, candidates, coarse)
    log_weights = {code: value + float(np.log(signatures.priors[code])) for code, value in evidence.items()}
    log_weights["nothing"] = 0.0
    norm = float(logsumexp(list(log_weights.values())))
    return Weighed({code: float(np.exp(value - norm)) for code, value in log_weights.items()}, evidence, candidates,
                   field, signatures, coarse)


def _kind_priors(profiles: Profiles, dated: frozenset[str]) -> dict[tuple[str, bool], Vector]:
    """Spread the onset shapes of each cause, washed off by rain or not, evenly over the profiles of each kind."""
    count = {kind: int((profiles.kind == kind).sum()) for kind in set(profiles.kind)}
    early = profiles.start < LEAST_BASELINE_DAYS
    priors: dict[tuple[str, bool], Vector] = {}
    for code, cause in CAUSES.items():
        for washes_off in {False, cause.resets}:
            log_prior = _spread_over(profiles, cause, count, washes_off=washes_off)
            priors[code, washes_off] = np.where(early, -np.inf, log_prior) if code in dated else log_prior
    return priors


def _spread_over(profiles: Profiles, cause: Cause, count: Mapping[str, int], *, washes_off: bool) -> Vector:
    mass: dict[str, float] = {}
    for shape, weight in cause.shapes.items():
        spread = SPREAD["ramp_resets" if shape == "ramp" and washes_off else shape]
        if shape == "intermittent" and cause.kind not in ("stop", "rule", "after_meter"):
            spread = {"intermittent": 0.5, "window": 0.5}
        present = {kind: share for kind, share in spread.items() if count.get(kind)}
        total = sum(present.values())
        for kind, share in present.items():
            mass[kind] = mass.get(kind, 0.0) + weight * share / total
    log_prior = np.full(profiles.count, -np.inf)
    for kind, weight in mass.items():
        log_prior[profiles.kind == kind] = np.log(weight) - np.log(count[kind])
    if cause.least_days:
        ends = np.isin(profiles.kind, ("spell", "window", "ramp_window"))
        log_prior[ends & (profiles.stop - profiles.start < cause.least_days)] = -np.inf
    return log_prior


def _unexplained(field: Field, profiles: Profiles, settings: Settings, candidates: dict[str, list[Candidate]],
                 coarse: float) -> float:
    """Evidence for a change that no signature names: every summary free to move by its own amount."""
    # From the first day on, what nobody can name is the model's own error.
    chosen = np.flatnonzero(np.isin(profiles.kind, ("step", "ramp")) & (profiles.start >= LEAST_BASELINE_DAYS))
    if chosen.size == 0:
        return -50.0
    chosen = chosen[::max(1, len(chosen) // 120)]
    zero = np.zeros((len(chosen), len(FEATURE_NAMES)))
    exact = rescore(field, zero, chosen, signature_error=0.0, free=FREE)
    total = exact / (UNEXPLAINED_TEMPER * settings.evidence_temper) - np.log(len(chosen))
    order = np.argsort(-total)[:TOP]
    share = np.exp(total - logsumexp(total))
    candidates["unexplained"] = [Candidate(-1, int(chosen[i]), float(exact[i]), float(share[i])) for i in order]
    return float(logsumexp(exact / (UNEXPLAINED_TEMPER * settings.evidence_temper * coarse) - np.log(len(chosen))))


def select_causes(signatures: Signatures, noise: Noise, profiles: Profiles, directions: list[Direction],
                  settings: Settings) -> tuple[list[Accepted], Weighed]:
    """
    Accept causes one after the other while the record asks for one more, then weigh each again beside the others.

    Parameters
    ----------
    signatures, noise, profiles, directions, settings
        As for `weigh_all`.

    Returns
    -------
    accepted : list of Accepted
        At most `settings.most_causes` different causes; a cause found twice keeps one course.
    last : Weighed
        The round in which nothing more was asked for.
    """
    accepted: list[Accepted] = []
    weighed = weigh_all(signatures, noise, profiles, directions, settings)
    left, base = signatures, weighed.field
    for _ in range(settings.most_causes + 2):
        if 1.0 - weighed.probability["nothing"] < settings.open_probability:
            break
        accepted = _merged([*accepted, _accept(left, profiles, weighed, settings)])
        if accepted[-1].cause.code == "unexplained":
            # What comes with a named cause is the error of its signature and no second event.
            if any(abs(a.onset - accepted[-1].onset) <= SAME_EVENT_DAYS for a in accepted[:-1]):
                accepted.pop()
            break
        if len(accepted) > settings.most_causes:
            accepted = accepted[:settings.most_causes]
            break
        left = _without_excluded(signatures, accepted)
        weighed = weigh_all(left, noise, profiles, directions, settings, known=[a.known() for a in accepted], base=base,
                            dated=frozenset(a.cause.code for a in accepted if a.onset >= LEAST_BASELINE_DAYS))
    if len(accepted) > 1:
        accepted = _refit(accepted, signatures, noise, profiles, directions, settings, base)
        accepted = _standing_before(accepted, signatures, noise, profiles, directions, settings)
    return accepted, weighed


def _without_excluded(signatures: Signatures, accepted: list[Accepted]) -> Signatures:
    """Leave out causes that an accepted one of their own group excludes, and forms that one bears witness against."""
    taken = {a.cause.group: a.cause.code for a in accepted if a.cause.group}
    denied = {form for a in accepted for form in a.cause.bears_against}
    keep = np.array([(case.cause.group not in taken or taken[case.cause.group] == case.cause.code)
                     and (case.cause.code, case.form.name) not in denied for case in signatures.cases], dtype=bool)
    return signatures if keep.all() else replaced_cases(signatures, keep)


def _refit(accepted: list[Accepted], signatures: Signatures, noise: Noise, profiles: Profiles,
           directions: list[Direction], settings: Settings, base: Field) -> list[Accepted]:
    """Weigh each cause again with the others taken as known; drop what is then no longer asked for."""
    current = list(accepted)
    for place in range(len(accepted)):
        mine = current[place]
        others = [a.known() for number, a in enumerate(current) if number != place and a.case is not None]
        left = _without_excluded(signatures, [a for number, a in enumerate(current)
                                              if number != place and a.case is not None])
        weighed = weigh_all(left, noise, profiles, directions, settings, known=others, base=base)
        if 1.0 - weighed.probability["nothing"] < 0.5 * settings.open_probability:
            current[place] = _emptied(mine)
            continue
        again = _accept(left, profiles, weighed, settings)
        taken = {a.cause.code for number, a in enumerate(current) if number != place}
        if again.cause.code not in taken:
            current[place] = again
    return _merged([a for a in current if a.course.any()])


def _standing_before(accepted: list[Accepted], signatures: Signatures, noise: Noise, profiles: Profiles,
                     directions: list[Direction], settings: Settings) -> list[Accepted]:
    """
    Keep a cause that stands from the first day only if it shows before anything else began.

    What a later fault does beyond its signature would else be laid at the door of a cause that was always there.
    """
    dated = [a.onset for a in accepted if a.kind != "day_one"]
    first = min(dated, default=0)
    if first < LEAST_BASELINE_DAYS:
        return accepted
    values = noise.values.copy()
    values[first:] = np.nan
    before = Noise(values, noise.variance)
    kept = []
    for item in accepted:
        if item.kind != "day_one" or item.case is None:
            kept.append(item)
            continue
        own = replaced_cases(signatures, np.array([c.cause.code == item.cause.code for c in signatures.cases]))
        weighed = weigh_all(own, before, profiles, directions, settings)
        if weighed.probability.get(item.cause.code, 0.0) > weighed.probability["nothing"]:
            kept.append(item)
    return kept


def _emptied(accepted: Accepted) -> Accepted:
    return replace(accepted, course=np.zeros_like(accepted.course))


def _accept(signatures: Signatures, profiles: Profiles, weighed: Weighed, settings: Settings) -> Accepted:
    """Take the most probable cause with its best profile, its severity refined between the tried ones."""
    ranked = sorted((code for code in weighed.probability if code != "nothing"),
                    key=lambda code: -weighed.probability[code])
    code = ranked[0]
    candidates = weighed.candidates[code]
    best = candidates[0]
    course = profiles.column(best.profile)
    starts = np.array([profiles.start[c.profile] for c in candidates], dtype=np.float64)
    shares = np.array([c.weight for c in candidates]) ** (1.0 / weighed.coarse)
    low, high = _quantiles(starts, shares, 0.025, 0.975)
    kind = str(profiles.kind[best.profile])
    last = int(profiles.stop[best.profile]) - 1
    onset = int(profiles.start[best.profile])
    if code == "unexplained":
        shift = _free_shift(weighed.field, best.profile)
        return Accepted(CAUSES[code], None, -1, shift, course, float(np.abs(shift).max()), 0.0,
                        float(np.abs(shift).max()), onset, int(low), int(high), last, kind, weighed,
                        np.zeros(len(FEATURE_NAMES)))
    severities, shifts = _refined(signatures, best.case)
    exact = rescore(weighed.field, shifts, np.full(len(shifts), best.profile),
                    signature_error=settings.signature_error * signatures.inexactness[best.case],
                    loose=np.tile(signatures.loose[best.case], (len(shifts), 1))) / settings.evidence_temper
    share = np.exp(exact - logsumexp(exact))
    number = int(np.argmax(exact))
    size_low, size_high = _quantiles(severities, share, 0.025, 0.975)
    case = signatures.cases[best.case]
    return Accepted(case.cause, case, best.case, shifts[number], course, float(severities[number]), float(size_low),
                    float(size_high), onset, min(int(low), onset), max(int(high), onset), last, kind, weighed,
                    signatures.loose[best.case], float(signatures.inexactness[best.case]))


def _refined(signatures: Signatures, number: int) -> tuple[Vector, Vector]:
    """Interpolate the signature between the severities of one form, from just above nothing to the severest."""
    form = signatures.cases[number].form
    rows = [i for i, case in enumerate(signatures.cases) if case.form is form]
    severities = np.array([signatures.cases[i].severity for i in rows])
    order = np.argsort(severities)
    severities, rows = severities[order], [rows[i] for i in order]
    if len(rows) == 1 or signatures.cases[number].cause.code in ("string_open", "unit_mistake", "module_bypassed"):
        return np.array([signatures.cases[number].severity]), signatures.shifts[[number]]
    both_signs = severities[0] < 0.0 < severities[-1]
    known = signatures.shifts[rows]
    # A cause that may disturb much else must show its own mark at least as strongly as its mildest case.
    if not both_signs and not form.loose:
        severities = np.concatenate(([0.0], severities))
        known = np.vstack([np.zeros(known.shape[1]), known])
    fine = np.concatenate([np.linspace(a, b, 6)[1:] for a, b in pairwise(severities)])
    above = np.clip(np.searchsorted(severities, fine), 1, len(severities) - 1)
    part = (fine - severities[above - 1]) / (severities[above] - severities[above - 1])
    return fine, known[above - 1] * (1.0 - part)[:, None] + known[above] * part[:, None]


def _free_shift(field: Field, profile: int) -> Vector:
    shift = np.zeros(len(FEATURE_NAMES))
    prior = FREE[field.used] ** 2
    weight, score = field.weight[profile], field.score[profile]
    shift[field.used] = prior * score / (1.0 + prior * weight)
    return shift


def _quantiles(values: Vector, weights: Vector, *levels: float) -> list[float]:
    order = np.argsort(values)
    total = np.cumsum(weights[order]) / weights.sum()
    return [float(values[order][min(int(np.searchsorted(total, level)), len(values) - 1)]) for level in levels]


def _merged(accepted: list[Accepted]) -> list[Accepted]:
    """Join a cause that was found twice: the earlier keeps its evidence, the courses add in units of its severity."""
    joined: list[Accepted] = []
    for item in accepted:
        same = next((i for i, other in enumerate(joined)
                     if other.cause.code == item.cause.code and item.case is not None), None)
        if same is None:
            joined.append(item)
            continue
        first = joined[same]
        scale = item.severity / first.severity if first.severity else 1.0
        course = first.course + scale * item.course
        top = float(course.max())
        joined[same] = replace(
            first, course=course / top, shift=first.shift * top, severity=first.severity * top,
            severity_low=first.severity_low * top, severity_high=first.severity_high * top,
            onset=min(first.onset, item.onset), onset_low=min(first.onset_low, item.onset_low),
            last=max(first.last, item.last), kind=first.kind if first.last >= item.last else item.kind)
    return joined
