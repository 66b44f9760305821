"""
Evidence of one cause with one shape over time, against nothing wrong: Gaussian, with drift and tolerances integrated
out.

A daily summary is: fault shift x profile + tolerance directions (constant within an epoch, some drifting) + slow drift
of its own + the noise of the day. All but the first are Gaussian with stated sizes, so the evidence of a hypothesis is
a quadratic form of a handful of projections, and every onset can be tried at once with cumulative sums.
(C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning, MIT Press 2006, section 2.7: explicit
basis functions with Gaussian coefficients.)
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.linalg import solveh_banded

from diagnostics.evidence.features import FEATURE_NAMES, FEATURES
from diagnostics.evidence.summary import Summaries
from diagnostics.inference.profiles import Profiles
from diagnostics.settings import Settings

Vector = NDArray[np.float64]
LEAST_DAYS = 3
SIGNATURE_ERROR = np.array([FEATURES[name].signature_error for name in FEATURE_NAMES])


@dataclass(frozen=True)
class Direction:
    """One tolerance: unit shift over features (one standard deviation) and its course over the days."""

    name: str
    shift: Vector       # (features,)
    course: Vector      # (days,)


@dataclass(frozen=True)
class KnownShift:
    """What an accepted cause does: shift and loose deviation over features, course over days."""

    shift: Vector
    course: Vector
    loose: Vector
    inexactness: float = 1.0


@dataclass(frozen=True)
class Field:
    """Summaries whitened by their own noise and drift; projections of every profile, ready for any hypothesis."""

    used: NDArray[np.intp]      # positions of features with data
    residual: Vector            # (used, days), NaN replaced by 0
    precision: list[Vector]     # per used feature (days, days)
    score: Vector               # A: profile x feature, g' P x
    weight: Vector              # C: profile x feature, g' P g
    course: NDArray[np.intp]    # (directions,) which of the different courses each follows
    cross: Vector               # N: feature x course x profile, h' P g
    own: Vector                 # course x feature, h' P x
    joint: Vector               # course x course x feature, h' P h
    factors: Vector             # J: direction x feature

    @cached_property
    def gram(self) -> Vector:
        """Precision of the directions under no fault."""
        joint = self.joint[self.course][:, self.course]
        return np.asarray(np.eye(len(self.factors)) + np.einsum("rf,sf,rsf->rs", self.factors, self.factors, joint))

    @cached_property
    def pull(self) -> Vector:
        """What the data say of the directions under no fault."""
        return np.asarray(np.einsum("rf,rf->r", self.factors, self.own[self.course]))

    @cached_property
    def scanned(self) -> tuple[Vector, Vector]:
        """
        Return what the evidence of an exact signature is linear in: itself, and the products of its pairs.

        Shapes are (features, profiles) and (pairs, profiles), pairs as of `numpy.triu_indices`.
        """
        features, courses = len(self.used), len(self.joint)
        along = np.zeros((courses, len(self.factors), features))
        along[self.course, np.arange(len(self.factors))] = self.factors
        cover = np.linalg.inv(self.gram)
        held = np.einsum("crf,r->fc", along, cover @ self.pull)
        score = self.score.T - np.einsum("fcp,fc->fp", self.cross, held)
        bend = []
        for above in range(features):
            left = along[:, :, above] @ cover
            for beside in range(above, features):
                between = left @ along[:, :, beside].T
                pair = np.einsum("cp,cp->p", self.cross[above], between @ self.cross[beside])
                bend.append(pair if above != beside else 0.5 * (pair - self.weight[:, above]))
        return score, np.array(bend).reshape(-1, self.score.shape[0])


@dataclass(frozen=True)
class Noise:
    """Values and variances by day and feature after outliers were given less weight."""

    values: Vector      # (days, features) NaN unknown
    variance: Vector    # (days, features)


def day_noise(summaries: Summaries, settings: Settings) -> Noise:
    """
    Judge how noisy a day is: its own error, the scatter seen at this site, and outliers against the days around.

    Parameters
    ----------
    summaries : Summaries
        Daily values with errors.
    settings : Settings
        Widening for what neighbouring days share.

    Returns
    -------
    noise : Noise
        A day that leaves its neighbours by more than two standard errors loses weight as under Student's t with four
        degrees of freedom; a step is no outlier, for the median follows it.
    """
    values = summaries.values.to_numpy(dtype=np.float64, copy=True)
    values[:, FEATURE_NAMES.index("silent_share")] = np.nan     # told by rule
    variance = summaries.errors.to_numpy(dtype=np.float64, copy=True) ** 2
    for column, name in enumerate(FEATURE_NAMES):
        if not FEATURES[name].robust:
            continue
        # Beside the days that have a value, however far apart: a summary that few days give is as open to an odd one.
        seen = summaries.values[name].dropna()
        smooth = seen.rolling(7, center=True, min_periods=3).median().reindex(summaries.values.index)
        gone = values[:, column] - smooth.to_numpy(dtype=np.float64)
        known = np.isfinite(gone)
        if known.sum() >= 8:
            scatter = 1.4826 * float(np.median(np.abs(gone[known])))
            variance[:, column] = np.maximum(variance[:, column], scatter**2)
        z2 = np.where(known, gone**2 / np.maximum(variance[:, column], 1e-12), 0.0)
        variance[:, column] *= np.where(z2 > 4.0, (1.0 + z2 / 4.0) / 2.0, 1.0)
    return Noise(values, variance * settings.day_variance_widening)


def build_field(noise: Noise, profiles: Profiles, directions: list[Direction], settings: Settings,
                *, known_shifts: list[KnownShift] | None = None, base: "Field | None" = None) -> Field:
    """
    Project every profile once, for all later hypotheses.

    Parameters
    ----------
    noise : Noise
        Daily values and variances.
    profiles : Profiles
        Shapes over time.
    directions : list of Direction
        Tolerances to integrate out.
    settings : Settings
        Drift memory and signature error.
    known_shifts : list of KnownShift, optional
        Causes already accepted: subtracted, with the error of their signature added to the noise.
    base : Field, optional
        The same without any known shift: features that no known shift touches are taken over from it.

    Returns
    -------
    field : Field
        Projections by profile and feature.
    """
    days = profiles.days
    time = np.arange(days, dtype=np.float64)
    used = np.flatnonzero(np.isfinite(noise.values).sum(axis=0) >= LEAST_DAYS)
    features, count = len(used), profiles.count
    numbered = {kind: number for number, kind in enumerate(dict.fromkeys(d.course.tobytes() for d in directions))}
    course = np.array([numbered[d.course.tobytes()] for d in directions], dtype=np.intp)
    courses = np.zeros((days, len(numbered)))
    for direction, number in zip(directions, course, strict=True):
        courses[:, number] = direction.course
    factors = np.array([d.shift[used] for d in directions]) if directions else np.zeros((0, features))
    score, weight = np.zeros((count, features)), np.zeros((count, features))
    cross = np.zeros((features, len(numbered), count))
    own = np.zeros((len(numbered), features))
    joint = np.zeros((len(numbered), len(numbered), features))
    residual = np.zeros((features, days))
    precisions: list[Vector] = []
    for place, column in enumerate(used):
        feature = FEATURES[FEATURE_NAMES[column]]
        touching = [k for k in known_shifts or [] if k.shift[column] != 0.0 or k.loose[column] != 0.0]
        if base is not None and not touching:
            precisions.append(base.precision[place])
            residual[place], score[:, place], weight[:, place] = (base.residual[place], base.score[:, place],
                                                                  base.weight[:, place])
            cross[place], own[:, place], joint[:, :, place] = (
                base.cross[place], base.own[:, place], base.joint[:, :, place])
            continue
        known = np.flatnonzero(np.isfinite(noise.values[:, column]))
        x = noise.values[known, column].copy()
        variance = noise.variance[known, column].copy()
        shared = [np.full(known.size, feature.slack)]
        for item in touching:
            lasted = item.course[known]
            x -= item.shift[column] * lasted
            size = np.hypot(settings.signature_error * item.inexactness * feature.signature_error * item.shift[column],
                            item.loose[column])
            shared.append(float(size) * lasted)
            # What a cause disturbs, it disturbs differently every day.
            variance += (0.5 * item.loose[column] * lasted) ** 2
        precision = np.zeros((days, days))
        precision[np.ix_(known, known)] = day_precision(time[known], variance, feature.drift,
                                                        settings.drift_memory_days, np.column_stack(shared))
        residual[place, known] = x
        precisions.append(precision)
        pushed = precision @ residual[place]
        score[:, place] = _project(pushed, profiles)
        weight[:, place] = _square(precision, profiles)
        if len(directions):
            held = precision @ courses
            cross[place] = _project_all(held, profiles)
            own[:, place] = courses.T @ pushed
            joint[:, :, place] = courses.T @ held
    return Field(used, residual, precisions, score, weight, course, cross, own, joint, factors)


def _project(vector: Vector, profiles: Profiles) -> Vector:
    total = np.concatenate(([0.0], np.cumsum(vector)))
    windows = total[profiles.window_last] - total[profiles.window_first]
    return np.concatenate((windows, profiles.dense.T @ vector))


def _project_all(vectors: Vector, profiles: Profiles) -> Vector:
    """Project several courses at once; shape (vectors, profiles)."""
    total = np.vstack([np.zeros(vectors.shape[1]), np.cumsum(vectors, axis=0)])
    windows = total[profiles.window_last] - total[profiles.window_first]
    return np.concatenate((windows, profiles.dense.T @ vectors)).T


def day_precision(time: Vector, variance: Vector, drift: float, memory_days: float, shared: Vector) -> Vector:
    """
    Invert the covariance of one summary over its days: noise, drift that forgets, and what all days share.

    The drift is Markov, so its own inverse is tridiagonal (Rasmussen and Williams 2006, appendix B.2), and the noise
    and the shared parts come in by the matrix inversion lemma (their eq. A.9). Time grows with the square of the days.

    Parameters
    ----------
    time : ndarray, shape (n,)
        Days with a value, rising. [days]
    variance : ndarray, shape (n,)
        Noise of each day.
    drift : float
        Standard deviation of the slow drift.
    memory_days : float
        Time in which the drift forgets all but 1/e of itself. [days]
    shared : ndarray, shape (n, k)
        Courses that a unit normal error moves all days along.

    Returns
    -------
    precision : ndarray, shape (n, n)
        Inverse of diag(variance) + drift^2 exp(-|t - t'| / memory) + shared shared'.
    """
    precision = np.diag(1.0 / variance)
    if drift > 0.0:
        kept = np.exp(-np.diff(time) / memory_days)
        lost = -np.expm1(-2.0 * np.diff(time) / memory_days)
        bands = np.zeros((2, len(time)))
        bands[1] = 1.0 / drift**2 + 1.0 / variance
        bands[1, 1:] += kept**2 / lost / drift**2
        bands[1, :-1] += kept**2 / lost / drift**2
        bands[0, 1:] = -kept / lost / drift**2
        precision -= solveh_banded(bands, precision, check_finite=False) / variance[:, None]
    pushed = precision @ shared
    inner = np.eye(shared.shape[1]) + shared.T @ pushed
    precision -= pushed @ np.linalg.solve(inner, pushed.T)
    return np.asarray(0.5 * (precision + precision.T))


def _square(precision: Vector, profiles: Profiles) -> Vector:
    total = np.zeros((len(precision) + 1, len(precision) + 1))
    total[1:, 1:] = precision.cumsum(axis=0).cumsum(axis=1)
    first, last = profiles.window_first, profiles.window_last
    windows = total[last, last] - total[first, last] - total[last, first] + total[first, first]
    dense = np.einsum("dp,dp->p", profiles.dense, precision @ profiles.dense)
    return np.concatenate((windows, dense))


def scan(field: Field, shifts: Vector) -> Vector:
    """
    Return the log evidence ratio of every case with every profile, signatures taken as exact.

    Parameters
    ----------
    field : Field
        Projections.
    shifts : ndarray, shape (cases, all features)
        Signatures.

    Returns
    -------
    log_ratio : ndarray, shape (cases, profiles)
        Against nothing wrong.
    """
    moved = shifts[:, field.used]
    above, beside = np.triu_indices(moved.shape[1])
    score, bend = field.scanned
    return np.asarray(moved @ score + (moved[:, above] * moved[:, beside]) @ bend)


def rescore(field: Field, shifts: Vector, profile: NDArray[np.intp], *, signature_error: float | Vector,
            free: Vector | None = None, loose: Vector | None = None) -> Vector:
    """
    Return exact log evidence ratios with the error of the signature integrated out, feature by feature.

    Parameters
    ----------
    field : Field
        Projections.
    shifts : ndarray, shape (candidates, all features)
        Signature of each candidate.
    profile : ndarray of int, shape (candidates,)
        Its profile.
    signature_error : float or ndarray, shape (candidates,)
        Scales the standard deviation that each summary states for its own shift. [1]
    free : ndarray, shape (all features,), optional
        Standard deviation of a shift that is not known at all, for the rival "unexplained".
    loose : ndarray, shape (candidates, all features), optional
        The same by candidate, for summaries that its cause disturbs.

    Returns
    -------
    log_ratio : ndarray, shape (candidates,)
        Against nothing wrong.
    """
    moved = shifts[:, field.used]
    scale = np.broadcast_to(np.asarray(signature_error, dtype=np.float64), len(moved))
    width = (scale[:, None] * SIGNATURE_ERROR[field.used][None, :] * moved) ** 2
    if free is not None:
        width = width + (free[field.used] ** 2)[None, :]
    if loose is not None:
        width = width + loose[:, field.used] ** 2
    score, weight = field.score[profile], field.weight[profile]
    left = score - moved * weight
    shrink = width / (1.0 + width * weight)
    ratio = np.sum(moved * score - 0.5 * moved**2 * weight + 0.5 * shrink * left**2
                   - 0.5 * np.log1p(width * weight), axis=1)
    if len(field.factors) == 0:
        return np.asarray(ratio)
    loaded = np.moveaxis(field.cross[:, :, profile][:, field.course], -1, 0) * field.factors.T[None]
    pull = field.pull[None, :] - np.einsum("bfr,bf->br", loaded, moved + shrink * left)
    gram = field.gram[None, :, :] - np.swapaxes(loaded, 1, 2) @ (shrink[:, :, None] * loaded)
    told, spread = _told(gram, pull)
    base, base_spread = _told(field.gram[None], field.pull[None])
    return np.asarray(ratio + told - spread - (base - base_spread))


def _told(gram: Vector, pull: Vector) -> tuple[Vector, Vector]:
    """Return half of pull' gram^-1 pull and half of the log determinant of each of a stack of precisions."""
    lower = np.linalg.cholesky(gram)
    whitened = np.zeros_like(pull)
    for place in range(pull.shape[1]):
        before = np.einsum("br,br->b", lower[:, place, :place], whitened[:, :place])
        whitened[:, place] = (pull[:, place] - before) / lower[:, place, place]
    return (0.5 * np.sum(whitened**2, axis=1),
            np.sum(np.log(np.diagonal(lower, axis1=1, axis2=2)), axis=1))


def tolerance_estimate(field: Field) -> tuple[Vector, Vector]:
    """Return mean and standard deviation of every tolerance direction, in its own standard deviations."""
    if len(field.factors) == 0:
        return np.zeros(0), np.zeros(0)
    cover = np.linalg.inv(field.gram)
    return cover @ field.pull, np.sqrt(np.diag(cover))


def feature_drift(field: Field, noise: Noise, settings: Settings, directions: list[Direction]) -> pd.DataFrame:
    """
    Return the smoothed course of every feature that tolerance and drift explain, by day.

    Parameters
    ----------
    field : Field
        With accepted causes already subtracted.
    noise : Noise
        Gives the number of days.
    settings : Settings
        Drift memory.
    directions : list of Direction
        Tolerances.

    Returns
    -------
    drift : pandas.DataFrame
        Columns are feature names; 0 where a feature has no data.
    """
    days = len(noise.values)
    time = np.arange(days, dtype=np.float64)
    forgetting = np.exp(-np.abs(time[:, None] - time[None, :]) / settings.drift_memory_days)
    mean, _ = tolerance_estimate(field)
    drift = pd.DataFrame(0.0, index=range(days), columns=list(FEATURE_NAMES))
    for place, column in enumerate(field.used):
        name = FEATURE_NAMES[column]
        feature = FEATURES[name]
        along = sum((mean[r] * d.shift[column] * d.course for r, d in enumerate(directions)), np.zeros(days))
        left = field.precision[place] @ (field.residual[place] - along)
        own = (feature.drift**2 * forgetting + feature.slack**2) @ left
        drift[name] = along + own
    return drift
