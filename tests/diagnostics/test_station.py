"""Stations that measure but do not pump: planted changes are found, sound records are left alone."""

import numpy as np
import pandas as pd
import pytest

from diagnostics.diagnose import diagnose_site
from diagnostics.readings import Mask, SiteReadings
from diagnostics.site import Site

EVERYTHING = ["array", "drive", "pump", "well", "pipework"]


def station(**changes):
    return Site.model_validate({
        "id": "station", "name": "Station", "latitude_deg": -1.0, "longitude_deg": 36.8, "altitude_m": 1600,
        "timezone": "Africa/Nairobi", "installed_on": "2024-01-01", "parts_absent": EVERYTHING, **changes})


def readings(columns, step="1h", start="2024-01-01T00:00Z", masks=None):
    length = len(next(iter(columns.values())))
    index = pd.date_range(start, periods=length + 1, freq=step, name="interval_end_utc")[1:]
    values = pd.DataFrame(columns, index=index, dtype="float64")
    none = pd.DataFrame(0, index=index, columns=values.columns, dtype="uint16")
    seconds = pd.Series(pd.Timedelta(step).total_seconds(), index=index)
    return SiteReadings("station", values, none if masks is None else masks(none), seconds)


def light(days, step="15min", shift_h=0.0):
    """Clear half-sine days of Nairobi, about the true noon of January (12:38 local), stamps late by `shift_h`."""
    index = pd.date_range("2024-01-01T00:00Z", periods=int(days * 24 / (pd.Timedelta(step).total_seconds() / 3600)) + 1,
                          freq=step)[1:]
    hour = (index.hour.to_numpy() + index.minute.to_numpy() / 60.0 + 3.0 - 0.125 - shift_h) % 24.0
    return np.maximum(np.sin(np.pi * (hour - 6.58) / 12.1), 0.0) * 1000.0 * ((hour > 6.58) & (hour < 18.68))


def causes(diagnosis):
    return {finding.cause: finding for finding in diagnosis.findings}


def test_a_sound_light_record_is_left_alone_and_its_clock_confirmed():
    diagnosis = diagnose_site(station(), readings({"global_horizontal_irradiance_w_m2": light(60)}, "15min"))
    assert diagnosis.findings == []
    assert any("agrees with the sun" in note for note in diagnosis.notes)
    assert diagnosis.verdict == "not enough data"


def test_a_clock_two_hours_late_is_found_with_its_size():
    late = light(20, shift_h=2.0)
    diagnosis = diagnose_site(station(), readings({"global_horizontal_irradiance_w_m2": late}, "15min"))
    finding = causes(diagnosis)["clock_shift"]
    assert finding.size == pytest.approx(2.0, abs=0.25)
    assert finding.size_low < 2.0 < finding.size_high


def test_a_clock_set_back_in_the_middle_is_found_on_its_day():
    values = np.concatenate([light(50), light(50, shift_h=-1.0)])
    finding = causes(diagnose_site(station(), readings({"global_horizontal_irradiance_w_m2": values}, "15min")))
    assert finding["clock_shift"].onset == pd.Timestamp("2024-02-20").date()
    assert finding["clock_shift"].size == pytest.approx(-1.0, abs=0.1)


def test_a_change_of_scale_is_found_though_its_values_are_masked():
    values = light(90)
    values[45 * 96:] *= 5.0

    def beyond(masks):
        masks.iloc[45 * 96:, 0] = np.where(values[45 * 96:] > 1700, int(Mask.OUT_OF_RANGE), 0)
        return masks

    found = causes(diagnose_site(station(), readings({"global_horizontal_irradiance_w_m2": values}, "15min",
                                                     masks=beyond)))
    assert found["irradiance_sensor_fault"].onset == pd.Timestamp("2024-02-15").date()
    assert found["irradiance_sensor_fault"].size == pytest.approx(5.0, rel=0.05)


def test_a_meter_floor_is_told_from_water_and_its_stops_are_listed():
    rng = np.random.default_rng(1)
    flow = 0.100 + rng.normal(0, 0.001, 24 * 40)
    flow[300:312] = 0.02426 + rng.normal(0, 1e-5, 12)
    flow[700:720] = 0.02426 + rng.normal(0, 1e-5, 20)
    diagnosis = diagnose_site(station(), readings({"flow_m3_s": flow}))
    notes = " ".join(diagnosis.notes)
    assert "24.26 l/s, nearly constant" in notes
    assert "2 time(s)" in notes
    assert len([span for span in diagnosis.states if span.state == "stopped"]) == 2


def test_flow_that_only_varies_has_neither_floor_nor_stop():
    flow = 0.1 + 0.02 * np.sin(np.arange(24 * 40) / 5.0)
    diagnosis = diagnose_site(station(), readings({"flow_m3_s": flow}))
    assert not any("floor" in note or "stopped" in note for note in diagnosis.notes)
    assert diagnosis.states == []


def test_holes_in_a_regular_record_are_counted():
    whole = readings({"flow_m3_s": np.full(24 * 20, 0.1)})
    keep = np.ones(len(whole.values), dtype=bool)
    keep[100:132] = keep[300:305] = False
    holed = SiteReadings("station", whole.values[keep], whole.masks[keep], whole.interval_s[keep])
    notes = " ".join(diagnose_site(station(), holed).notes)
    assert "2 gap(s)" in notes
    assert "33 h up to" in notes


def test_a_level_that_falls_in_a_step_is_a_finding_and_one_that_rises_is_a_note():
    rng = np.random.default_rng(2)
    level = 10.0 + 0.3 * np.sin(np.arange(1400) / 58.0) + rng.normal(0, 0.05, 1400)
    level[900:] += 0.8
    deeper = diagnose_site(station(), readings({"water_level_m": level}, "1D"))
    assert causes(deeper)["falling_water_table"].size == pytest.approx(0.8, abs=0.1)
    higher = diagnose_site(station(), readings({"water_level_m": 30.0 - level}, "1D"))
    assert higher.findings == []
    assert any("higher in one step" in note for note in higher.notes)


def test_a_level_record_below_two_years_is_not_judged():
    level = 10.0 + np.where(np.arange(400) > 200, 1.0, 0.0)
    diagnosis = diagnose_site(station(), readings({"water_level_m": level}, "1D"))
    assert diagnosis.findings == []
    assert any("below two years" in note for note in diagnosis.notes)


def test_an_array_that_stands_a_sunny_day_is_found_and_its_healing_said():
    label = {"key": "any", "power_w": 240, "vmp_v": 30, "imp_a": 8, "voc_v": 38, "isc_a": 8.6, "cells_in_series": 60,
             "temperature_coefficient_voc_per_k": -0.0033, "temperature_coefficient_isc_per_k": 0.0005,
             "temperature_coefficient_power_per_k": -0.0043}
    site = station(parts_absent=["pump", "well", "pipework"],
                   array={"module": label, "modules_in_series": 12, "tilt_deg": 5, "azimuth_deg": 0},
                   drive={"key": "inverter", "kind": "tracking"})
    sun = light(10)
    power = sun * 2.6
    power[4 * 96:5 * 96] = 0.0
    diagnosis = diagnose_site(site, readings({"poa_irradiance_w_m2": sun, "array_power_w": power}, "15min"))
    finding = causes(diagnosis)["drive_stopped"]
    assert finding.onset == pd.Timestamp("2024-01-05").date() == finding.last_seen
    assert finding.status == "healed"
    assert any("judged on 10 day(s)" in note for note in diagnosis.notes)


def test_an_empty_station_says_so():
    empty = pd.DatetimeIndex([], tz="UTC", name="interval_end_utc")
    nothing = SiteReadings("station", pd.DataFrame(index=empty), pd.DataFrame(index=empty),
                           pd.Series(dtype="float64", index=empty))
    assert "No readings at all" in diagnose_site(station(), nothing).verdict_says
