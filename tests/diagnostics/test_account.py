"""The water account closes, and shares of concurrent causes are Shapley values."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_readings import centrifugal_site, made_readings

from diagnostics.account import DayBooks, account_of, accounts_by_month, shapley_shares
from diagnostics.diagnose import diagnose_site
from diagnostics.health import HEALTHY, Health
from diagnostics.statistics import shapley_shares as shapley_of_any_game


@pytest.mark.parametrize("kept", [(0.9, 0.6), (0.5, 0.5, 0.8), (1.0, 0.7), (0.0, 0.4)])
def test_shares_agree_with_the_general_shapley_value(kept):
    # The general function is held against published games (Littlechild and Owen 1973) in its own tests.
    players = list(range(len(kept)))
    general = shapley_of_any_game(players, lambda chosen: 1.0 - float(np.prod([kept[p] for p in chosen])))
    ours = shapley_shares([np.array([share]) for share in kept])
    np.testing.assert_allclose([float(part[0]) for part in ours], [general[p] for p in players], atol=1e-12)
    np.testing.assert_allclose(sum(float(part[0]) for part in ours), 1.0 - np.prod(kept), atol=1e-12)


def test_every_month_closes_to_rounding():
    site = centrifugal_site()
    leak = Health(riser_leak_m3_s_per_sqrt_m=0.15 * 1.2e-3 / 45.0**0.5)
    diagnosis = diagnose_site(site, made_readings(site, 75, health_of_day=lambda d: leak if d >= 40 else HEALTHY))
    assert len(diagnosis.accounts) == 3
    for account in diagnosis.accounts:
        total = sum(line.volume_m3 for line in account.lines)
        assert total == pytest.approx(account.expected_m3, abs=1e-9)
        assert account.judged_days <= account.days
        assert all(line.low_m3 <= line.volume_m3 <= line.high_m3 for line in account.lines)
    named = sum(line.volume_m3 for a in diagnosis.accounts for line in a.lines if line.kind == "cause")
    loose = sum(abs(line.volume_m3) for a in diagnosis.accounts for line in a.lines if line.kind == "unexplained")
    expected = sum(a.expected_m3 for a in diagnosis.accounts)
    assert named > 0.03 * expected and loose < 0.05 * expected


def test_days_add_up_to_months():
    days = pd.Index(pd.date_range("2025-01-30", periods=4).date, name="day")
    one = np.ones(4)
    books = DayBooks(expected=10 * one, expected_low=9 * one, expected_high=11 * one, delivered=7 * one, seen=8 * one,
                     states={"tank_full": one}, causes={"soiled_array": 1.5 * one}, cause_spread={},
                     judged=np.array([True, True, False, True]))
    january, february = accounts_by_month("s", days, books)
    assert (january.days, february.days, february.judged_days) == (2, 2, 1)
    loose = next(line for line in january.lines if line.kind == "unexplained")
    assert loose.volume_m3 == pytest.approx(1.0)
    np.testing.assert_allclose(books.unexplained, 0.5)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 4), st.integers(1, 70))
def test_any_books_close_for_every_day_and_month(seed, causes, days):
    chance = np.random.default_rng(seed)
    expected = chance.uniform(0.0, 50.0, days)
    kept = [chance.uniform(0.0, 1.2, days) for _ in range(causes)]
    shares = shapley_shares(kept)
    # Efficiency axiom (Shapley 1953): the shares add up to what is lost together, on every day.
    np.testing.assert_allclose(sum(shares), 1.0 - np.prod(np.array(kept), axis=0), atol=1e-12)
    books = DayBooks(expected=expected, expected_low=0.9 * expected, expected_high=1.1 * expected,
                     delivered=chance.uniform(0.0, 60.0, days), seen=chance.uniform(0.0, 60.0, days),
                     states={"tank_full": chance.uniform(0.0, 5.0, days)},
                     causes={f"c{number}": expected * share for number, share in enumerate(shares)}, cause_spread={},
                     judged=chance.random(days) < 0.8)
    index = pd.Index(pd.date_range("2025-01-20", periods=days).date, name="day")
    for account in accounts_by_month("s", index, books):
        assert sum(line.volume_m3 for line in account.lines) == pytest.approx(account.expected_m3, abs=1e-9)
    by_day = [account_of("s", index, books, np.arange(days) == day) for day in range(days)]
    for day, account in enumerate(by_day):
        assert sum(line.volume_m3 for line in account.lines) == pytest.approx(expected[day], abs=1e-9)
    # Symmetry: causes that do the same bear the same.
    same = shapley_shares([kept[0], kept[0]])
    np.testing.assert_allclose(same[0], same[1])
