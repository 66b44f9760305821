"""What a crew's meters should show: held against laws of the trade and against the chain itself."""

from datetime import date

import numpy as np
import pandas as pd
import pytest

from diagnostics.expected import SiteModel
from diagnostics.meter_readings import STRONG_SUN_W_M2, meter_readings
from diagnostics.results import Finding, Rival
from tests.dashboards.sample import sample_site
from tests.diagnostics.chain import invented_sites as chain_sites

NOON = pd.Timestamp("2025-08-20 09:00", tz="UTC")
NONE = pd.DataFrame()


def _finding(cause: str, size: float, *, unit: str = "1", rivals: tuple[str, ...] = ()) -> Finding:
    return Finding(
        site_id="acacia", cause=cause, confidence=0.8, group=[cause], onset=date(2025, 7, 1),
        onset_low=date(2025, 7, 1), onset_high=date(2025, 7, 1), onset_shape="step", last_seen=date(2025, 8, 20),
        size=size, size_low=size, size_high=size, size_unit=unit, size_means="", water_lost_m3_day=1.0,
        water_lost_low_m3_day=0.5, water_lost_high_m3_day=1.5, evidence=[],
        rivals=[Rival(cause=rival, probability=0.2) for rival in rivals], next_test="")


@pytest.fixture(scope="module")
def site():
    return sample_site("acacia", "Acacia", well={"static_water_level_m": 28.0, "pump_setting_depth_m": 48.0,
                                                 "drawdown_linear_s_m2": 2500.0})


def test_healthy_readings_are_those_of_the_array_and_the_chain(site):
    found = meter_readings(site, None, NONE, NOON)
    strong = found.told[0].strong
    # Nameplate arithmetic (common practice): 4 modules of 30 V in series, 2 strings of 8.33 A, both less what heat,
    # wiring and mismatch take at 800 W/m2.
    assert 0.8 * 4 * 30.0 < strong.voltage_v < 4 * 30.0
    assert 0.92 * 0.8 * 2 * 8.33 < strong.current_a < 1.02 * 0.8 * 2 * 8.33
    assert strong.power_w == pytest.approx(strong.voltage_v * strong.current_a)
    model = SiteModel.build(site)
    assert strong.flow_m3_s == pytest.approx(float(model.flow_at_power(strong.power_w, 28.0)), rel=0.01)
    # Drawdown of the sheet, B Q.
    assert strong.water_level_m == pytest.approx(28.0 + 2500.0 * strong.flow_m3_s, rel=1e-6)


def test_volts_fall_with_heat_by_the_sheets_coefficient(site):
    # Temperature coefficient of power -0.43 %/K less that of current +0.05 %/K leaves about -0.48 %/K for the voltage
    # at maximum power: common practice for crystalline modules.
    found = meter_readings(site, None, NONE, NOON)
    per_kelvin = found.volts_per_10_k / 10.0 / found.told[0].strong.voltage_v
    assert -0.0065 < per_kelvin < -0.0035


def test_open_circuit_lies_below_the_label_at_warm_cells_and_above_the_working_voltage(site):
    found = meter_readings(site, None, NONE, NOON)
    assert found.told[0].strong.voltage_v < found.open_circuit_v < 4 * 37.5


def test_an_open_string_halves_the_amps_and_leaves_the_volts(site):
    healthy, fault = meter_readings(site, _finding("string_open", 0.5), NONE, NOON).told
    assert fault.strong.current_a == pytest.approx(0.5 * healthy.strong.current_a, rel=0.02)
    assert fault.strong.voltage_v == pytest.approx(healthy.strong.voltage_v, rel=0.03)
    assert fault.starts_at_w_m2 > healthy.starts_at_w_m2


def test_dirt_takes_its_share_of_the_amps(site):
    healthy, fault = meter_readings(site, _finding("soiled_array", 0.2), NONE, NOON).told
    assert fault.strong.current_a == pytest.approx(0.8 * healthy.strong.current_a, rel=0.02)
    assert fault.strong.flow_m3_s < healthy.strong.flow_m3_s


def test_deeper_water_moves_the_level_by_its_metres_and_the_start_upwards(site):
    healthy, fault = meter_readings(site, _finding("falling_water_table", 9.0, unit="m"), NONE, NOON).told
    assert fault.rest_level_m == pytest.approx(healthy.rest_level_m + 9.0)
    assert fault.strong.current_a == pytest.approx(healthy.strong.current_a, rel=0.02)
    assert fault.starts_at_w_m2 > healthy.starts_at_w_m2
    assert fault.strong.flow_m3_s < healthy.strong.flow_m3_s


def test_a_blocked_line_raises_the_gauge_and_a_clogged_intake_lowers_it(site):
    found = meter_readings(site, _finding("blocked_delivery", 0.8, rivals=("clogged_intake",)), NONE, NOON)
    healthy, blocked, clogged = found.told
    # The rival is as large as it must be to cost the same water; only the gauge then tells them apart.
    assert clogged.strong.flow_m3_s == pytest.approx(blocked.strong.flow_m3_s, rel=0.03)
    assert clogged.strong.pressure_pa < healthy.strong.pressure_pa < blocked.strong.pressure_pa


def test_a_stopped_drive_leaves_the_array_at_open_circuit_without_amps(site):
    found = meter_readings(site, _finding("drive_stopped", 0.9), NONE, NOON)
    stopped = found.told[1]
    assert stopped.standing
    assert stopped.strong.voltage_v == pytest.approx(found.open_circuit_v)
    assert (stopped.strong.current_a, stopped.strong.flow_m3_s) == (0.0, 0.0)


def test_a_meter_that_reads_low_shows_its_share_on_the_logger(site):
    healthy, fault = meter_readings(site, _finding("meter_under_reading", 0.25), NONE, NOON).told
    assert fault.on_logger
    assert fault.strong.flow_m3_s == pytest.approx(0.75 * healthy.strong.flow_m3_s)


def test_every_cause_can_be_asked_for(site):
    from diagnostics.causes import CAUSES

    for code, cause in CAUSES.items():
        found = meter_readings(site, _finding(code, 0.2, unit=cause.size_unit, rivals=tuple(cause.look_alikes)), NONE,
                               NOON)
        assert found.told[0].of == ""
        for told in found.told:
            assert np.isfinite(told.strong.voltage_v), code


@pytest.mark.parametrize("made", [chain_sites.helical, chain_sites.diaphragm, chain_sites.centrifugal])
def test_a_size_beyond_what_one_form_can_have_leaves_the_others(made):
    # A displacement pump's slip may be many times the sound one; as lost displacement the same number is impossible.
    found = meter_readings(made(), _finding("worn_pump", 7.2), NONE, NOON)
    assert found.told[0].of == ""
    for told in found.told:
        assert told.strong.flow_m3_s >= 0.0 or np.isnan(told.strong.flow_m3_s)


def test_what_the_logger_showed_lately_is_taken_near_the_strong_sun_alone(site):
    index = pd.date_range("2025-08-19 06:00", periods=60, freq="10min", tz="UTC")
    sun = np.linspace(300.0, 1000.0, 60)
    table = pd.DataFrame({"poa_irradiance_w_m2": sun, "flow_m3_s": sun * 1e-6, "cell_temperature_c": 55.0}, index=index)
    found = meter_readings(site, None, table, NOON)
    assert found.logged_flow_m3_s == pytest.approx(STRONG_SUN_W_M2 * 1e-6, rel=0.02)
    assert found.told[0].strong.cell_temperature_c == pytest.approx(55.0, abs=0.1)
