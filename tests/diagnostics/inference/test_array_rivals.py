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
from diagnostics.evidence.features import POSITION
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
    priors = _kind_priors(profiles, frozenset())
    shade, dirt = priors["shaded_array", False], priors["soiled_array", True]
    short = (profiles.kind == "window") & (profiles.stop - profiles.start < CAUSES["shaded_array"].least_days)
    assert short.any() and not np.isfinite(shade[short]).any() and np.isfinite(dirt[short]).all()
    assert np.isfinite(shade[(profiles.kind == "window") & ~short]).any()


def test_rain_washes_dust_off_and_turns_back_no_sensor_that_reads_high(cold_sensor):
    # Common practice: dust on the small sensor makes it read low; what makes it read high is no dust.
    _, weighing = cold_sensor
    washed = {(case.cause.code, case.form.name): case.washes_off for case in weighing.signatures.cases}
    assert washed["soiled_array", "dust"] and washed["irradiance_sensor_fault", "low"]
    assert not washed["irradiance_sensor_fault", "high"]
    profiles = build_profiles(120, washes=(50, 90))
    priors, sawtooth = _kind_priors(profiles, frozenset()), profiles.kind == "sawtooth"
    assert sawtooth.any() and np.isfinite(priors["irradiance_sensor_fault", True][sawtooth]).all()
    assert not np.isfinite(priors["irradiance_sensor_fault", False][sawtooth]).any()


def test_what_began_later_is_not_found_again_in_the_first_days():
    profiles = build_profiles(120)
    early = profiles.start < 10
    free, dated = (_kind_priors(profiles, codes)["worn_pump", False] for codes in (frozenset(), {"worn_pump"}))
    assert np.isfinite(free[early]).any() and not np.isfinite(dated[early]).any()
    np.testing.assert_array_equal(free[~early], dated[~early])


def test_a_level_sensor_is_held_against_the_clear_sky_as_one_in_the_plane_is():
    def change(table, day):
        light = table.pop("poa_irradiance_w_m2")        # of a level array: what a level sensor reads
        table["global_horizontal_irradiance_w_m2"] = np.where(day >= BEGINS, 1.25 * light, light)
    site = centrifugal_site()
    site = site.replaced(array=site.array.replaced(tilt_deg=0.0))
    diagnosis, _ = weigh_site(site, made_readings(site, DAYS, channels=PLAIN, cloudiness=0.1, change=change))
    sky = diagnosis.summaries["clear_sky"].to_numpy()
    assert np.isfinite(sky[:BEGINS]).sum() >= 5 and np.isfinite(sky[BEGINS:]).sum() >= 5
    assert np.nanmedian(sky[BEGINS:]) - np.nanmedian(sky[:BEGINS]) == pytest.approx(0.25, abs=0.05)
    assert diagnosis.findings[0].cause == "irradiance_sensor_fault"


def test_power_that_a_drive_does_not_take_is_water_that_is_not_pumped(cold_sensor):
    # Physics of the chain: what is not taken from the array lifts nothing, wherever the working point went.
    _, weighing = cold_sensor
    named = {(case.cause.code, case.form.name, case.severity): shift
             for case, shift in zip(weighing.signatures.cases, weighing.signatures.shifts, strict=True)}
    below, above = named["off_mpp", "below", 0.35], named["off_mpp", "above", 0.35]
    assert below[POSITION["top_flow"]] < -0.05 and above[POSITION["top_flow"]] < -0.05
    for shift, volts, amps in ((below, 0.65 / 1.06 - 1.0, 0.06), (above, 0.18 * 0.35**0.5, None)):
        assert shift[POSITION["voltage_mid_sun"]] == pytest.approx(volts)
        if amps is not None:
            assert shift[POSITION["current_mid_sun"]] == pytest.approx(amps)


def test_a_probe_that_the_file_does_not_tell_of_is_unlikely():
    cause, site = CAUSES["low_water_cutout"], centrifugal_site()
    silent = site.replaced(drive=site.drive.replaced(has_low_water_stop=False),
                           well=site.well.replaced(low_water_probe_depth_m=None))
    told = silent.replaced(drive=silent.drive.replaced(has_low_water_stop=True))
    assert cause.site_weight(told) == 1.0 > cause.site_weight(silent) > 0.0
