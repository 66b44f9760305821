"""Figures over many diagnosed plants: recall by cause and band, confusion, false alarms, onset, size, trust."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.causes import CAUSES
from diagnostics.proving.bands import MEASURING, STATES

if TYPE_CHECKING:
    from diagnostics.proving.score import Outcome, PlantedOutcome

Floats = NDArray[np.float64]
BANDS = ("no water", "mild", "moderate", "severe")
STRONG = frozenset({"no water", "moderate", "severe"})
# Bins of stated confidence; a bin is one row of the reliability table.
CONFIDENCE_EDGES = (0.0, 0.3, 0.5, 0.7, 0.8, 0.9, 0.96, 1.01)


@dataclass(frozen=True)
class Score:
    """Figures over many plants. Shares and ratios in 1, times in days."""

    table: pd.DataFrame                     # by cause: planted, found, recall, recall by band, precision, f1
    confusion: Counter[tuple[str, str]]
    macro_f1: float
    macro_f1_strong: float                  # causes at moderate, severe or no-water size
    named: float                            # planted causes that a rightly dated finding names
    right_first: float                      # plants whose surest finding is right
    among_rivals: float
    false_alarms_per_sound_year: float
    system_false_alarms_per_sound_year: float
    median_size_error: float
    median_onset_error_days: float
    reliability: pd.DataFrame
    calibration_error: float
    bands: pd.DataFrame
    plants: int = 0
    sound: int = 0
    pairs: pd.DataFrame = field(default_factory=pd.DataFrame)
    alarms: pd.DataFrame = field(default_factory=pd.DataFrame)
    onsets: pd.DataFrame = field(default_factory=pd.DataFrame)
    sizes: pd.DataFrame = field(default_factory=pd.DataFrame)
    groups: pd.DataFrame = field(default_factory=pd.DataFrame)
    figures: dict[str, float] = field(default_factory=dict)


def score(outcomes: Sequence["Outcome"]) -> Score:
    """
    Put outcomes together.

    Parameters
    ----------
    outcomes : sequence of Outcome
        One a plant.

    Returns
    -------
    score : Score
        A finding beside the right one counts as wrong; so does any finding on a sound plant, and one that is dated
        before what was planted.
    """
    faulty = [o for o in outcomes if o.names]
    sound = [o for o in outcomes if not o.names]
    planted = [f for o in faulty for f in o.faults]
    table = by_cause(outcomes)
    stated = [(f.confidence, f.right) for o in outcomes for f in o.findings if not f.by_rule]
    reliability, error = reliability_of(stated)
    _, raw_error = reliability_of([(f.posterior, f.right) for o in outcomes for f in o.findings if not f.by_rule])
    years = sum(o.days for o in sound) / 365.25
    alarms = [code for o in sound for code in o.found]
    sizes = np.array([abs(f.size_error) for f in planted])
    onsets = np.array([abs(f.onset_error_days) for f in planted])
    figures = {
        "right and dated otherwise": float(np.mean([f.misdated for f in planted])) if planted else float("nan"),
        "calibration error of the raw posterior": raw_error,
        "onset inside its interval": _mean([f.onset_covered for f in planted]),
        "size within 20 %": _mean([float(abs(f.size_error) <= 0.2) for f in planted if np.isfinite(f.size_error)]),
        "size inside its interval": _mean([f.size_covered for f in planted]),
        **_delivery_figures(sound), **_account_figures(outcomes),
        "plants whose delivery could not be reckoned": _mean([float(not np.isfinite(o.account.unexplained))
                                                             for o in outcomes]),
        "plants with a finding of the unexplained": float(np.mean(["unexplained" in o.found for o in outcomes]))
        if outcomes else float("nan"),
    }
    return Score(
        table=table, confusion=_confusion(outcomes), macro_f1=_mean(table["f1"].tolist()),
        macro_f1_strong=_mean(by_cause(outcomes, bands=STRONG)["f1"].tolist()),
        named=_mean([float(f.named) for f in planted]), right_first=_mean([float(o.first_right) for o in faulty]),
        among_rivals=_mean([float(o.among_rivals) for o in faulty]),
        false_alarms_per_sound_year=len(alarms) / years if years else float("nan"),
        system_false_alarms_per_sound_year=(sum(c not in MEASURING for c in alarms) / years if years
                                            else float("nan")),
        median_size_error=_median(sizes), median_onset_error_days=_median(onsets), reliability=reliability,
        calibration_error=error, bands=_by_band(faulty), plants=len(outcomes), sound=len(sound),
        pairs=look_alike_pairs(outcomes), alarms=_alarms(alarms, years), onsets=by_shape(planted),
        sizes=_sizes(planted), groups=_groups(outcomes), figures=figures)


def by_cause(outcomes: Sequence["Outcome"], *, bands: frozenset[str] | None = None) -> pd.DataFrame:
    """
    Recall, precision and F1 of every planted cause.

    Parameters
    ----------
    outcomes : sequence of Outcome
        One a plant.
    bands : frozenset of str, optional
        Plant sizes that count; findings of a smaller planted cause are then neither right nor wrong.

    Returns
    -------
    table : pandas.DataFrame
        By cause, the rarest recalled last.
    """
    causes = sorted({f.cause for o in outcomes for f in o.faults if bands is None or f.band in bands})
    rows = []
    for cause in causes:
        mine = [(o, f) for o in outcomes for f in o.faults
                if f.cause == cause and (bands is None or f.band in bands)]
        left_out = {id(o) for o in outcomes for f in o.faults if f.cause == cause and bands and f.band not in bands}
        hits = sum(f.named for _, f in mine)
        wrong = sum(not s.right for o in outcomes if id(o) not in left_out for s in o.findings if s.cause == cause)
        recall, precision = hits / len(mine), hits / (hits + wrong) if hits + wrong else 0.0
        f1 = 2 * recall * precision / (recall + precision) if recall + precision > 0.0 else 0.0
        row: dict[str, object] = {"cause": cause, "planted": len(mine), "found": hits, "recall": recall}
        for band in BANDS:
            part = [float(f.named) for _, f in mine if f.band == band]
            row[band] = f"{sum(part):.0f}/{len(part)}" if part else ""
        rows.append({**row, "wrongly said": wrong, "precision": precision, "f1": f1,
                     "first": _mean([float(f.first) for _, f in mine]),
                     "rivals": _mean([float(f.among) for _, f in mine])})
    columns = ["cause", "planted", "found", "recall", *BANDS, "wrongly said", "precision", "f1", "first", "rivals"]
    return pd.DataFrame(rows, columns=columns).set_index("cause")


def reliability_of(stated: Sequence[tuple[float, bool]]) -> tuple[pd.DataFrame, float]:
    """
    Compare stated confidence with the share that is right.

    Parameters
    ----------
    stated : sequence of (float, bool)
        Confidence and whether it was right.

    Returns
    -------
    table, error : tuple
        One row a bin with the binomial standard error of its share; the error is the mean gap weighted by findings.
    """
    if not stated:
        return pd.DataFrame(columns=["stated", "right", "standard error", "findings"]), float("nan")
    confidence = np.array([p for p, _ in stated])
    right = np.array([r for _, r in stated], dtype=np.float64)
    place = np.digitize(confidence, CONFIDENCE_EDGES) - 1
    rows = []
    for k in range(len(CONFIDENCE_EDGES) - 1):
        inside = place == k
        if inside.any():
            share, count = float(right[inside].mean()), int(inside.sum())
            rows.append({"stated": float(confidence[inside].mean()), "right": share,
                         "standard error": float(np.sqrt(max(share * (1 - share), 0.25 / count) / count)),
                         "findings": count})
    table = pd.DataFrame(rows)
    error = float((np.abs(table["stated"] - table["right"]) * table["findings"]).sum() / table["findings"].sum())
    return table, error


def look_alike_pairs(outcomes: Sequence["Outcome"]) -> pd.DataFrame:
    """
    Count, for planted causes that were not named, what was said instead and whether the two are known look-alikes.

    Parameters
    ----------
    outcomes : sequence of Outcome
        One a plant.

    Returns
    -------
    pairs : pandas.DataFrame
        The most frequent first.
    """
    counts: Counter[tuple[str, str]] = Counter()
    offered: Counter[tuple[str, str]] = Counter()
    for o in outcomes:
        for f in o.faults:
            if f.named:
                continue
            said = next((s.cause for s in o.findings if not s.right), "nothing")
            counts[f.cause, said] += 1
            offered[f.cause, said] += f.among
    rows = [{"planted": a, "named": b, "times": n, "planted among rivals": offered[a, b],
             "known look-alikes": "yes" if b in CAUSES and (a in CAUSES[b].look_alikes or b in CAUSES[a].look_alikes)
             else ""} for (a, b), n in sorted(counts.items(), key=lambda item: (-item[1], item[0]))]
    return pd.DataFrame(rows, columns=["planted", "named", "times", "planted among rivals", "known look-alikes"])


def by_shape(planted: Sequence["PlantedOutcome"]) -> pd.DataFrame:
    """
    Stated less true onset by the shape of the onset, for named causes.

    Parameters
    ----------
    planted : sequence of PlantedOutcome
        Planted causes.

    Returns
    -------
    table : pandas.DataFrame
        Median of the signed and of the absolute error, and the share inside the stated interval. [days]
    """
    rows = []
    for shape in ("step", "ramp", "seasonal", "intermittent", "day_one"):
        mine = [f for f in planted if f.shape == shape]
        if mine:
            error = np.array([f.onset_error_days for f in mine if f.named])
            rows.append({"shape": shape, "planted": len(mine), "named": _mean([float(f.named) for f in mine]),
                         "median error": _median(error), "median absolute error": _median(np.abs(error)),
                         "inside interval": _mean([f.onset_covered for f in mine])})
    return pd.DataFrame(rows)


def _confusion(outcomes: Sequence["Outcome"]) -> Counter[tuple[str, str]]:
    confusion: Counter[tuple[str, str]] = Counter()
    for o in outcomes:
        said = next((s.cause for s in o.findings if s.right), o.found[0] if o.found else "nothing")
        confusion[(o.truth, said)] += 1
    return confusion


def _by_band(faulty: Sequence["Outcome"]) -> pd.DataFrame:
    rows = []
    for band in BANDS:
        mine = [o for o in faulty if o.band == band]
        if mine:
            rows.append({"band": band, "plants": len(mine), "right first": _mean([float(o.first_right) for o in mine]),
                         "named": _mean([float(f.named) for o in mine for f in o.faults]),
                         "among rivals": _mean([float(o.among_rivals) for o in mine]),
                         "any finding": _mean([float(bool(o.found)) for o in mine])})
    return pd.DataFrame(rows)


def _alarms(alarms: Sequence[str], years: float) -> pd.DataFrame:
    return pd.DataFrame([{"said on sound plants": code, "times": n, "per site-year": n / years if years else np.nan}
                         for code, n in Counter(alarms).most_common()],
                        columns=["said on sound plants", "times", "per site-year"])


def _sizes(planted: Sequence["PlantedOutcome"]) -> pd.DataFrame:
    rows = []
    for cause in sorted({f.cause for f in planted}):
        errors = np.array([f.size_error for f in planted if f.cause == cause and np.isfinite(f.size_error)])
        if errors.size:
            rows.append({"cause": cause, "named": errors.size, "median error": float(np.median(errors)),
                         "median absolute error": float(np.median(np.abs(errors))),
                         "inside interval": _mean([f.size_covered for f in planted if f.cause == cause])})
    return pd.DataFrame(rows)


def _groups(outcomes: Sequence["Outcome"]) -> pd.DataFrame:
    rows = []
    keys: list[tuple[str, Callable[[Outcome], str]]] = [
        ("family", lambda o: o.family), ("sensors", lambda o: o.sensors), ("region", lambda o: o.climate),
        ("logger interval, s", lambda o: f"{o.step_s:.0f}")]
    for kind, key in keys:
        for value in sorted({key(o) for o in outcomes}):
            part = [o for o in outcomes if key(o) == value]
            bad, good = [o for o in part if o.names], [o for o in part if not o.names]
            years = sum(o.days for o in good) / 365.25
            rows.append({"by": kind, "which": value, "plants": len(part),
                         "right first": _mean([float(o.first_right) for o in bad]),
                         "among rivals": _mean([float(o.among_rivals) for o in bad]),
                         "findings per sound site-year": sum(len(o.found) for o in good) / years if years else np.nan})
    return pd.DataFrame(rows)


def _delivery_figures(sound: Sequence["Outcome"]) -> dict[str, float]:
    days = sum(o.delivery.days for o in sound)
    volume = sum(o.delivery.healthy_m3 for o in sound)
    if not days or volume <= 0.0:
        return {}
    per_plant = [np.sqrt(o.delivery.squared_error / o.delivery.days) / (o.delivery.healthy_m3 / o.delivery.days)
                 for o in sound if o.delivery.days and o.delivery.healthy_m3 > 0.0]
    bias = [o.delivery.error_m3 / o.delivery.healthy_m3 for o in sound if o.delivery.healthy_m3 > 0.0]
    return {"days inside the 95 % interval of expected delivery": sum(o.delivery.covered for o in sound) / days,
            "daily nRMSE of expected delivery, median plant": float(np.median(per_plant)),
            "bias of expected delivery, median plant": float(np.median(bias)),
            "spread of that bias, half of 10 to 90 %": float(np.subtract(*np.quantile(bias, [0.9, 0.1])) / 2)}


def _account_figures(outcomes: Sequence["Outcome"]) -> dict[str, float]:
    closure = [o.account.closure for o in outcomes if np.isfinite(o.account.closure)]
    if not closure:
        return {}
    lost = np.array([o.account.lost_error for o in outcomes if o.names])
    return {"account, largest failure to close": float(max(closure)),
            "account, unexplained over expected, median": _median(np.array([o.account.unexplained for o in outcomes])),
            "account, stated less true loss over expected, median absolute": _median(np.abs(lost))}


def _mean(values: Sequence[float]) -> float:
    known = np.asarray([v for v in values if np.isfinite(v)], dtype=np.float64)
    return float(known.mean()) if known.size else float("nan")


def _median(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")


__all__ = ["BANDS", "STATES", "STRONG", "Score", "by_cause", "by_shape", "look_alike_pairs", "reliability_of", "score"]
