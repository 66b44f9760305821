"""
Array causes and sensor errors against each other, by what is common practice of the trade.

A module at night is a few kelvin below the air; a sensor that has come off lacks the warmth of the sun and is right at
night; single strings open and single diodes short far oftener than several; shade does not come for a week.
"""

import numpy as np
import pytest
from made_readings import PLAIN, centrifugal_site, made_readings

from diagnostics.baseline import clearness_of_days
from diagnostics.causes import CAUSES
from diagnostics.diagnose import weigh_site
from diagnostics.inference.profiles import build_profiles
from diagnostics.inference.search import _kind_priors

BEGINS, DAYS = 40, 80


def _diagnosed(change):
    site = centrifugal_site()
    return weigh_site(site, made_readings(site, DAYS, channels=PLAIN, change=change))


@pytest.fixture(scope="module")
def cold_sensor():
    def change(table, day):
        table.loc[day >= BEGINS, "module_temperature_c"] -= 15.0
    return _diagnosed(change)


def test_a_module_sensor_off_at_night_against_the_air_is_named_and_sized(cold_sensor):
    diagnosis, _ = cold_sensor
    night = diagnosis.summaries["night_module_less_air"].to_numpy()
    assert np.nanmedian(night[BEGINS + 1:]) - np.nanmedian(night[:BEGINS]) == pytest.approx(-15.0 / 25.0, abs=0.02)
    first = diagnosis.findings[0]
    assert first.cause == "temperature_sensor_fault" and first.size == pytest.approx(15.0, abs=4.0)


def test_a_sensor_that_came_off_is_named_though_it_is_right_at_night():
    def change(table, day):
        off = day >= BEGINS
        table.loc[off, "module_temperature_c"] = table.loc[off, "air_temperature_c"]
    diagnosis, _ = _diagnosed(change)
    assert diagnosis.findings[0].cause == "temperature_sensor_fault"


def test_an_air_sensor_that_stands_alone_is_named_by_night_and_by_the_arrays_voltage():
    channels = tuple(name for name in PLAIN if name != "module_temperature_c")
    site = centrifugal_site()

    def change(table, day):
        table.loc[day >= BEGINS, "air_temperature_c"] -= 15.0
    diagnosis, _ = weigh_site(site, made_readings(site, DAYS, channels=channels, change=change))
    first = diagnosis.findings[0]
    assert first.cause == "temperature_sensor_fault" and first.size == pytest.approx(15.0, abs=4.0)
    assert first.water_lost_m3_day == 0.0


def test_an_air_sensor_beside_a_modules_is_told_by_the_nights():
    def change(table, day):
        table.loc[day >= BEGINS, "air_temperature_c"] += 15.0
    diagnosis, weighing = _diagnosed(change)
    assert diagnosis.findings[0].cause == "temperature_sensor_fault"
    assert weighing.accepted[0].case.form.name == "air"
    assert weighing.accepted[0].severity == pytest.approx(15.0, abs=4.0)


def test_clear_days_are_told_by_the_sites_own_clear_sky(cold_sensor):
    _, weighing = cold_sensor
    course = clearness_of_days(weighing.intervals)
    assert abs(course.mean()) < 1e-9 and course.max() > 0.1 > -0.1 > course.min()


def test_one_string_is_likelier_than_two_and_shade_of_a_week_is_none(cold_sensor):
    _, weighing = cold_sensor
    strings = {case.severity: case.log_prior for case in weighing.signatures.cases if case.cause.code == "string_open"}
    assert len(strings) == 2 and strings[min(strings)] - strings[max(strings)] == pytest.approx(np.log(4.0))
    profiles = build_profiles(120)
    shade, dirt = (_kind_priors(profiles)[code] for code in ("shaded_array", "soiled_array"))
    short = (profiles.kind == "window") & (profiles.stop - profiles.start < CAUSES["shaded_array"].least_days)
    assert short.any() and not np.isfinite(shade[short]).any() and np.isfinite(dirt[short]).all()
    assert np.isfinite(shade[(profiles.kind == "window") & ~short]).any()
