"""
What the array's own readings tell: limits that come, strings at a site that is always at its limit.

The facts used are common practice of the trade: a string that opens takes its share of the current at every sun; a
drive set to a lower limit takes no more than that, and took more before.
"""

import numpy as np
import pytest
from made_readings import PLAIN, centrifugal_site, made_readings

from diagnostics.diagnose import diagnose_site, weigh_site
from diagnostics.evidence.features import FEATURE_NAMES, POSITION
from diagnostics.health import HEALTHY, Health
from diagnostics.inference.signatures import _fill_empty_bins

BEGINS, DAYS = 40, 80


@pytest.fixture(scope="module")
def limited():
    site = centrifugal_site()
    lowered = Health(power_cap_w=900.0)
    readings = made_readings(site, DAYS, channels=PLAIN,
                             health_of_day=lambda day: lowered if day >= BEGINS else HEALTHY)
    return diagnose_site(site, readings)


def test_days_that_took_more_than_a_later_limit_say_that_there_was_none(limited):
    limit = limited.summaries["power_limit"].to_numpy()
    before, after = limit[:BEGINS], limit[BEGINS:]
    assert np.isfinite(before).mean() > 0.3
    assert np.nanmax(np.abs(before)) < 0.1                       # the days before bear witness
    assert np.nanmedian(after) < -0.15


def test_a_limit_is_dated_by_the_days_that_took_more(limited):
    found = next(one for one in limited.findings if one.cause == "drive_limited")
    assert abs((found.onset - limited.days.index[0]).days - BEGINS) <= 2


def test_sun_that_the_sample_cannot_judge_takes_over_what_weaker_sun_shows():
    values = np.zeros((2, len(FEATURE_NAMES)))
    values[:] = np.nan
    values[:, [POSITION[f"current_{part}_sun"] for part in ("low", "mid")]] = [[0.0, 0.0], [-0.5, -0.5]]
    _fill_empty_bins(values)
    assert values[1, POSITION["current_high_sun"]] - values[0, POSITION["current_high_sun"]] == -0.5
    assert np.isnan(values[:, POSITION["voltage_high_sun"]]).all()      # nothing is made up where nothing is logged


def test_an_open_string_is_named_where_the_drive_is_at_its_limit_in_strong_sun():
    site = centrifugal_site()
    site = site.replaced(drive=site.drive.replaced(max_output_power_w=1000.0))
    opened = Health(strings_ratio=2.0 / 3.0)
    readings = made_readings(site, DAYS, channels=PLAIN,
                             health_of_day=lambda day: opened if day >= BEGINS else HEALTHY)
    diagnosis, weighing = weigh_site(site, readings)
    assert weighing is not None
    assert weighing.intervals.near_cap.any()
    first = diagnosis.findings[0]
    assert first.cause == "string_open" and first.size == pytest.approx(1.0 / 3.0)
