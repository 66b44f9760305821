"""Calibrated confidence: the posterior while nothing is fitted, within its bounds, and plain numbers to rest on."""

import numpy as np
import pytest

from diagnostics.calibration import LEAST, MOST, RISING, STANDING_DAYS, calibrated, finding_traits
from diagnostics.calibration_fit import TRAITS

GONE = np.r_[np.zeros(9), np.ones(20), 0.0]


def traits(probability, own=20.0, rival=5.0, course=GONE):
    known = np.ones((30, 2), dtype=bool)
    return finding_traits("clogged_intake", {"clogged_intake": probability, "nothing": 0.01},
                          {"clogged_intake": own, "worn_pump": rival, "unexplained": 3.0}, kind="step",
                          is_measuring=False, shift=np.array([-0.2, 0.0]), drift=np.array([0.02, 0.01]),
                          course=course, known=known)


@pytest.mark.parametrize("probability", [0.05, 0.4, 0.8, 0.97])
def test_without_a_fit_the_confidence_is_the_posterior(probability):
    assert calibrated(traits(probability), fitted={}) == pytest.approx(probability, abs=1e-6)


def test_confidence_is_never_certain_either_way():
    assert calibrated(traits(1.0), fitted={}) == MOST
    assert calibrated(traits(0.0), fitted={}) == LEAST


def test_traits_are_what_they_say():
    found = traits(0.5)
    assert all(np.isfinite(list(found.values())))
    assert found["posterior"] == pytest.approx(0.0)
    assert found["fit"] == pytest.approx(17.0)           # 20 - 3, by hand
    assert found["margin"] == pytest.approx(15.0)        # 20 - 5, by hand
    assert found["active"] == pytest.approx(np.log1p(20))       # came and went
    standing = traits(0.5, course=np.r_[np.zeros(10), np.ones(20)])
    assert standing["active"] == pytest.approx(np.log1p(STANDING_DAYS))
    assert found["strength"] == pytest.approx(np.log1p(10.0))   # 0.2 over 0.02, by hand


def test_half_the_log_odds_are_stated_where_half_of_them_hold():
    # log odds of 0.9 are 2.197; half of them are those of 0.75, by hand.
    assert calibrated(traits(0.9), fitted={"posterior": (0.0, 1.0, 0.5)}, intercept=0.0) == pytest.approx(0.75)


def test_no_fit_in_service_lowers_the_confidence_for_stronger_evidence():
    assert all(weight >= 0.0 for name, (_, _, weight) in TRAITS.items() if name in RISING)
