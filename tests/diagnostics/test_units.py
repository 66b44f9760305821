"""The unit endings: every one is understood, conversion is exact both ways and refuses what measures something else."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnostics.units import UNIT_OF_SUFFIX, convert, same_dimension, split_unit

SUFFIXES = sorted(UNIT_OF_SUFFIX)


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_every_ending_is_a_unit_of_its_own_kind(suffix):
    assert same_dimension(suffix, suffix)
    assert split_unit(f"quantity_{suffix}") == ("quantity", suffix)


@settings(deadline=None, database=None)
@given(one=st.sampled_from(SUFFIXES), other=st.sampled_from(SUFFIXES), value=st.floats(-1e6, 1e6))
def test_there_and_back_is_the_same(one, other, value):
    if not same_dimension(one, other):
        with pytest.raises(ValueError, match="measure different things"):
            convert(value, one, other)
        return
    back = float(convert(convert(value, one, other), other, one))
    assert math.isclose(back, value, rel_tol=1e-9, abs_tol=1e-6)


# Exact by definition: international foot and yard agreement (1959), hectare and acre of the international foot, metric
# horsepower 75 kgf m/s, standard atmosphere (CGPM 1954).
@pytest.mark.parametrize(("value", "one", "other", "expected"), [
    (1, "acre", "m2", 4046.8564224), (1, "ha", "m2", 10000), (1, "hp_metric", "w", 735.49875),
    (1, "atm", "pa", 101325), (1, "ft3_s", "l_s", 28.316846592), (1, "acre_ft", "m3", 1233.48183754752),
    (1, "gal_us_day", "l_day", 3.785411784), (1, "m3_min", "m3_h", 60), (1, "kg_cm2", "pa", 98066.5),
    (1, "mph", "m_s", 0.44704), (1, "knot", "m_s", 1852 / 3600), (1, "lbf_ft", "n_m", 1.3558179483314),
    (1, "ml_rev", "m3_rev", 1e-6), (60, "rpm", "rpm", 60), (1, "kwh", "j", 3.6e6),
    (-0.31, "pct_per_k", "per_k", -0.0031),
    (500, "ppm_per_k", "per_k", 5e-4), (1, "m_per_l_s", "s_m2", 1000), (1, "m_per_l_s2", "s2_m5", 1e6),
    (1, "h_m2", "s_m2", 3600), (1, "l_min_per_m", "m2_s", 1e-3 / 60), (25, "w_m2_k", "w_m2_k", 25),
    (0.0, "k", "c", -273.15), (98.6, "f", "c", 37.0),
])
def test_definitions(value, one, other, expected):
    assert float(convert(value, one, other)) == pytest.approx(expected, rel=1e-9)


def test_arrays_keep_their_shape_and_what_is_not_known_stays_not_known():
    converted = convert(np.array([[1.0, np.nan], [0.0, -2.0]]), "ft", "m")
    np.testing.assert_allclose(converted, [[0.3048, np.nan], [0.0, -0.6096]])
    assert convert([1, 2], "m", "m").dtype == np.float64


@pytest.mark.parametrize(("name", "parts"), [
    ("static_water_level_ft", ("static_water_level", "ft")), ("flow_gpm_us", ("flow", "gpm_us")),
    ("flow_m3_s", ("flow", "m3_s")), ("rain_mm_rain", ("rain", "mm_rain")), ("note", None), ("m", None),
    ("modules_in_series", None),
    ("temperature_coefficient_voc_pct_per_k", ("temperature_coefficient_voc", "pct_per_k")),
    ("drawdown_linear_s_m2", ("drawdown_linear", "s_m2")),
])
def test_the_longest_known_ending_is_the_unit(name, parts):
    assert split_unit(name) == parts


def test_an_unknown_ending_names_the_known_ones():
    with pytest.raises(ValueError, match=r"unit 'furlong' is not known; known units: .*ft"):
        convert(1.0, "furlong", "m")


# To a unit registry a turn is 2 pi and a hertz one per second; on a nameplate they are different things. Left to the
# dimension alone, 50 Hz became 477 rpm.
@pytest.mark.parametrize(("one", "other"), [
    ("hz", "rpm"), ("pct_per_year", "rpm"), ("pct", "deg"), ("ratio", "rad"), ("l", "l_rev"), ("m3", "m3_rev"),
    ("n_m", "j"), ("lbf_ft", "wh"), ("mm", "mm_rain"), ("in_rain", "m"), ("per_year", "hz")])
def test_what_shares_a_dimension_is_not_always_the_same_thing(one, other):
    assert not same_dimension(one, other) and not same_dimension(other, one)
    with pytest.raises(ValueError, match="measure different things"):
        convert(1.0, one, other)
