"""The confidence of findings fitted on training plants, cross-validated by plant family and by region."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import brier_score_loss
from sklearn.model_selection import GroupKFold

from diagnostics import calibration_fit
from diagnostics.calibration import LEAST, MOST, RISING, calibrated
from diagnostics.proving.figures import reliability_of
from diagnostics.proving.score import Outcome

Vector = NDArray[np.float64]
# Strength of the pull towards no effect: a few hundred findings bear no more. [1]
INVERSE_PULL = 0.3
# Standard deviation of a trait among the findings below which nothing was learned of it. [1]
LEAST_SPREAD = 0.02
FOLDS = 5


@dataclass(frozen=True)
class Calibration:
    """Centre, scale and weight of each trait, and the log odds where all are at their centre."""

    traits: dict[str, tuple[float, float, float]]
    intercept: float

    def confidence(self, table: pd.DataFrame) -> Vector:
        """Return the confidence of every row of a table of traits."""
        names = list(self.traits)
        return np.array([calibrated(dict(zip(names, row, strict=True)), fitted=self.traits, intercept=self.intercept)
                         for row in table[names].to_numpy(dtype=np.float64)])


@dataclass(frozen=True)
class CrossValidation:
    """Out-of-fold figures for one way of grouping."""

    grouped_by: str
    error: float
    raw_error: float
    brier: float
    raw_brier: float
    table: pd.DataFrame


def stated_findings(outcomes: Sequence[Outcome]) -> pd.DataFrame:
    """
    Gather weighed findings with their traits.

    Parameters
    ----------
    outcomes : sequence of Outcome
        Diagnosed plants.

    Returns
    -------
    table : pandas.DataFrame
        One row a finding: right, raw posterior, family, region, traits. Findings by rule have no traits and stay out.
    """
    rows = [{"right": f.right, "raw": f.posterior, "family": o.family, "region": o.climate, **f.confidence_from}
            for o in outcomes for f in o.findings if f.confidence_from]
    return pd.DataFrame(rows)


def fitted(table: pd.DataFrame) -> Calibration:
    """
    Fit a logistic curve; a trait whose weight would lower the confidence where it must raise it is left out.

    Parameters
    ----------
    table : pandas.DataFrame
        As from `stated_findings`.

    Returns
    -------
    calibration : Calibration
        Weights of the traits kept.
    """
    names = [name for name in table.columns if name not in ("right", "raw", "family", "region")]
    # Plants of one length say nothing of shorter records: what hardly varies among them is not weighed.
    names = [name for name in names if float(table[name].std()) > LEAST_SPREAD]
    while True:
        values = table[names].to_numpy(dtype=np.float64)
        centre, scale = values.mean(axis=0), values.std(axis=0)
        model = LogisticRegression(C=INVERSE_PULL, max_iter=2000)
        model.fit((values - centre) / scale, table["right"].to_numpy(dtype=bool))
        weights = model.coef_[0]
        wrong = [i for i, name in enumerate(names) if name in RISING and weights[i] < 0.0]
        if not wrong:
            break
        del names[min(wrong, key=lambda i: weights[i])]
    return Calibration({name: (float(c), float(s), float(w)) for name, c, s, w in
                        zip(names, centre, scale, weights, strict=True)}, float(model.intercept_[0]))


def cross_validated(table: pd.DataFrame, grouped_by: str) -> CrossValidation:
    """
    State confidences for findings of groups that the fit has not seen.

    Parameters
    ----------
    table : pandas.DataFrame
        As from `stated_findings`.
    grouped_by : str
        'family' or 'region'; never by row.

    Returns
    -------
    result : CrossValidation
        Reliability of the stated confidences beside that of the raw posterior.
    """
    groups, right = table[grouped_by].to_numpy(), table["right"].to_numpy(dtype=bool)
    stated = np.full(len(table), np.nan)
    for train, test in GroupKFold(min(FOLDS, len(set(groups)))).split(table, groups=groups):
        stated[test] = fitted(table.iloc[train]).confidence(table.iloc[test])
    raw = np.clip(table["raw"].to_numpy(dtype=np.float64), LEAST, MOST)
    reliability, error = reliability_of(list(zip(stated.tolist(), right.tolist(), strict=True)))
    _, raw_error = reliability_of(list(zip(raw.tolist(), right.tolist(), strict=True)))
    return CrossValidation(grouped_by, error, raw_error, float(brier_score_loss(right, stated)),
                           float(brier_score_loss(right, raw)), reliability)


def write_fit(calibration: Calibration, fitted_on: str, path: Path | None = None) -> Path:
    """
    Write the fit as the module that the diagnosis reads.

    Parameters
    ----------
    calibration : Calibration
        What was fitted.
    fitted_on : str
        On what, in words.
    path : pathlib.Path, optional
        The module of this installation where not given.

    Returns
    -------
    path : pathlib.Path
        Where it was written.
    """
    where = path or Path(str(calibration_fit.__file__))
    rows = "\n".join(f'    "{name}": ({centre:.4f}, {scale:.4f}, {weight:.4f}),'
                     for name, (centre, scale, weight) in calibration.traits.items())
    where.write_text(
        '"""Centre, scale and weight of every trait of a finding; written by ``python -m pipelines.prove --calibrate``.'
        f'"""\n\nFITTED_ON = "{fitted_on}"\nINTERCEPT = {calibration.intercept:.4f}\n'
        f"TRAITS: dict[str, tuple[float, float, float]] = {{\n{rows}\n}}\n", encoding="utf-8")
    return where
