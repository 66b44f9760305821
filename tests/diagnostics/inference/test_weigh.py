"""The evidence of a hypothesis against the same Gaussian written out in full, by an outside library."""

import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
from scipy.stats import multivariate_normal

from diagnostics.evidence.features import FEATURE_NAMES, FEATURES
from diagnostics.evidence.summary import Summaries
from diagnostics.inference.profiles import build_profiles
from diagnostics.inference.weigh import SIGNATURE_ERROR, Direction, Noise, build_field, day_noise, rescore, scan
from diagnostics.settings import Settings

DAYS = 14
USED = ("current_high_sun", "flow_high_power", "static_level")
SETTINGS = Settings()


def _noise(seed: int) -> Noise:
    rng = np.random.default_rng(seed)
    values = np.full((DAYS, len(FEATURE_NAMES)), np.nan)
    variance = np.full_like(values, np.nan)
    for name in USED:
        column = FEATURE_NAMES.index(name)
        values[:, column] = 0.05 * rng.standard_normal(DAYS)
        variance[:, column] = 0.02**2
    values[3, FEATURE_NAMES.index("flow_high_power")] = np.nan
    return Noise(values, variance)


def _directions(rng: np.random.Generator) -> list[Direction]:
    shifts = np.zeros((2, len(FEATURE_NAMES)))
    for name in USED:
        shifts[:, FEATURE_NAMES.index(name)] = 0.04 * rng.standard_normal(2)
    return [Direction("a", shifts[0], np.ones(DAYS)), Direction("b", shifts[1], np.linspace(0.0, 1.0, DAYS))]


def _full_gaussian(noise: Noise, directions: list[Direction], shift: np.ndarray, course: np.ndarray,
                   signature: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """All summaries of all days in one long vector, with mean and covariance written out term by term."""
    place = [(day, FEATURE_NAMES.index(name)) for name in USED for day in range(DAYS)
             if np.isfinite(noise.values[day, FEATURE_NAMES.index(name)])]
    value = np.array([noise.values[p] for p in place])
    mean = np.array([shift[f] * course[d] for d, f in place])
    cover = np.zeros((len(place), len(place)))
    for i, (d1, f1) in enumerate(place):
        for j, (d2, f2) in enumerate(place):
            if f1 == f2:
                feature = FEATURES[FEATURE_NAMES[f1]]
                cover[i, j] += feature.slack**2
                cover[i, j] += feature.drift**2 * np.exp(-abs(d1 - d2) / SETTINGS.drift_memory_days)
                if signature:
                    cover[i, j] += (SIGNATURE_ERROR[f1] * shift[f1]) ** 2 * course[d1] * course[d2]
                if d1 == d2:
                    cover[i, j] += noise.variance[d1, f1]
            cover[i, j] += sum(x.shift[f1] * x.course[d1] * x.shift[f2] * x.course[d2] for x in directions)
    return value, mean, cover


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("signature", [False, True])
def test_log_evidence_agrees_with_the_gaussian_written_out(seed, signature):
    # Outside reference: scipy.stats.multivariate_normal on the full covariance.
    rng = np.random.default_rng(seed)
    noise, directions = _noise(seed), _directions(rng)
    profiles = build_profiles(DAYS, events=(9,))
    field = build_field(noise, profiles, directions, SETTINGS)
    shift = np.zeros(len(FEATURE_NAMES))
    for name in USED:
        shift[FEATURE_NAMES.index(name)] = 0.1 * rng.standard_normal()
    chosen = np.array([0, 5, profiles.count // 2, profiles.count - 1])
    if signature:
        ours = rescore(field, np.tile(shift, (len(chosen), 1)), chosen, signature_error=1.0)
    else:
        ours = scan(field, shift[None, :])[0, chosen]
    nothing = np.zeros_like(shift)
    for number, profile in enumerate(chosen):
        course = profiles.column(int(profile))
        value, mean, cover = _full_gaussian(noise, directions, shift, course, signature)
        _, _, plain = _full_gaussian(noise, directions, nothing, course, signature=False)
        expected = (multivariate_normal(mean, cover).logpdf(value)
                    - multivariate_normal(np.zeros_like(mean), plain).logpdf(value))
        np.testing.assert_allclose(ours[number], expected, rtol=1e-6, atol=1e-6)


def test_windows_and_dense_profiles_are_the_same_thing():
    noise = _noise(4)
    profiles = build_profiles(DAYS)
    field = build_field(noise, profiles, [], SETTINGS)
    for number in range(0, profiles.count, 7):
        column = profiles.column(number)
        for place in range(len(field.used)):
            direct = column @ field.precision[place] @ column
            np.testing.assert_allclose(field.weight[number, place], direct, rtol=1e-8, atol=1e-8)


def test_weighing_pulls_in_no_store_scheduler_or_plot():
    code = ("import sys, diagnostics.diagnose; "
            "print(sorted({'prefect', 'duckdb', 'plotly', 'matplotlib'} & set(sys.modules)))")
    printed = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert printed.strip() == "[]"


def test_a_change_has_days_before_it_in_a_long_record_and_a_young_site_may_fail_on_its_second_day():
    for days, least in ((240, 5), (30, 1)):
        profiles = build_profiles(days)
        changes = np.isin(profiles.kind, ("step", "spell", "window", "ramp_window"))
        assert profiles.start[changes].min() == least
        assert profiles.start[profiles.kind == "day_one"].tolist() == [0]


def test_an_odd_day_loses_weight_also_where_few_days_give_a_value():
    days = pd.date_range("2026-03-01", periods=90)
    values = pd.DataFrame(np.nan, index=days, columns=list(FEATURE_NAMES))
    errors = pd.DataFrame(0.02, index=days, columns=list(FEATURE_NAMES))
    known = np.arange(0, 90, 9)
    values.iloc[known, FEATURE_NAMES.index("current_mid_sun")] = 0.0
    values.iloc[known[5], FEATURE_NAMES.index("current_mid_sun")] = -0.4
    variance = day_noise(Summaries(values, errors, values.notna().astype(float)), SETTINGS).variance
    column = variance[known, FEATURE_NAMES.index("current_mid_sun")]
    # 20 standard errors from its neighbours: under Student's t with four degrees of freedom half of 1 + 400 / 4.
    assert column[5] / column[0] == pytest.approx(50.5, rel=0.01)
    assert np.allclose(np.delete(column, 5), column[0])
