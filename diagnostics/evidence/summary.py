"""Daily summaries with their standard errors."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.evidence.features import FEATURE_NAMES, FEATURES

Matrix = NDArray[np.float64]


@dataclass(frozen=True)
class Summaries:
    """One row a local day (index: date), one column a feature; NaN where the day cannot say."""

    values: pd.DataFrame
    errors: pd.DataFrame
    samples: pd.DataFrame

    @staticmethod
    def from_columns(days: pd.Index, values: dict[str, Matrix], errors: dict[str, Matrix],
                     samples: dict[str, Matrix]) -> "Summaries":
        """
        Put columns into the fixed order, floor the errors at a day's least noise, and blank what has no error.

        Parameters
        ----------
        days : pandas.Index
            Local days.
        values, errors, samples : dict of ndarray, shape (days,)
            By feature name; missing features are not known.

        Returns
        -------
        summaries : Summaries
            Complete in columns.
        """
        empty = np.full(len(days), np.nan)
        value_columns, error_columns, sample_columns = {}, {}, {}
        for name in FEATURE_NAMES:
            value = np.asarray(values.get(name, empty), dtype=np.float64)
            error = np.asarray(errors.get(name, empty), dtype=np.float64)
            known = np.isfinite(value)
            error = np.where(np.isfinite(error), error, 0.0)
            floored = np.sqrt(error**2 + FEATURES[name].day_noise**2)
            value_columns[name] = np.where(known, value, np.nan)
            error_columns[name] = np.where(known, floored, np.nan)
            sample_columns[name] = np.where(known, samples.get(name, np.ones(len(days))), 0.0)
        return Summaries(pd.DataFrame(value_columns, index=days), pd.DataFrame(error_columns, index=days),
                         pd.DataFrame(sample_columns, index=days))
