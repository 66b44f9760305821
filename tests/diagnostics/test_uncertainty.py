"""Propagation of uncertainty against the worked examples of the GUM (JCGM 100:2008)."""

import numpy as np
import pytest

from diagnostics.uncertainty import (
    Component,
    combine,
    correlation,
    covariance_of_means,
    propagate,
    standard_uncertainty,
)
from tests.references.published import case


# JCGM 100:2008 clauses 4.3.7 to 4.3.9.
def test_divisors_of_bounds():
    expected = case("06_uncertainty_factors.json", "half-width 1")["expected"]
    for shape in ("uniform", "triangular", "arcsine"):
        assert standard_uncertainty(1.0, shape) == pytest.approx(expected[shape], abs=1e-9)
    assert standard_uncertainty(0.5) == pytest.approx(expected["resolution_step_1"], abs=1e-9)


# JCGM 100:2008 table G.1, normal coverage.
def test_normal_coverage():
    published = case("06_uncertainty_factors.json", "normal coverage")
    known = combine([Component("all", 1.0)])
    for factor, percent in zip(published["inputs"]["k"], published["expected"]["p_pct"], strict=True):
        assert known.coverage_factor(percent / 100) == pytest.approx(factor, abs=0.001)


# JCGM 100:2008 table G.2, Student's t.
def test_student_coverage():
    published = case("06_uncertainty_factors.json", "Student t")
    for freedom, t95, t99 in zip(published["inputs"]["nu"], published["expected"]["t95"],
                                 published["expected"]["t99"], strict=True):
        combined = combine([Component("one", 1.0, float(freedom))])
        assert combined.coverage_factor(0.95) == pytest.approx(t95, abs=0.006)
        assert combined.coverage_factor(0.99) == pytest.approx(t99, abs=0.006)


# JCGM 100:2008 4.4.3: twenty temperature readings, mean 100.145 degC, u 0.333 degC.
def test_twenty_readings():
    published = case("06_uncertainty_factors.json", "20 temperature readings")
    readings = np.array(published["inputs"]["t_C"])
    assert readings.mean() == pytest.approx(published["expected"]["mean_C"], abs=6e-4)
    assert np.sqrt(covariance_of_means(readings[:, None])[0, 0]) == pytest.approx(
        published["expected"]["u_mean_C"], abs=6e-4)


# JCGM 100:2008 H.1, end-gauge calibration: u_c 32 nm, nu_eff 16, k99 2.92, U99 93 nm.
def test_gum_h1_end_gauge():
    published = case("06_gum_h1.json", "components")
    given, expected = published["inputs"], published["expected"]
    difference = combine([Component("repeat", given["u_d_repeat_nm"], given["nu_repeat"]),
                          Component("random", given["u_d_random_nm"], given["nu_random"]),
                          Component("systematic", given["u_d_systematic_nm"], given["nu_systematic"])])
    assert difference.uncertainty == pytest.approx(expected["u_components_nm"]["d"], abs=0.05)
    length = given["l_s_nm"]
    gauge = combine([
        Component("standard", given["u_l_s_nm"], given["nu_l_s"]),
        Component("difference", difference.uncertainty, difference.degrees_of_freedom),
        Component("expansion difference", length * abs(given["theta_C"])
                  * standard_uncertainty(given["half_width_dalpha"]), given["nu_dalpha"]),
        Component("temperature difference", length * given["alpha_s_per_C"]
                  * standard_uncertainty(given["half_width_dtheta_C"]), given["nu_dtheta"])])
    assert length + given["d_nm"] == pytest.approx(expected["l_nm"], abs=0.5)
    assert gauge.uncertainty == pytest.approx(expected["u_c_nm"], abs=0.5)
    assert np.floor(gauge.degrees_of_freedom) == expected["nu_eff"]
    assert gauge.coverage_factor(0.99) == pytest.approx(expected["k99"], abs=0.005)
    assert gauge.expanded(0.99) == pytest.approx(expected["U99_nm"], abs=0.6)


# JCGM 100:2008 H.2, resistance, reactance and impedance from simultaneous readings with correlation.
def test_gum_h2_correlated_inputs():
    published = case("06_gum_h2.json", "five simultaneous")
    given, expected, within = published["inputs"], published["expected"], published["abs_tol"]
    readings = np.column_stack([given["V_V"], np.array(given["I_mA"]) / 1000, given["phi_rad"]])

    def impedance(point):
        volts, amps, phase = point
        return np.array([volts / amps * np.cos(phase), volts / amps * np.sin(phase), volts / amps])

    values, covariance = propagate(impedance, readings.mean(axis=0), covariance_of_means(readings))
    deviation, coefficients = np.sqrt(np.diag(covariance)), correlation(covariance)
    for position, name in enumerate(("R", "X", "Z")):
        assert values[position] == pytest.approx(expected[f"{name}_ohm"], abs=within[f"{name}_ohm"])
        assert deviation[position] == pytest.approx(expected[f"u_{name}"], abs=within[f"u_{name}"])
    assert coefficients[0, 1] == pytest.approx(expected["r_RX"], abs=within["r_RX"])
    assert coefficients[0, 2] == pytest.approx(expected["r_RZ"], abs=within["r_RZ"])
    assert coefficients[1, 2] == pytest.approx(expected["r_XZ"], abs=within["r_XZ"])
    alone = propagate(impedance, readings.mean(axis=0), np.diag(np.diag(covariance_of_means(readings))))[1]
    assert np.sqrt(alone[0, 0]) == pytest.approx(published["without_correlation_u_R"], rel=1e-3)


def test_components_that_are_known_for_certain_have_no_end_of_freedom():
    combined = combine([Component("a", 3.0), Component("b", 4.0)])
    assert combined.uncertainty == pytest.approx(5.0) and np.isinf(combined.degrees_of_freedom)


def test_one_reading_tells_no_spread():
    with pytest.raises(ValueError, match="two or more readings"):
        covariance_of_means([[1.0, 2.0]])
