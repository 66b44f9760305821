"""Control charts, change of level, trend and Shapley shares against published tables, and what must hold always."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from diagnostics.statistics import ewma_chart, level_change, monotonic_trend, shapley_shares, tabular_cusum
from tests.references.published import case, cases, named, table

NUMBERS = st.lists(st.floats(-100, 100), min_size=1, max_size=40)
QUIET = settings(deadline=None, database=None, max_examples=50)


# NIST/SEMATECH e-Handbook 6.3.2.3 (target 325, k 0.3175, h 4.1959), data and printed S_hi column from memory.
def test_cusum_agrees_with_the_nist_handbook():
    rows = table("06_cusum_nist.csv")
    chart = tabular_cusum(rows.xbar, target=325.0, slack=0.3175, limit=4.1959)
    np.testing.assert_allclose(chart.upper, rows.S_hi, atol=1e-9)
    np.testing.assert_allclose(chart.lower, rows.S_lo, atol=1e-9)
    assert chart.signal.astype(int).tolist() == rows.signal.tolist()
    assert chart.first_signal == 13, "group 14"


# A textbook series of 30, +1 sigma from observation 21 (k 0.5, h 5): signal at 29, seven values after the last zero.
def test_cusum_agrees_with_the_textbook_series():
    rows = table("06_cusum_ewma_textbook.csv")
    chart = tabular_cusum(rows.x, target=10.0, slack=0.5, limit=5.0)
    np.testing.assert_allclose(chart.upper, rows.C_plus, atol=1e-9)
    np.testing.assert_allclose(chart.lower, rows.C_minus, atol=1e-9)
    assert chart.upper_run.tolist() == rows.N_plus.tolist()
    assert chart.first_signal == 28 and chart.upper_run[28] == 7


# Lucas and Crosier (1982), table 5: signal at the 7th value without and at the 3rd with a head start of h/2.
def test_cusum_with_a_head_start_agrees_with_lucas_and_crosier():
    rows = table("06_cusum_head_start.csv")
    plain = tabular_cusum(rows.x_standardized, target=0.0, slack=0.5, limit=5.0)
    fast = tabular_cusum(rows.x_standardized, target=0.0, slack=0.5, limit=5.0, head_start=2.5)
    np.testing.assert_allclose(plain.upper, rows.C_plus, atol=1e-9)
    np.testing.assert_allclose(fast.upper, rows["C_plus_head_start_2.5"], atol=1e-9)
    assert (plain.first_signal, fast.first_signal) == (6, 2)


# Montgomery and Runger, Applied Statistics and Probability for Engineers, table 16-7: with no slack and no floor the
# two one-sided sums differ by the plain one; here the upper sum less its own lowest point.
def test_cusum_without_slack_is_the_plain_sum_above_its_lowest_point():
    rows = table("06_cusum_plain.csv")
    chart = tabular_cusum(rows.x, target=99.0, slack=0.0, limit=100.0)
    plain = rows.cumulative_sum.to_numpy()
    np.testing.assert_allclose(chart.upper, plain - np.minimum(np.minimum.accumulate(plain), 0.0), atol=1e-9)


@QUIET
@given(values=NUMBERS, slack=st.floats(0, 3), head=st.floats(0, 3))
def test_cusum_is_its_own_recursion(values, slack, head):
    chart = tabular_cusum(values, target=1.0, slack=slack, limit=5.0, head_start=head)
    up, down = head, head
    for position, value in enumerate(values):
        up, down = max(0.0, up + value - 1.0 - slack), max(0.0, down - value + 1.0 - slack)
        assert math.isclose(chart.upper[position], up, abs_tol=1e-8)
        assert math.isclose(chart.lower[position], down, abs_tol=1e-8)


def test_what_is_not_known_leaves_the_charts_where_they_were():
    values = [12.0, np.nan, 11.0, np.nan]
    cusum = tabular_cusum(values, target=10.0, slack=0.5, limit=5.0)
    np.testing.assert_allclose(cusum.upper, [1.5, 1.5, 2.0, 2.0])
    ewma = ewma_chart(values, target=10.0, sigma=1.0, weight=0.5)
    np.testing.assert_allclose(ewma.mean, [11.0, 11.0, 11.0, 11.0])
    np.testing.assert_allclose(ewma.high[1] - 10, ewma.high[0] - 10)


def test_an_empty_series_has_no_signal():
    assert tabular_cusum([], target=0, slack=1, limit=5).first_signal is None
    assert ewma_chart([], target=0, sigma=1).first_signal is None


# NIST/SEMATECH e-Handbook 6.3.2.4: lambda 0.3, s 2.0539, printed to two decimals; limits 52.5884 and 47.4115.
def test_ewma_agrees_with_the_nist_handbook():
    rows = table("06_ewma_nist.csv").iloc[1:]
    chart = ewma_chart(rows.x, target=50.0, sigma=2.0539, weight=0.3, width=3.0, settled_limits=True)
    np.testing.assert_allclose(chart.mean, rows.ewma_published_2dp, atol=0.0051)
    assert chart.high[0] == pytest.approx(52.5884, abs=1e-3) and chart.low[0] == pytest.approx(47.4115, abs=1e-3)
    assert chart.first_signal is None


# The same textbook series with lambda 0.1 and L 2.7: limits widen from 10.27 to 10.62, signal at 29.
def test_ewma_with_widening_limits_agrees_with_the_textbook_series():
    rows = table("06_cusum_ewma_textbook.csv")
    chart = ewma_chart(rows.x, target=10.0, sigma=1.0, weight=0.1, width=2.7)
    np.testing.assert_allclose(chart.mean, rows.ewma, atol=1e-5)
    np.testing.assert_allclose(chart.high, rows.ucl, atol=1e-4)
    np.testing.assert_allclose(chart.low, rows.lcl, atol=1e-4)
    assert chart.first_signal == 28


@pytest.mark.parametrize("wrong", [{"weight": 0.0}, {"weight": 1.5}, {"sigma": -1.0}])
def test_an_impossible_ewma_is_refused(wrong):
    with pytest.raises(ValueError, match="must be above 0 to 1"):
        ewma_chart([1.0], **{"target": 0.0, "sigma": 1.0, **wrong})


def test_a_negative_slack_is_refused():
    with pytest.raises(ValueError, match="cannot be negative"):
        tabular_cusum([1.0], target=0.0, slack=-1.0, limit=5.0)


# Annual flow of the Nile at Aswan 1871 to 1970: the level fell after 1898 (Cobb 1978, from memory; recomputed).
def test_the_nile_fell_after_1898():
    nile = table("06_nile.csv")
    flow = nile.iloc[:, 1].to_numpy(dtype=float)
    change = level_change(flow)
    expected = case("06_changepoint_nile.json", "single change")["expected"]
    assert change.first_after == expected["index_1_based"] == 28
    assert nile.iloc[change.first_after - 1, 0] == expected["last_year_before"] == 1898
    assert change.mean_before == pytest.approx(expected["mean_before"], abs=0.01)
    assert change.mean_after == pytest.approx(expected["mean_after"], abs=0.01)
    pettitt = case("06_changepoint_nile.json", "Pettitt")["expected"]
    assert change.rank_statistic == pytest.approx(pettitt["abs_U"], abs=1e-6)
    assert change.p_value == pytest.approx(pettitt["p_approx"], rel=1e-3)
    assert change.low <= 28 <= change.high and change.high - change.low <= 8


def test_the_nile_has_a_trend_too_although_it_was_a_step():
    nile = table("06_nile.csv")
    trend = monotonic_trend(nile.iloc[:, 0], nile.iloc[:, 1])
    expected = case("06_changepoint_nile.json", "Mann-Kendall")["expected"]
    assert (trend.s, trend.variance_s) == (expected["S"], pytest.approx(expected["var_S"], rel=1e-9))
    assert trend.z == pytest.approx(expected["z"], rel=1e-5)
    assert trend.slope == pytest.approx(expected["sen_slope_per_year"], rel=1e-5)
    assert trend.tau == pytest.approx(expected["tau"], rel=1e-5)


# Kendall's variance n(n-1)(2n+5)/18 and the median of pairs on ten points with one outlier.
def test_ten_points_with_an_outlier():
    published = case("06_trend_small.json", "ten points")
    trend = monotonic_trend(published["inputs"]["x"], published["inputs"]["y"])
    expected = published["expected"]
    for name, value in {"S": trend.s, "var_S": trend.variance_s, "z": trend.z, "theil_sen_slope": trend.slope,
                        "theil_sen_intercept": trend.intercept}.items():
        assert value == pytest.approx(expected[name], abs=1e-5), name
    assert trend.slope < expected["ols_slope"], "the outlier pulls the least squares line, not the median of pairs"
    assert trend.slope_low <= trend.slope <= trend.slope_high


def test_the_variance_without_ties():
    published = case("06_trend_small.json", "without ties")
    for n, variance in zip(published["inputs"]["n"], published["expected"]["var_S"], strict=True):
        assert monotonic_trend(range(n), range(n)).variance_s == pytest.approx(variance, rel=1e-9)


# Independent library: scipy's Kendall test gives the same sign and, without ties, S = tau n(n-1)/2.
def test_trend_agrees_with_kendalls_tau():
    rng = np.random.default_rng(4)
    x, y = np.arange(40.0), rng.normal(size=40) + 0.02 * np.arange(40)
    assert monotonic_trend(x, y).tau == pytest.approx(stats.kendalltau(x, y).statistic, rel=1e-12)


def test_gaps_do_not_move_a_change_or_a_trend():
    values = np.concatenate([np.full(20, 1.0), np.full(20, 0.7)]) + 0.01 * np.sin(np.arange(40) * 7.0)
    gappy = values.copy()
    gappy[[3, 4, 5, 22, 30]] = np.nan
    assert level_change(values).first_after == level_change(gappy).first_after == 20
    assert monotonic_trend(np.arange(40), gappy).n == 35


def test_too_little_is_no_verdict():
    assert level_change([1.0, 2.0, np.nan]) is None
    assert level_change([1.0] * 9, least_side=5) is None
    assert monotonic_trend([1, 2], [1, 2]) is None


def test_a_constant_series_has_neither_change_nor_trend():
    change, trend = level_change([5.0] * 30), monotonic_trend(range(30), [5.0] * 30)
    assert change.p_value == 1.0 and (trend.slope, trend.z, trend.p_value) == (0.0, 0.0, 1.0)


# Our own check of a stated coverage: the interval of the date holds the planted date about as often as it says.
@pytest.mark.parametrize("shift", [0.8, 1.5, 3.0])
def test_the_interval_of_the_date_holds_its_coverage(shift):
    rng = np.random.default_rng(20)
    held, trials = 0, 400
    for _ in range(trials):
        planted = int(rng.integers(10, 50))
        values = rng.normal(size=60) + np.where(np.arange(60) >= planted, shift, 0.0)
        change = level_change(values, confidence_level=0.9)
        held += change.low <= planted <= change.high
    # The span is made of whole days and so holds a little more; three standard deviations of 400 trials are 0.045.
    assert held / trials >= 0.9 - 0.045, held / trials


@pytest.mark.parametrize("published", cases("06_shapley.json", "airport"), ids=named)
def test_shapley_agrees_with_the_airport_game(published):
    """Littlechild and Owen (1973): runway costs, the value of a group is its dearest member."""
    costs = published["inputs"]["costs"]
    shares = shapley_shares(range(len(costs)), lambda group: max((costs[one] for one in group), default=0.0))
    np.testing.assert_allclose([shares[one] for one in range(len(costs))], published["expected"], atol=1e-9)


def test_shapley_agrees_with_the_glove_and_the_majority_game():
    glove = shapley_shares([1, 2, 3], lambda group: float(1 in group and bool(group & {2, 3})))
    np.testing.assert_allclose(list(glove.values()), case("06_shapley.json", "glove")["expected"], atol=1e-9)
    published = case("06_shapley.json", "weighted majority")
    weights = dict(enumerate(published["inputs"]["weights"]))
    majority = shapley_shares(list(weights), lambda group: float(
        sum(weights[one] for one in group) >= published["inputs"]["quota"]))
    np.testing.assert_allclose(list(majority.values()), published["expected"], atol=1e-9)


@QUIET
@given(worths=st.lists(st.floats(-10, 10), min_size=8, max_size=8))
def test_shapley_keeps_its_axioms(worths):
    players = ["a", "b", "c"]
    sets = [frozenset(group) for size in range(4) for group in itertools.combinations(players, size)]
    value = dict(zip(sets, worths, strict=True))
    shares = shapley_shares(players, value.__getitem__)
    assert math.isclose(sum(shares.values()), value[frozenset(players)] - value[frozenset()], abs_tol=1e-9)
    doubled = shapley_shares(players, lambda group: 2 * value[group] + 1)
    assert all(math.isclose(doubled[one], 2 * shares[one], abs_tol=1e-9) for one in players), "additivity"
    idle = shapley_shares([*players, "idle"], lambda group: value[group - {"idle"}])
    assert math.isclose(idle["idle"], 0.0, abs_tol=1e-9), "who adds nothing gets nothing"


def test_too_many_or_doubled_players_are_refused():
    with pytest.raises(ValueError, match="at most 12"):
        shapley_shares(range(13), lambda group: 0.0)
    with pytest.raises(ValueError, match="1 of them different"):
        shapley_shares(["a", "a"], lambda group: 0.0)
