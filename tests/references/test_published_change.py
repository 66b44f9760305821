"""A published change point, found by the function that looks for steps of a water level."""

import pandas as pd
import pytest

from diagnostics.quality.level_step import find_level_step
from tests.references.published import case, table


# Annual flow of the Nile at Aswan 1871-1970 (Cobb 1978; Durbin and Koopman 2001): one drop after 1898, when the dam
# was begun and the rains failed.
def test_the_drop_of_the_nile_after_1898_is_found_with_its_two_means():
    record = table("06_nile.csv")
    expected = case("06_changepoint_nile.json", "least squares")["expected"]
    flow = pd.Series(record["volume_1e8_m3"].to_numpy(float), index=pd.to_datetime(record["year"].astype(str)))
    step = find_level_step(flow, seasonal=False)
    assert step is not None
    assert step.found
    assert step.shape == "step"
    assert step.when.year == expected["last_year_before"] + 1
    assert step.size == pytest.approx(expected["mean_after"] - expected["mean_before"], abs=0.02)
    assert step.when_low.year <= 1899 <= step.when_high.year
