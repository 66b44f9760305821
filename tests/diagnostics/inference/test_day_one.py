"""A site that was wrong before its first reading is still seen against its sheet, with few sensors as with many."""

import numpy as np
import pandas as pd
import pytest
from made_readings import RICH, centrifugal_site, made_readings

from diagnostics.causes import CAUSES
from diagnostics.diagnose import diagnose_site
from diagnostics.health import Health
from diagnostics.inference.findings import next_test
from diagnostics.results import Finding

DAYS = 60
# The least that is logged: sun and water; and what a controller with a display adds.
MINIMAL = ("poa_irradiance_w_m2", "flow_m3_s")
ELECTRICAL = ("poa_irradiance_w_m2", "air_temperature_c", "array_voltage_v", "array_current_a", "flow_m3_s")
FLOW, HEAD = 1.2e-3, 45.0


def _scaled(factor: float):
    def change(table: pd.DataFrame, day: np.ndarray) -> None:
        table["flow_m3_s"] *= factor
    return change


def _first(findings: list[Finding]) -> Finding:
    assert findings, "a deviation far beyond every tolerance of the sheet gave no finding"
    return max(findings, key=lambda f: f.confidence)


def _names(finding: Finding) -> set[str]:
    return {finding.cause, *finding.group, *(rival.cause for rival in finding.rivals)}


@pytest.mark.parametrize("channels", [MINIMAL, ELECTRICAL, RICH])
def test_seven_tenths_of_the_sheet_from_the_first_day_is_a_finding(channels):
    # ISO 9906 grade 3B allows 9 % of flow, water meters of class 2 allow 2 %: 30 % is beyond both together.
    site = centrifugal_site()
    finding = _first(diagnose_site(site, made_readings(site, DAYS, channels=channels, change=_scaled(0.7))).findings)
    assert finding.onset_shape == "day_one"
    assert "meter_under_reading" in _names(finding)     # nothing but a factor on the flow was changed
    if channels != RICH:
        assert {"clogged_intake", "blocked_delivery"} & _names(finding)


@pytest.mark.parametrize("channels", [MINIMAL, ELECTRICAL, RICH])
def test_a_meter_that_shows_half_from_the_first_day_is_a_finding(channels):
    site = centrifugal_site()
    finding = _first(diagnose_site(site, made_readings(site, DAYS, channels=channels, change=_scaled(0.5))).findings)
    assert finding.cause == "meter_under_reading" and finding.onset_shape == "day_one"
    assert abs(finding.size / 0.5 - 1.0) < 0.2


@pytest.mark.parametrize("channels", [MINIMAL, ELECTRICAL, RICH])
def test_one_of_two_strings_open_from_the_first_day_is_a_finding(channels):
    array = centrifugal_site().array.model_copy(update={"strings_in_parallel": 2, "modules_in_series": 7})
    site = centrifugal_site(array=array)
    readings = made_readings(site, DAYS, channels=channels, health_of_day=lambda day: Health(strings_ratio=0.5))
    finding = _first(diagnose_site(site, readings).findings)
    assert finding.cause == "string_open" and finding.onset_shape == "day_one"


@pytest.mark.parametrize("channels", [MINIMAL, ELECTRICAL, RICH])
@pytest.mark.parametrize("own", [Health(motor_efficiency_ratio=0.95), Health(pump_head_ratio=0.97),
                                 Health(irradiance_ratio=0.95, extra_static_level_m=1.0)])
def test_a_site_within_the_tolerances_of_its_sheet_has_no_finding(channels, own):
    site = centrifugal_site()
    assert [f.cause for f in diagnose_site(site, made_readings(site, DAYS, channels=channels, own=own)).findings] == []


def test_a_cause_that_returns_keeps_the_day_it_first_came():
    block = Health(delivery_loss_s2_m5=0.6 * HEAD / FLOW**2)
    site = centrifugal_site()
    readings = made_readings(site, 100, health_of_day=lambda day: block if 30 <= day < 50 or day >= 80 else Health(),
                             own=Health(motor_efficiency_ratio=0.97))
    finding = next(f for f in diagnose_site(site, readings).findings if f.cause == "blocked_delivery")
    began = (pd.Timestamp(finding.onset) - pd.Timestamp(readings.values.index[0]).tz_localize(None).normalize()).days
    assert abs(began - 30) <= 4 and finding.status == "relapsed"


def test_the_next_test_is_the_one_that_splits_most_from_the_named_cause():
    cause = CAUSES["worn_pump"]
    # Facts of the trade, common practice: a bucket judges the meter, a dip the source, a shut-in the riser.
    assert "bucket" in next_test(cause, {"meter_under_reading": 0.3, "riser_leak": 0.2}).lower()
    assert "dip the well" in next_test(cause, {"falling_water_table": 0.4, "riser_leak": 0.2}).lower()
    assert next_test(cause, {}) == cause.test
    # Never the test of a rival that says nothing of the named cause.
    assert next_test(cause, {"shaded_array": 0.4}) == cause.test
