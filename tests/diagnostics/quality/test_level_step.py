"""Steps and slow changes of a level: planted ones are found with date and size, chance alone is not."""

import numpy as np
import pandas as pd
import pytest
from scipy.signal import lfilter

from diagnostics.quality.level_step import find_level_step


def alike_noise(seed: int, days: int, alike: float, size: float = 1.0) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(0.0, size, days)
    return np.asarray(lfilter([np.sqrt(1 - alike**2)], [1.0, -alike], noise))


def daily(values: np.ndarray) -> pd.Series:
    return pd.Series(values, index=pd.date_range("2015-01-01", periods=len(values), freq="D"))


def season(days: int) -> np.ndarray:
    return 0.6 * np.cos(2 * np.pi * np.arange(days) / 365.25)


def test_a_planted_step_is_found_beside_a_season_larger_than_itself():
    values = season(1500) + alike_noise(1, 1500, 0.9, 0.08)
    values[900:] += 0.4
    step = find_level_step(daily(values))
    assert step is not None
    assert step.found
    assert step.shape == "step"
    truth = pd.Timestamp("2015-01-01") + pd.Timedelta(days=900)
    assert step.when_low <= truth <= step.when_high
    assert abs((step.when - truth).days) <= 5
    assert step.size_low <= 0.4 <= step.size_high


def test_a_slow_decline_is_called_a_ramp_and_not_a_step():
    values = season(3000) + alike_noise(2, 3000, 0.9, 0.1)
    values += 3.0 * np.clip((np.arange(3000) - 800) / 1461.0, 0, 1)
    change = find_level_step(daily(values))
    assert change is not None
    assert change.found
    assert change.shape == "ramp"
    assert change.takes_days == pytest.approx(1461.0, rel=0.01)
    assert change.size == pytest.approx(3.0, abs=0.2)


@pytest.mark.parametrize("alike", [0.0, 0.8, 0.95])
def test_chance_alone_is_called_a_step_in_at_most_three_of_a_hundred_series(alike):
    verdicts = [find_level_step(daily(alike_noise(seed, 700, alike))) for seed in range(100)]
    assert sum(verdict.found for verdict in verdicts if verdict is not None) <= 3


def test_the_stated_interval_of_the_size_holds_it_nine_times_in_ten():
    held = 0
    for seed in range(60):
        values = alike_noise(1000 + seed, 900, 0.8)
        values[500:] += 3.0
        step = find_level_step(daily(values))
        held += step is not None and step.size_low <= 3.0 <= step.size_high
    assert held >= 54


def test_too_few_samples_are_not_judged():
    assert find_level_step(daily(np.arange(30.0))) is None
    assert find_level_step(daily(np.full(400, np.nan))) is None


def test_gaps_and_unit_change_nothing_but_the_unit():
    values = alike_noise(3, 1200, 0.7)
    values[600:] += 2.5
    series = daily(values)
    series.iloc[100:180] = np.nan
    metres, feet = find_level_step(series), find_level_step(series / 0.3048)
    assert metres is not None
    assert feet is not None
    assert feet.when == metres.when
    assert feet.size == pytest.approx(metres.size / 0.3048, rel=1e-9)
    assert feet.statistic == pytest.approx(metres.statistic, rel=1e-6)
