"""What sound days teach: against the exact posterior, against Monte Carlo through the whole chain, and its limits."""

import numpy as np
import pandas as pd
import pytest

from diagnostics.chain.learned import EFFECT_COLUMNS, LASTING_SHARE, SHEET, Learned, learn, learn_from_rows
from diagnostics.chain.site_model import SiteModel
from diagnostics.chain.uncertainty import (
    ACCEPTANCE_TOLERANCE_PCT,
    efficiency_uncertainty,
    level_uncertainty_m,
    nameplate_uncertainty,
)
from diagnostics.expected import expect, light_of
from diagnostics.health import HEALTHY
from tests.diagnostics.chain import invented_sites as sites

STEP_S = 1200.0


def _days(rng, count=30):
    """Return invented days: water due, what the open inputs move, what passes."""
    sun = rng.uniform(0.3, 1.0, count)
    effects = np.column_stack([0.05 * sun, 0.03 * sun**0.5, 0.045 * sun])
    return sun, effects, 0.02 * sun, np.arange(count, dtype=float)


def test_posterior_is_that_of_drawn_inputs_weighed_by_how_well_they_explain_the_days():
    """Importance sampling from the prior, the same likelihood: no algebra shared with the closed form."""
    rng = np.random.default_rng(1)
    due, effects, passing, day = _days(rng, 8)
    delivered = due + effects @ np.array([0.8, -0.4, 0.3])      # no scatter: its size stays near the stated one
    found = learn(delivered, due, effects, passing, day)
    drawn = rng.standard_normal((200_000, 3))
    apart = np.abs(np.subtract.outer(day, day))
    own = (1 - LASTING_SHARE) * passing**2 + (0.005 * np.median(due)) ** 2
    # With exact days the scatter sinks towards the weight of its prior: 10 days of the stated one among 15.
    assert found.scatter == pytest.approx(np.sqrt(10 / 15), abs=0.02)
    weight = np.full(8, 5 / 4)
    noise = np.diag(found.scatter**2 * own / weight) + LASTING_SHARE * np.outer(passing, passing) * np.exp(-apart / 30)
    left = (delivered - due)[None, :] - drawn @ effects.T
    log_weight = -0.5 * np.einsum("nd,nd->n", left @ np.linalg.inv(noise), left)
    share = np.exp(log_weight - log_weight.max())
    share /= share.sum()
    mean = share @ drawn
    np.testing.assert_allclose(found.mean, mean, atol=0.03)
    spread = (drawn - mean).T @ ((drawn - mean) * share[:, None])
    np.testing.assert_allclose(found.covariance, spread, atol=0.04)


def test_few_days_teach_nothing_and_more_days_never_widen():
    rng = np.random.default_rng(2)
    due, effects, passing, day = _days(rng, 60)
    delivered = due * 1.06
    assert learn(delivered[:4], due[:4], effects[:4], passing[:4], day[:4]) is SHEET
    along = effects.mean(axis=0)
    widths = []
    for count in (5, 10, 30, 60):
        known = learn(delivered[:count], due[:count], effects[:count], passing[:count], day[:count])
        widths.append(float(along @ known.covariance @ along))
    assert np.all(np.diff(widths) < 0.0)
    assert widths[0] < 0.5 * float(along @ along)       # the sum is known far better than the sheet knows it
    assert not known.is_sheet and SHEET.is_sheet
    assert np.diag(known.covariance).max() > 0.3        # but not which of the three it is


def test_days_that_scatter_more_than_stated_widen_what_passes_and_one_wild_day_does_not_move_the_scale():
    rng = np.random.default_rng(3)
    due, effects, passing, day = _days(rng, 40)
    calm = learn(due * 1.04 + 0.5 * passing * rng.standard_normal(40), due, effects, passing, day)
    wild = learn(due * 1.04 + 4.0 * passing * rng.standard_normal(40), due, effects, passing, day)
    assert calm.scatter < 1.0 < 2.0 < wild.scatter
    spoilt = due * 1.04
    spoilt[7] *= 0.2
    moved = float(effects.mean(axis=0) @ learn(spoilt, due, effects, passing, day).mean) / due.mean()
    assert moved == pytest.approx(0.04, abs=0.012)


def test_unknown_days_are_left_out():
    rng = np.random.default_rng(4)
    due, effects, passing, day = _days(rng, 20)
    delivered = due * 0.95
    whole = learn(delivered[5:], due[5:], effects[5:], passing[5:], day[5:])
    delivered[:5] = np.nan
    np.testing.assert_allclose(learn(delivered, due, effects, passing, day).mean, whole.mean)


@pytest.mark.slow
@pytest.mark.parametrize("make", [sites.centrifugal, sites.helical, sites.circulation])
def test_interval_of_the_days_after_holds_what_monte_carlo_says_and_is_far_narrower(make):
    """Every input drawn once a plant after its sheet, the whole chain run anew; learned on 15 days, held against 5."""
    site = make()
    rng = np.random.default_rng(21)
    weather = sites.clear_days(site, days=20, step_s=int(STEP_S))
    sky = rng.uniform(0.35, 1.0, 20)
    local = pd.DatetimeIndex(weather.index - pd.Timedelta(seconds=STEP_S / 2)).tz_convert(site.timezone)
    day = (local.tz_localize(None).normalize() - local[0].tz_localize(None).normalize()).days.to_numpy()
    weather["poa_irradiance_w_m2"] *= sky[np.minimum(day, 19)]
    light = light_of(site, weather, STEP_S)
    table = expect(site, weather, STEP_S, light=light, with_effects=True)
    due = table["expected_flow_m3_s"].to_numpy()
    model = SiteModel.build(site)
    flow_pct, head_pct = ACCEPTANCE_TOLERANCE_PCT[site.pump.acceptance_grade]
    sensor = float(np.median(light.irradiance_uncertainty))
    inside, narrower, moved = [], [], []
    for _ in range(40):
        # What stays, and what comes anew each day, in the shares that the interval states.
        health = HEALTHY.replaced(
            irradiance_ratio=rng.normal(1.0, np.hypot(nameplate_uncertainty(site), np.sqrt(0.5) * sensor)),
            motor_efficiency_ratio=rng.normal(1.0, efficiency_uncertainty(model)),
            extra_static_level_m=rng.normal(0.0, level_uncertainty_m(site)),
            pump_head_ratio=rng.normal(1.0, head_pct / 200) if make is not sites.helical else 1.0,
            meter_ratio=rng.normal(1.0, np.hypot(flow_pct / 200, site.flow_meter.uncertainty_pct / 100)))
        of_day = 1.0 + np.sqrt(0.5) * sensor * rng.standard_normal(21)
        drawn = weather.assign(poa_irradiance_w_m2=weather["poa_irradiance_w_m2"] * of_day[day])
        true = expect(site, drawn, STEP_S, health=health)["expected_flow_m3_s"].to_numpy()
        seconds = np.full(due.size, STEP_S)
        known = learn_from_rows(table, due, true, seconds, day, day < 15)
        own = expect(site, weather, STEP_S, light=light, learned=known)

        def by_day(values):
            return np.bincount(day, weights=values)[15:20]

        low, high, sheet_low, sheet_high = (by_day(one[f"expected_flow_{side}_m3_s"].to_numpy())
                                            for one in (own, table) for side in ("low", "high"))
        inside.append((low <= by_day(true)) & (by_day(true) <= high))
        narrower.append(float(np.mean((high - low) / (sheet_high - sheet_low))))
        moved.append((np.abs(by_day(own["expected_flow_m3_s"].to_numpy()) / by_day(true) - 1).mean(),
                      np.abs(by_day(due) / by_day(true) - 1).mean()))
    assert np.mean(inside) >= 0.93
    assert np.mean(narrower) < 0.65
    by_record, by_sheet = np.mean(moved, axis=0)
    assert by_record < 0.6 * by_sheet


def test_without_learning_the_interval_is_the_sheets_and_effects_add_up_to_it():
    site = sites.centrifugal()
    weather = sites.clear_days(site, days=1)
    table = expect(site, weather, 600.0, with_effects=True)
    plain = expect(site, weather, 600.0, learned=Learned())
    pd.testing.assert_frame_equal(plain, table[plain.columns])
    running = table["expected_flow_m3_s"] > 0.5 * table["expected_flow_m3_s"].max()
    half = (table["expected_flow_high_m3_s"] - table["expected_flow_low_m3_s"])[running] / 2 / 1.96
    together = np.sqrt((table.loc[running, list(EFFECT_COLUMNS)] ** 2).sum(axis=1))
    np.testing.assert_allclose(together, half, rtol=0.05)


def test_a_battery_leaves_a_single_day_open_by_what_it_can_hold():
    """The same pump on twice the battery: twice the charge may be held at dawn; without sun nothing is added."""
    site = sites.pressure_system()
    weather = sites.clear_days(site, days=3)

    def passing(capacity):
        changed = site.replaced(battery={**site.battery.model_dump(exclude_unset=True), "capacity_ah": capacity})
        table = expect(changed, weather, 600.0, with_effects=True)
        day = np.arange(len(table)) // 144
        own = np.bincount(day, weights=table["passing_effect_m3_s"])
        return float((own / np.bincount(day, weights=table["expected_flow_m3_s"]))[1])

    little, some, much = passing(1.0), passing(40.0), passing(80.0)
    assert little < 0.05
    assert some**2 - little**2 == pytest.approx((much**2 - little**2) / 4, rel=0.25)
