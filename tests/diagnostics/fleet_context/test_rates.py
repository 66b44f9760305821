"""Rates with exposure: the exact interval, its coverage, and who is not blamed on few findings."""

from datetime import date

import numpy as np
import pandas as pd
import pytest
from made_readings import centrifugal_site
from scipy.stats import poisson

from diagnostics.fleet_context.rates import Rate, garwood_interval, rates
from diagnostics.results import Finding, SiteDiagnosis


# Exact 95 % limits of a Poisson mean as handbooks of epidemiology print them after Garwood (1936); from memory.
@pytest.mark.parametrize(("count", "low", "high"), [(0, 0.0, 3.689), (1, 0.0253, 5.572), (5, 1.624, 11.668),
                                                    (10, 4.795, 18.390)])
def test_exact_limits_agree_with_the_printed_table(count, low, high):
    assert garwood_interval(count) == pytest.approx((low, high), abs=1e-3)


def test_no_event_gives_the_rule_of_three():
    # Common practice: none seen in n leaves at most 3 in n at 95 % one-sided.
    assert garwood_interval(0, confidence_level=0.90)[1] == pytest.approx(3.0, abs=0.005)


@pytest.mark.parametrize("mean", [0.4, 1.7, 4.0, 12.0])
def test_the_interval_holds_the_mean_at_least_as_often_as_it_says(mean):
    counts = np.arange(0, 80)
    held = np.array([low <= mean <= high for low, high in map(garwood_interval, counts)])
    assert poisson.pmf(counts[held], mean).sum() >= 0.95


def test_a_negative_count_is_refused():
    with pytest.raises(ValueError, match="count is -1"):
        garwood_interval(-1)


def _finding(site_id, cause, confidence=0.9):
    return Finding(site_id=site_id, cause=cause, confidence=confidence, onset=date(2025, 5, 1),
                   onset_low=date(2025, 5, 1), onset_high=date(2025, 5, 1), onset_shape="step",
                   last_seen=date(2025, 6, 1), size=0.2, size_low=0.1, size_high=0.3, size_unit="1", size_means="",
                   water_lost_m3_day=1.0, water_lost_low_m3_day=0.5, water_lost_high_m3_day=1.5, evidence=[], rivals=[],
                   next_test="")


def _fleet(found, judged=730):
    """Return sites and diagnoses: installer by the first letter of the id, findings by site."""
    sites = {one: centrifugal_site(id=one, installer={"a": "north", "b": "south"}[one[0]]) for one in found}
    days = pd.DataFrame({"judged": True}, index=range(judged))
    nothing = pd.DataFrame()
    return sites, {one: SiteDiagnosis(one, days, nothing, nothing, [_finding(one, *cause) for cause in causes], [], [])
                   for one, causes in found.items()}


def _by_installer(found, **more) -> dict[str, Rate]:
    return {one.name: one for one in rates(*_fleet(found, **more), parts=("installer",))}


def test_rate_is_findings_over_years_watched():
    found = _by_installer({"a1": [("worn_pump",), ("string_open",)], "a2": [], "b1": []})
    north = found["north"]
    assert north.findings == 2 and north.sites == 2
    assert north.pump_years == pytest.approx(4 * 365 / 365.25)
    assert north.rate == pytest.approx(2 / north.pump_years)
    assert north.low < north.rate < north.high


def test_one_bad_installer_is_seen_and_its_few_findings_blame_nobody():
    wide = {f"a{n}": [("wiring_resistance",)] for n in range(12)} | {f"b{n}": [] for n in range(40)}
    assert _by_installer(wide)["north"].stands_out
    few = {"a1": [("wiring_resistance",)], "a2": [("worn_pump",)], "b1": []}
    assert not any(one.stands_out for one in _by_installer(few).values())
    assert "Too few" in _by_installer(few)["north"].says


def test_what_nobody_made_and_what_is_improbable_is_not_counted():
    found = _by_installer({"a1": [("falling_water_table",), ("soiled_array",), ("worn_pump", 0.3)], "b1": []})
    assert found["north"].findings == 0 and found["north"].low == 0.0 and found["north"].high > 1.0


def test_equal_rates_rarely_stand_out():
    rng = np.random.default_rng(4)
    out = 0
    for _ in range(40):
        found = {f"{'ab'[n % 2]}{n}": [("worn_pump",)] * int(rng.random() < 0.3) for n in range(60)}
        out += any(one.stands_out for one in _by_installer(found).values())
    assert out <= 6      # 0.05 of 40 is 2; 7 or more has a probability below 0.5 %
