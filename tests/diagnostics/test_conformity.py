"""Decision against a limit, with published conformity probabilities, guard bands and risks."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from diagnostics.conformity import (
    acceptance_limit,
    conformance_probability,
    global_risks,
    highest_specific_risk,
    smallest_provable_shortfall,
)
from tests.references.published import case


# Test values of a general uncertainty calculator (sandialabs/suncal, test_risk.py), interval 9 to 11, u 0.4.
@pytest.mark.parametrize("name", ["measured 10.0", "measured 10.5", "measured 12.0"])
def test_probability_outside_a_two_sided_interval(name):
    published = case("06_conformity.json", name)
    expected = published["expected"]
    measured = published["inputs"].get("y", 12.0)
    found = conformance_probability(measured, 0.4, lower=9.0, upper=11.0)
    assert 1 - found.inside == pytest.approx(expected["p_nonconform"], abs=1e-5)
    if "p_below" in expected:
        assert found.below == pytest.approx(expected["p_below"], abs=1e-5)
        assert found.above == pytest.approx(expected["p_above"], abs=1e-5)


# JCGM 106:2012, breakdown voltage of a Zener diode: -5.47 V, u 0.05 V, limit -5.40 V, 92 % (from memory, recomputed).
def test_probability_below_one_limit():
    published = case("06_conformity.json", "Zener")
    given_ = published["inputs"]
    found = conformance_probability(given_["y_V"], given_["u_V"], upper=given_["upper_V"])
    assert found.inside == pytest.approx(published["expected"]["p_conform"], abs=1e-4)


# Deaver: process sd 4, measurement sd 1, limits +-8: 0.8 % false accept, 1.5 % false reject.
def test_global_risks_of_deaver():
    expected = case("06_conformity.json", "process sd 4")["expected"]
    risks = global_risks(process_mean=0, process_sd=4, measurement_sd=1, lower=-8, upper=8)
    assert risks.false_accept == pytest.approx(expected["false_accept"], abs=5e-4)
    assert risks.false_reject == pytest.approx(expected["false_reject"], abs=5e-4)


# Same source: a guard band factor of 0.91 at test ratio 2 brings the false accepts to the same 0.8 % and costs rejects.
def test_global_risks_with_a_guard_band():
    expected = case("06_conformity.json", "guard band factor 0.91")["expected"]
    risks = global_risks(process_mean=0, process_sd=1, measurement_sd=0.5, lower=-2, upper=2, accept_lower=-1.82,
                         accept_upper=1.82)
    assert risks.false_accept == pytest.approx(expected["false_accept"], abs=5e-4)
    assert risks.false_reject == pytest.approx(expected["false_reject"], abs=1e-3)


# Same source: false accepts at test ratio 4 for six in-tolerance probabilities, of all and of the accepted.
def test_false_accepts_for_six_in_tolerance_probabilities():
    published = case("06_conformity.json", "false accept in percent")
    for inside, of_all, of_accepted in zip(published["inputs"]["itp"], published["expected"]["unconditional_pct"],
                                           published["expected"]["given_accepted_pct"], strict=True):
        limit = float(stats.norm.ppf(0.5 + inside / 2))
        # The test ratio of this table is the standard deviation of the process over that of the measurement.
        risks = global_risks(process_mean=0, process_sd=1, measurement_sd=0.25, lower=-limit, upper=limit)
        assert 100 * risks.false_accept == pytest.approx(of_all, abs=1e-5)
        assert 100 * risks.false_accept_of_accepted == pytest.approx(of_accepted, abs=1e-5)


# ILAC-G8:09/2019: w = 0 risks 50 %, w = U risks less than 2.5 %.
def test_highest_risk_of_guard_bands():
    published = case("06_conformity.json", "measured exactly at the acceptance limit")
    for ratio, percent in zip(published["inputs"]["r"], published["expected"]["max_specific_false_accept_pct"],
                              strict=True):
        assert 100 * highest_specific_risk(ratio) == pytest.approx(percent, abs=0.01)


def test_the_risk_at_an_acceptance_limit_is_the_one_stated():
    limit = acceptance_limit(10.0, 0.8, side="lower", guard_ratio=0.5)
    assert limit == pytest.approx(10.4)
    assert conformance_probability(limit, 0.4, lower=10.0).below == pytest.approx(highest_specific_risk(0.5))
    assert acceptance_limit(10.0, 0.8, side="upper", guard_ratio=0.5) == pytest.approx(9.6)


@settings(deadline=None, database=None, max_examples=40)
@given(band=st.floats(0, 1.5), more=st.floats(0.05, 1.0))
def test_what_protects_one_party_costs_the_other(band, more):
    narrow, wide = (global_risks(process_mean=0.3, process_sd=1, measurement_sd=0.4, lower=-1.5,
                                 accept_lower=-1.5 + width) for width in (band, band + more))
    assert wide.false_accept <= narrow.false_accept + 1e-9 and wide.false_reject >= narrow.false_reject - 1e-9


# Independent check by drawing: two million items.
def test_global_risks_agree_with_drawn_items():
    rng = np.random.default_rng(11)
    true = rng.normal(0.2, 1.0, 2_000_000)
    seen = true + rng.normal(0.0, 0.5, true.size)
    risks = global_risks(process_mean=0.2, process_sd=1.0, measurement_sd=0.5, lower=-1.0)
    assert risks.false_accept == pytest.approx(np.mean((true < -1) & (seen >= -1)), abs=5e-4)
    assert risks.false_reject == pytest.approx(np.mean((true >= -1) & (seen < -1)), abs=5e-4)


# By drawing: a true shortfall of the stated size is proved in the stated share of trials, and none at all in 5 %.
def test_the_smallest_provable_shortfall_is_proved_as_often_as_it_says():
    rng = np.random.default_rng(12)
    u = 0.05
    least = smallest_provable_shortfall(u, confidence_level=0.95, power=0.8)
    measured = least + rng.normal(0, u, 200_000)
    assert np.mean(measured > stats.norm.ppf(0.95) * u) == pytest.approx(0.8, abs=0.005)
    # Common practice (design value, no source): 5 % is rarely decidable, 20 % usually is, at u of 4 to 8 %.
    assert smallest_provable_shortfall(0.04) > 0.05
    assert smallest_provable_shortfall(0.08) == pytest.approx(0.2, abs=0.01)


def test_an_impossible_question_is_refused():
    for wrong in ({"uncertainty": 0.0}, {"lower": 5.0, "upper": 3.0}):
        with pytest.raises(ValueError, match="must be positive"):
            conformance_probability(**{"measured": 1.0, "uncertainty": 1.0, **wrong})
