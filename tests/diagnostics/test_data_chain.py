"""A broken data chain is named and never judged as a pump: clock, columns, units, codes, dead sensors."""

import numpy as np
import pandas as pd
import pytest
from made_readings import PLAIN, RICH, centrifugal_site, made_readings

from diagnostics.clock_mend import at_true_times, clock_shifts
from diagnostics.data_chain import look_through
from diagnostics.diagnose import diagnose_site
from diagnostics.quality.masking import masked
from diagnostics.quality.settings import QualitySettings
from diagnostics.readings import SiteReadings
from diagnostics.results import SiteDiagnosis
from diagnostics.units import convert

SITE = centrifugal_site()
DAYS = 45
# Faults of the plant: none of them may come out of bad data.
PLANT = {"worn_pump", "riser_leak", "clogged_intake", "blocked_delivery", "falling_water_table", "wrong_head",
         "motor_fault", "drive_stopped", "drive_limited", "soiled_array", "string_open", "lost_prime"}


def _sound(channels: tuple[str, ...] = PLAIN) -> SiteReadings:
    return made_readings(SITE, DAYS, channels=channels, cloudiness=0.2)


def _with(values: pd.DataFrame) -> SiteReadings:
    masks = pd.DataFrame(0, index=values.index, columns=values.columns).astype("uint16")
    step = pd.Series(900.0, index=values.index)
    return masked(SITE, SiteReadings(SITE.id, values, masks, step))


def _open(diagnosis: SiteDiagnosis) -> dict[str, float]:
    return {f.cause: f.size for f in diagnosis.findings if f.status not in ("healed", "mended")}


def _diagnosed(values: pd.DataFrame) -> SiteDiagnosis:
    return diagnose_site(SITE, _with(values))


def test_sound_readings_come_through_untouched():
    readings = _with(_sound(RICH).values)
    chain = look_through(SITE, readings)
    assert chain.readings is readings
    assert (chain.findings, chain.withheld, chain.mended) == ((), (), ())


# Zones are whole quarter hours; local time against UTC is -12 to +14 h (IANA time zone database).
@pytest.mark.parametrize("hours", [-12, -7, -5.5, -1, 1, 3, 5.75, 7, 11])
def test_a_logger_in_the_wrong_zone_is_told_to_the_minute_and_put_right(hours):
    values = _sound().values
    late = values.set_axis(values.index + pd.Timedelta(hours=hours)).rename_axis("interval_end_utc")
    shifts = clock_shifts(SITE, _with(late))
    assert len(shifts) == 1
    assert (shifts[0].shift_min - 60.0 * hours) % 1440.0 == 0.0
    mended, lost = at_true_times(_with(late), shifts)
    assert lost == 0
    assert abs(int((mended.values.index[0] - values.index[0]).total_seconds())) % 86400 == 0


def test_a_wrong_zone_is_a_clock_shift_and_no_fault_of_the_pump():
    values = _sound().values
    late = values.set_axis(values.index + pd.Timedelta(hours=7)).rename_axis("interval_end_utc")
    diagnosis = _diagnosed(late)
    assert _open(diagnosis) == {"clock_shift": pytest.approx(7.0)}
    assert "clock put right by -420 min" in diagnosis.verdict_says
    sound = _diagnosed(values)
    assert diagnosis.days["delivery_ratio"].median() == pytest.approx(sound.days["delivery_ratio"].median(), abs=0.02)


def test_a_zone_changed_in_between_is_cut_at_the_hour():
    values = _sound().values
    day = (values.index - values.index[0]) // pd.Timedelta(days=1)
    stamps = values.index + pd.to_timedelta(np.where(day >= 20, 6.0, 0.0), unit="h")
    shifts = clock_shifts(SITE, _with(values.set_axis(stamps).rename_axis("interval_end_utc")))
    assert [shift.shift_min for shift in shifts] == [360.0]
    assert abs(shifts[0].start - int(np.argmax(day >= 20))) <= 2
    assert shifts[0].is_last


def test_a_shaded_morning_is_no_clock():
    values = _sound().values
    hour = values.index.tz_convert(SITE.timezone).hour
    for name in ("poa_irradiance_w_m2", "array_current_a"):
        values.loc[hour < 9, name] *= 0.05
    assert clock_shifts(SITE, _with(values)) == []


def test_exchanged_voltage_and_current_are_told_from_their_first_day():
    values = _sound().values
    late = ((values.index - values.index[0]) // pd.Timedelta(days=1)) >= 15
    one, other = "array_voltage_v", "array_current_a"
    values.loc[late, [one, other]] = values.loc[late, [other, one]].to_numpy()
    diagnosis = _diagnosed(values)
    finding = next(f for f in diagnosis.findings if f.cause == "swapped_channels")
    assert abs((pd.Timestamp(finding.onset) - pd.Timestamp(diagnosis.days.index[15])).days) <= 1
    assert not PLANT & set(_open(diagnosis))


# Exact definitions of the units (pint's registry); a factor of 10 is a pulse weight off by one place.
FLOW_FACTORS = {
    "gal/min read as l/min": convert(1.0, "l_min", "gpm_us"), "l/min read as gal/min": convert(1.0, "gpm_us", "l_min"),
    "m3/h read as l/min": convert(1.0, "l_min", "m3_h"), "l/min read as m3/s": convert(1.0, "m3_s", "l_min"),
    "l/s read as l/min": convert(1.0, "l_min", "l_s"), "pulse": 10.0, "pulse the other way": 0.1}


@pytest.mark.parametrize("mistake", list(FLOW_FACTORS))
def test_flow_in_another_unit_gives_no_verdict_and_names_the_factor(mistake):
    values = _sound().values
    values["flow_m3_s"] *= float(FLOW_FACTORS[mistake])
    diagnosis = _diagnosed(values)
    assert diagnosis.verdict == "not enough data"
    assert diagnosis.verdict_says.startswith("No verdict: the meter shows")
    size = _open(diagnosis)["unit_mistake"]
    assert abs(np.log(size / float(FLOW_FACTORS[mistake]))) < np.log(1.12)
    assert not PLANT & set(_open(diagnosis))


def test_a_leak_of_most_of_the_water_is_no_unit_mistake():
    # Power law of a leak: it takes more of a small flow than of a large one, a factor takes the same of both.
    values = _sound().values
    values["flow_m3_s"] = np.maximum(values["flow_m3_s"] - 0.75 * values["flow_m3_s"].max(), 0.0)
    assert "unit_mistake" not in _open(_diagnosed(values))


@pytest.mark.parametrize(("change", "cause"), [
    (lambda v: v * 0.001, "unit_mistake"), (lambda v: v * 0.0, "irradiance_sensor_fault"),
    (lambda v: v * 0.0 + 500.0, "irradiance_sensor_fault"), (lambda v: v * 10.0, "unit_mistake")])
def test_light_that_is_none_gives_no_verdict(change, cause):
    values = _sound().values
    values["poa_irradiance_w_m2"] = change(values["poa_irradiance_w_m2"])
    diagnosis = _diagnosed(values)
    assert diagnosis.verdict == "not enough data" and "irradiance" in diagnosis.verdict_says
    assert set(_open(diagnosis)) == {cause}


@pytest.mark.parametrize(("channel", "change", "cause"), [
    ("array_current_a", lambda v: v * 1000.0, "unit_mistake"), ("array_voltage_v", lambda v: v * 0.001, "unit_mistake"),
    ("array_current_a", lambda v: v * 0.0, "electrical_sensor_fault"),
    ("water_level_m", lambda v: v * 3.2808399, "unit_mistake"),
    ("air_temperature_c", lambda v: v * 1.8 + 32.0, "unit_mistake")])
def test_another_channel_in_another_unit_is_told_and_the_water_still_judged(channel, change, cause):
    values = _sound(RICH).values
    if channel == "air_temperature_c":
        values["air_temperature_c"] = 20.0 + values["air_temperature_c"] * 0.0
    values[channel] = change(values[channel])
    diagnosis = _diagnosed(values)
    assert cause in _open(diagnosis)
    assert not PLANT & set(_open(diagnosis))
    assert diagnosis.verdict == "working"


def test_a_total_read_as_a_rate_and_one_value_day_and_night_are_no_flow():
    values = _sound().values
    total = values.assign(flow_m3_s=1.0 + values["flow_m3_s"].cumsum())
    diagnosis = _diagnosed(total)
    assert diagnosis.verdict == "not enough data" and "only ever rises" in diagnosis.verdict_says
    flat = _diagnosed(values.assign(flow_m3_s=8e-4))
    assert flat.verdict == "not enough data" and "meter_stopped" in _open(flat)


def test_an_undeclared_code_is_taken_out_and_said():
    values = _sound().values
    chance = np.random.default_rng(3)
    for name in ("array_voltage_v", "poa_irradiance_w_m2"):
        values.loc[chance.random(len(values)) < 0.05, name] = -999.0
    diagnosis = _diagnosed(values)
    assert sum("-999" in note and "sentinels" in note for note in diagnosis.notes) == 2
    assert diagnosis.verdict == "working" and not PLANT & set(_open(diagnosis))


def test_rows_without_a_number_are_not_enough_data():
    values = _sound().values * np.nan
    diagnosis = _diagnosed(values)
    assert diagnosis.verdict == "not enough data" and "not one of them holds a number" in diagnosis.verdict_says


def test_masks_made_anew_keep_to_the_thresholds_of_the_company():
    """A current of 1.5 times short circuit is a cloud edge by the program's threshold and none by a company's 1.3."""
    values = _sound().values
    late = values.set_axis(values.index + pd.Timedelta(hours=7)).rename_axis("interval_end_utc")
    peak = int(np.argmax(late["array_current_a"].to_numpy()))
    late.iloc[peak, late.columns.get_loc("array_current_a")] = (
        1.5 * SITE.array.module.isc_a * SITE.array.strings_in_parallel)
    plain = _with(late)
    for quality, is_bad in ((None, False), (QualitySettings(cloud_edge_current_ratio=1.3), True)):
        chain = look_through(SITE, plain, quality=quality)
        assert chain.mended
        assert (int(chain.readings.masks["array_current_a"].iloc[peak]) != 0) == is_bad
