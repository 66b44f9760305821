"""Sites on a battery and behind a turbine, end to end: sound ones stay without findings, planted changes are named."""

import numpy as np
import pytest

from diagnostics.diagnose import diagnose_site
from diagnostics.health import HEALTHY, Health
from diagnostics.site import Tank
from tests.diagnostics.made_on_bus import bus_readings, bus_site, wind_readings, wind_site

DAYS, ONSET = 60, 30


def _found(diagnosis):
    return {finding.cause for finding in diagnosis.findings}


def _named(diagnosis):
    """Causes named or among the rivals of a finding that began about when the change was planted."""
    near = [f for f in diagnosis.findings if abs((f.onset - diagnosis.days.index[ONSET]).days) <= 4]
    return {f.cause for f in near} | {rival.cause for f in near for rival in f.rivals}


def _since(health):
    return lambda day: health if day >= ONSET else HEALTHY


@pytest.fixture(scope="module")
def bus():
    return bus_site()


@pytest.fixture(scope="module")
def wind():
    return wind_site()


@pytest.fixture(scope="module")
def sound_on_bus(bus):
    return diagnose_site(bus, bus_readings(bus, DAYS))


def test_a_sound_pump_on_a_battery_has_no_finding_whenever_people_call(bus, sound_on_bus):
    assert _found(sound_on_bus) == set()
    values = sound_on_bus.summaries.median()
    for name in ("bus_flow", "bus_power", "flow_high_power", "charge_balance", "current_high_sun"):
        assert abs(values[name]) < 0.03, name
    # People who call half as much change nothing of the rate.
    def fewer(table, day):
        hour = (np.arange(len(table)) * 900 % 86400) / 3600.0
        off = (day >= ONSET) & (hour > 10.0)
        load = np.where(off & (table["flow_m3_s"] > 0), 8.0, 0.0)
        table["battery_current_a"] += load
        table.loc[off, "flow_m3_s"] = 0.0

    assert _found(diagnose_site(bus, bus_readings(bus, DAYS, change=fewer))) == set()


def test_a_blocked_line_on_a_battery_takes_water_and_power_at_the_same_voltage(bus):
    lost = Health(delivery_loss_s2_m5=8.0e6)
    diagnosis = diagnose_site(bus, bus_readings(bus, DAYS, health_of_day=_since(lost)))
    after = diagnosis.summaries.iloc[ONSET + 1:].median()
    assert after["bus_flow"] < -0.08
    assert after["bus_power"] < -0.01       # a throttled centrifugal pump takes less
    assert abs(after["current_high_sun"]) < 0.03
    assert _named(diagnosis) & {"blocked_delivery", "clogged_intake"}


def test_a_weak_motor_takes_more_power_at_the_same_voltage_for_its_water(bus):
    worn = Health(motor_efficiency_ratio=0.78)
    after = diagnose_site(bus, bus_readings(bus, DAYS, health_of_day=_since(worn))).summaries.iloc[ONSET + 1:].median()
    assert after["flow_high_power"] < -0.08
    assert after["bus_power"] > after["bus_flow"] + 0.08


def test_dirt_shows_where_no_charger_holds_back_and_costs_the_rate_nothing(bus):
    dirty = Health(irradiance_ratio=0.7)
    diagnosis = diagnose_site(bus, bus_readings(bus, DAYS, health_of_day=_since(dirty)))
    after = diagnosis.summaries.iloc[ONSET + 1:].median()
    assert after["current_high_sun"] == pytest.approx(-0.3, abs=0.04)
    assert abs(after["bus_flow"]) < 0.03
    assert _named(diagnosis) & {"soiled_array", "irradiance_sensor_fault", "charging_fault"}
    assert not _found(diagnosis) & {"worn_pump", "blocked_delivery", "clogged_intake"}


def test_a_battery_that_lost_half_its_capacity_gives_more_by_the_current(bus):
    # Resistance a half to twice up at half the capacity: common practice of battery testing.
    diagnosis = diagnose_site(bus, bus_readings(bus, DAYS, give_of_day=lambda day: 2.6 if day >= ONSET else 1.0))
    assert _found(diagnosis) == {"battery_weak"}


def test_a_meter_that_stands_on_a_battery_is_no_stopped_pump(bus):
    def stands(table, day):
        table.loc[day >= ONSET, "flow_m3_s"] = 0.0

    diagnosis = diagnose_site(bus, bus_readings(bus, DAYS, change=stands))
    assert diagnosis.summaries["dry_share"].iloc[ONSET + 1:].median() == pytest.approx(1.0)
    assert _named(diagnosis) & {"meter_stopped", "lost_prime", "riser_leak"}
    assert "drive_stopped" not in _found(diagnosis)


def test_a_current_sensor_that_reads_low_breaks_the_balance_and_dirt_does_not(bus):
    def low(table, day):
        table.loc[day >= ONSET, "array_current_a"] *= 0.75

    diagnosis = diagnose_site(bus, bus_readings(bus, DAYS, change=low))
    assert diagnosis.summaries["charge_balance"].iloc[ONSET + 1:].median() == pytest.approx(1.0 / 0.75 - 1.0, abs=0.05)
    assert "electrical_sensor_fault" in _found(diagnosis)
    dirty = diagnose_site(bus, bus_readings(bus, DAYS, health_of_day=_since(Health(irradiance_ratio=0.7))))
    assert abs(dirty.summaries["charge_balance"].iloc[ONSET + 1:].median()) < 0.03


def test_without_array_readings_the_battery_shows_the_array_while_the_pump_stands(bus):
    def bare(table, day):
        del table["array_voltage_v"], table["array_current_a"]

    readings = bus_readings(bus, DAYS, health_of_day=_since(Health(irradiance_ratio=0.7)), change=bare)
    after = diagnose_site(bus, readings).summaries
    seen = after["power_mid_sun"]
    assert (1.0 + seen.iloc[ONSET + 1:].median()) / (1.0 + seen.iloc[:ONSET].median()) == pytest.approx(0.7, abs=0.03)


def test_a_sound_pump_behind_a_turbine_has_no_finding(wind):
    diagnosis = diagnose_site(wind, wind_readings(wind, DAYS))
    assert _found(diagnosis) == set()
    values = diagnosis.summaries.median()
    for name in ("wind_power", "flow_mid_power", "flow_high_power"):
        assert abs(values[name]) < 0.05, name


def test_a_turbine_with_a_dead_phase_gives_too_little_at_every_wind(wind):
    # A three-phase rectifier that lost one phase gives about two thirds: common practice.
    source = wind_readings(wind, DAYS, source_of_day=lambda day: 0.6 if day >= ONSET else 1.0)
    diagnosis = diagnose_site(wind, source)
    assert "wind_source_fault" in _found(diagnosis)
    assert not _found(diagnosis) & {"worn_pump", "falling_water_table", "soiled_array"}


def test_hydraulic_causes_show_behind_a_turbine_as_behind_an_array(wind):
    readings = wind_readings(wind, DAYS, health_of_day=_since(Health(extra_static_level_m=9.0)))
    diagnosis = diagnose_site(wind, readings)
    after = diagnosis.summaries.iloc[ONSET + 1:].median()
    assert after["flow_mid_power"] < -0.08
    assert abs(after["wind_power"]) < 0.05
    assert _named(diagnosis) & {"falling_water_table", "worn_pump", "wrong_head"}


def test_a_meter_that_stands_behind_a_turbine_is_seen_by_the_power(wind):
    def stands(table, day):
        table.loc[day >= ONSET, "flow_m3_s"] = 0.0

    assert "meter_stopped" in _named(diagnose_site(wind, wind_readings(wind, DAYS, change=stands)))


def test_what_the_sun_brings_while_the_tank_is_full_is_pumped_later(bus):
    tank = Tank(shape="vertical_cylinder", diameter_m=4.0, height_m=2.2, full_level_m=2.0, float_reset_level_m=1.7,
                overflow_level_m=2.1)
    drive = bus.drive.model_copy(update={"has_float_input": True})
    site = bus.model_copy(update={"tank": tank, "drive": drive})

    def floats(table, day):
        table["tank_full_ratio"] = (table["flow_m3_s"] <= 0.0).astype(float)

    diagnosis = diagnose_site(site, bus_readings(site, DAYS, change=floats))
    assert _found(diagnosis) == set()
    days = diagnosis.days[diagnosis.days["judged"]]
    lacking = (days["expected_m3"] - days["delivered_m3"]).clip(lower=0.0)
    assert (days["tank_full_m3"] > 0.0).any()
    assert (days["tank_full_m3"] <= lacking + 1e-6).all()
    assert diagnosis.verdict == "working"


def test_a_pump_on_a_battery_whose_tank_calls_and_that_stands_is_stopped(bus):
    tank = Tank(shape="vertical_cylinder", diameter_m=4.0, height_m=2.2, full_level_m=2.0, float_reset_level_m=1.7,
                overflow_level_m=2.1)
    site = bus.model_copy(update={"tank": tank, "drive": bus.drive.model_copy(update={"has_float_input": True})})

    def stands(table, day):
        called = table["flow_m3_s"].to_numpy() > 0.0
        table["tank_full_ratio"] = np.where(called, 0.0, 1.0)
        off = (day >= ONSET) & called
        load = table["array_voltage_v"] * table["array_current_a"] * 0.96 / table["battery_voltage_v"]
        table.loc[off, "battery_current_a"] = load[off]
        table.loc[off, "battery_voltage_v"] = np.maximum(table.loc[off, "battery_voltage_v"], 150.0)
        table.loc[off, "flow_m3_s"] = 0.0

    diagnosis = diagnose_site(site, bus_readings(site, DAYS, change=stands))
    assert diagnosis.summaries["stopped_share"].iloc[:ONSET].max() < 0.1
    assert diagnosis.summaries["stopped_share"].iloc[ONSET + 1:].median() > 0.9
    assert _named(diagnosis) & {"drive_stopped", "motor_fault", "low_water_cutout"}


def test_a_charger_that_only_switches_holds_the_array_at_the_battery_and_is_no_fault(bus):
    module = bus.array.module

    def switched(table, day):
        best = table["array_voltage_v"].to_numpy().copy()
        on = best > 0.0
        low = table["battery_voltage_v"] * 1.02
        # From a fifth below its best voltage on an array gives its short-circuit current.
        factor = 1.0 + (module.isc_a / module.imp_a - 1.0) * np.clip(
            (1.0 - low / np.where(on, best, 1.0)) / 0.2, 0.0, 1.0)
        extra = table["array_current_a"] * np.where(on, factor * low - best, 0.0) * 0.96
        table["battery_current_a"] += extra / table["battery_voltage_v"]
        table["array_current_a"] *= np.where(on, factor, 1.0)
        table["array_voltage_v"] = np.where(on, low, table["array_voltage_v"])

    sound = diagnose_site(bus, bus_readings(bus, DAYS, change=switched))
    assert _found(sound) == set()
    dirty = diagnose_site(bus, bus_readings(bus, DAYS, health_of_day=_since(Health(irradiance_ratio=0.7)),
                                            change=switched))
    assert dirty.summaries["current_high_sun"].iloc[ONSET + 1:].median() == pytest.approx(-0.3, abs=0.05)
    assert _named(dirty) & {"soiled_array", "irradiance_sensor_fault", "charging_fault"}
