"""The interval of expected delivery narrows by what a site's first sound days have taught, and by nothing else."""

import numpy as np
import pandas as pd
import pytest
from made_readings import PLAIN, centrifugal_site, made_readings

from diagnostics.baseline import LEARN_DAYS
from diagnostics.diagnose import diagnose_site
from diagnostics.expected import expect
from diagnostics.health import HEALTHY, Health

DAYS = 70
# Within the sheet's tolerances, and not along any one of them.
OWN = Health(motor_efficiency_ratio=0.975, meter_ratio=0.98, extra_static_level_m=0.8)


def _sheet_days(site, readings):
    weather = pd.DataFrame({name: readings.sound(name) for name in readings.values.columns})
    table = expect(site, weather, readings.interval_s)
    middle = table.index - pd.to_timedelta(readings.interval_s.to_numpy() / 2, unit="s")
    day = pd.DatetimeIndex(middle).tz_convert(site.timezone).date
    return table[["expected_flow_low_m3_s", "expected_flow_m3_s", "expected_flow_high_m3_s"]].mul(
        readings.interval_s, axis=0).groupby(day).sum()


def _half(days):
    return float(((days["expected_high_m3"] - days["expected_low_m3"]) / 2 / days["expected_m3"]).median())


def test_a_sound_site_is_held_to_its_own_water_within_half_the_sheets_interval():
    site = centrifugal_site()
    readings = made_readings(site, DAYS, own=OWN, channels=PLAIN)
    days = diagnose_site(site, readings).days
    later = days[days["judged"].to_numpy(dtype=bool)].iloc[LEARN_DAYS:]
    sheet = _sheet_days(site, readings)
    by_sheet = float(((sheet.iloc[:, 2] - sheet.iloc[:, 0]) / 2 / sheet.iloc[:, 1]).median())
    assert _half(later) < 0.6 * by_sheet
    inside = (later["expected_low_m3"] <= later["delivered_m3"]) & (later["delivered_m3"] <= later["expected_high_m3"])
    assert inside.mean() > 0.9
    assert ((later["expected_low_m3"] <= later["expected_m3"] + 1e-9)
            & (later["expected_m3"] <= later["expected_high_m3"] + 1e-9)).all()


def test_a_fault_there_from_the_first_day_teaches_nothing():
    site = centrifugal_site()
    broken = Health(strings_ratio=2 / 3)
    days = diagnose_site(site, made_readings(site, DAYS, health_of_day=lambda _: broken)).days
    sound = diagnose_site(site, made_readings(site, DAYS, health_of_day=lambda _: HEALTHY)).days
    assert _half(days[days["judged"].to_numpy(dtype=bool)]) > 1.5 * _half(sound[sound["judged"].to_numpy(dtype=bool)])


def test_days_after_a_fault_began_are_held_against_the_days_before_it():
    """With the same first days, what follows does not change what they taught."""
    site = centrifugal_site()
    broken = Health(intake_loss_s2_m5=2e7)
    fault = diagnose_site(site, made_readings(site, DAYS, own=OWN,
                                              health_of_day=lambda day: broken if day >= 45 else HEALTHY)).days
    before = fault[fault["judged"].to_numpy(dtype=bool)].iloc[:40]
    after = fault[fault["judged"].to_numpy(dtype=bool)].iloc[50:]
    assert _half(after) == pytest.approx(_half(before), rel=0.25)
    assert np.mean(after["delivered_m3"] < after["expected_low_m3"]) > 0.8
