"""Error limits of water meters as ISO 4064-1:2014 / OIML R 49-1:2013 prints them."""

import numpy as np
import pytest

from diagnostics.meter_limits import MeterRange, maximum_permissible_error_pct
from tests.references.published import rows

# The printed example of the standard's ratios: Q3 = 2.5 m3/h with R100 (source in 04_water_meter_mpe.csv).
LABEL = MeterRange.from_label(2.5 / 3600, 100)


def test_the_four_flows_of_a_label_follow_from_q3_and_r():
    litres_an_hour = 3.6e6 * np.array([LABEL.minimum_m3_s, LABEL.transitional_m3_s, LABEL.permanent_m3_s,
                                       LABEL.overload_m3_s])
    np.testing.assert_allclose(litres_an_hour, [25.0, 40.0, 2500.0, 3125.0], rtol=1e-12)


@pytest.mark.parametrize("row", rows("04_water_meter_mpe.csv"),
                         ids=lambda row: f"class {row.accuracy_class}, {row.zone}, {row.temperature}")
def test_maximum_permissible_error_is_the_printed_one_all_over_its_zone(row):
    ends = ((LABEL.minimum_m3_s, LABEL.transitional_m3_s * (1 - 1e-9)) if row.zone.startswith("lower")
            else (LABEL.transitional_m3_s, LABEL.overload_m3_s))
    temperatures = {"any": (5.0, 45.0), "0.1 to 30 C": (0.1, 30.0), "above 30 C": (30.1, 50.0)}[row.temperature]
    for temperature in temperatures:
        limits = maximum_permissible_error_pct(np.linspace(*ends, 7), LABEL, accuracy_class=row.accuracy_class,
                                               water_temperature_c=temperature)
        np.testing.assert_array_equal(limits, float(row.mpe_pct))


def test_nothing_is_promised_below_the_minimum_and_above_the_overload_flow():
    limits = maximum_permissible_error_pct([LABEL.minimum_m3_s * 0.99, LABEL.overload_m3_s * 1.01], LABEL)
    assert np.isnan(limits).all()


def test_a_label_that_cannot_be_is_refused_with_the_mend():
    with pytest.raises(ValueError, match="taken from the line of R"):
        MeterRange.from_label(100 / 3600, 2.5)
