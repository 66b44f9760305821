"""Stuck and interpolated spans that the source inserted into measured power: how many are found, how many are false."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from diagnostics.quality import mask_readings
from diagnostics.readings import Mask

DATA = Path(__file__).parents[2] / "pipelines" / "data" / "files"


@pytest.fixture
def roof(site):
    """A site around the measured power: the source gives no place; its days are centred near 12:00 UTC."""
    return site.replaced(longitude_deg=0.0, latitude_deg=38.0, array=site.array.replaced(
        strings_in_parallel=10, modules_in_series=20))


def judged(roof, kind: str, bit: Mask):
    """Return marks, truth and values of one file; power is normalised, taken here as parts of 1 kW."""
    frame = pd.read_csv(DATA / f"ac_power_inv_2173_{kind}_data.csv.gz", index_col=0, parse_dates=True)
    values = (frame[["value_normalized"]] * 1000.0).set_axis(["array_power_w"], axis=1)
    masks = mask_readings(roof, values, pd.Series(900.0, index=values.index))["array_power_w"].to_numpy()
    return (masks & int(bit)) > 0, frame.iloc[:, 1].to_numpy(dtype=bool), values["array_power_w"].to_numpy(), masks


def shares(found: np.ndarray, truth: np.ndarray) -> tuple[float, float]:
    """Return precision and recall."""
    return float((found & truth).sum() / found.sum()), float((found & truth).sum() / truth.sum())


def test_stuck_spans_are_all_found_and_nothing_else(roof):
    # 60 + 100 + 85 samples, README of the data
    found, truth, _, _ = judged(roof, "stale", Mask.STUCK)
    precision, recall = shares(found, truth)
    print(f"\nstuck spans: precision {precision:.3f}, recall {recall:.3f} of {truth.sum()} samples")
    assert truth.sum() == 245 and precision == 1.0 and recall == 1.0


def test_interpolated_spans_are_found_where_they_are_not_level(roof):
    found, truth, values, _ = judged(roof, "interpolated", Mask.INTERPOLATED)
    precision, recall = shares(found, truth)
    # A line from zero to zero over a night is the night itself: no method can tell it from a dark sky.
    moving = truth & (values > 0)
    _, recall_moving = shares(found, moving)
    print(f"\ninterpolated spans: precision {precision:.3f}, recall {recall:.3f} of all {truth.sum()} samples, "
          f"{recall_moving:.3f} of the {moving.sum()} that are not zero")
    assert precision > 0.97 and recall_moving > 0.95
    # the values beside a span belong to its line as well: every false mark touches a true one
    beside = truth | np.roll(truth, 1) | np.roll(truth, -1)
    assert not (found & ~beside).any()


def test_measured_power_without_insertions_is_left_alone(roof):
    found, truth, _, masks = judged(roof, "stale", Mask.INTERPOLATED)
    assert not found[~truth].any()
    assert (masks[~truth] == 0).mean() > 0.999
