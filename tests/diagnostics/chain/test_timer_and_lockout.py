"""A timer, a lock-out against too high a voltage, and the lowest output of a frequency drive hold the pump as set."""

import numpy as np
import pandas as pd
import pytest
from pydantic import ValidationError

from diagnostics.chain.power_source import mean_power_from_store_w, power_past_battery_w
from diagnostics.chain.site_model import SiteModel
from diagnostics.expected import expect
from tests.diagnostics.chain import invented_sites as sites


def _with_drive(site, **changes):
    return site.replaced(drive={**site.drive.model_dump(exclude_unset=True), **changes})


def _local_hour(site, table):
    local = (table.index - pd.Timedelta(minutes=5)).tz_convert(site.timezone)
    return np.asarray(local.hour + local.minute / 60.0)


def test_timer_lets_water_through_in_its_hours_alone_and_changes_nothing_there():
    plain = sites.centrifugal()
    timed = _with_drive(plain, timer_windows=[(9.0, 12.0), (14.0, 15.5)])
    weather = sites.clear_days(plain, days=2)
    without, held = expect(plain, weather, 600.0), expect(timed, weather, 600.0)
    hour = _local_hour(plain, held)
    inside = ((hour >= 9) & (hour < 12)) | ((hour >= 14) & (hour < 15.5))
    flow = held["expected_flow_m3_s"].to_numpy()
    assert (flow[~inside] == 0.0).all() and (flow[inside] > 0.0).all()
    # The well has rested meanwhile, so that a little more than without a timer comes.
    np.testing.assert_allclose(flow[inside], without["expected_flow_m3_s"].to_numpy()[inside], rtol=0.15)
    noon = (hour >= 12) & (hour < 14)
    assert (held["expected_state"][noon] == "timer_off").all()


def test_timer_over_midnight_starts_a_battery_pump_at_night_and_keeps_it_still_by_day():
    site = _with_drive(sites.pressure_system(), timer_windows=[(20.0, 4.0)])
    held = expect(site, sites.clear_days(site, days=3), 600.0)
    hour = _local_hour(site, held)
    flow = held["expected_flow_m3_s"].to_numpy()
    assert (flow[(hour >= 4) & (hour < 20)] == 0.0).all()
    assert flow[(hour >= 20)].max() > 0.0


def test_voltage_above_the_lockout_stops_and_one_far_above_all_changes_nothing():
    plain = sites.centrifugal()
    weather = sites.clear_days(plain, days=1)
    free = expect(plain, weather, 600.0)
    top = float(free["expected_array_voltage_v"].max())
    never = expect(_with_drive(plain, overvoltage_lockout_v=0.8 * top), weather, 600.0)
    assert never["expected_flow_m3_s"].max() == 0.0
    assert (never["expected_state"] == "locked_out").any()
    same = expect(_with_drive(plain, overvoltage_lockout_v=2.0 * top), weather, 600.0)
    np.testing.assert_array_equal(same["expected_flow_m3_s"], free["expected_flow_m3_s"])


def test_windows_and_lockouts_that_make_no_sense_are_refused():
    with pytest.raises(ValidationError, match="two different clock hours"):
        _with_drive(sites.centrifugal(), timer_windows=[(7.0, 7.0)])
    with pytest.raises(ValidationError, match="could never run"):
        _with_drive(sites.diaphragm(), overvoltage_lockout_v=1.0)


def test_frequency_drive_gives_nothing_below_its_lowest_output():
    plain = sites.frequency()
    low = _with_drive(plain, min_frequency_hz=None)
    held = _with_drive(plain, min_frequency_hz=45.0)
    power = np.linspace(10.0, 3000.0, 300)
    free, cut = SiteModel.build(low), SiteModel.build(held)
    speed = free.speed_at_power(power)
    least = 45.0 / plain.drive.rated_frequency_hz * plain.pump.rated_speed_rpm
    delivers = free.flow_at_power(power) > 0
    assert (cut.flow_at_power(power)[delivers & (speed < 0.99 * least)] == 0.0).all()
    above = delivers & (speed > 1.01 * least)
    assert above.any()
    np.testing.assert_allclose(cut.flow_at_power(power)[above], free.flow_at_power(power)[above])


def test_power_that_goes_past_a_battery_loses_nothing_and_the_rest_its_charge():
    wanted, length = np.full(48, 100.0), np.full(48, 1800.0)
    # Exactly what the pump takes: nothing is stored, nothing lost.
    np.testing.assert_allclose(power_past_battery_w(wanted, wanted, length, 1e6, 0.8), wanted)
    # Twice as much: the second half is stored at 80 %.
    np.testing.assert_allclose(power_past_battery_w(2 * wanted, wanted, length, 1e9, 0.8), 180.0)
    # Half as much into an empty battery, by hand: on the share d of the time, d (100 - 50) = (1 - d) 50 x 0.8, so the
    # pump runs 4/9 of the time on what is worth 44.4 W.
    by_turns = power_past_battery_w(0.5 * wanted, wanted, length, 1e6, 0.8)
    np.testing.assert_allclose(by_turns, 400.0 / 9.0, rtol=1e-6)
    out, _ = mean_power_from_store_w(by_turns, wanted, length, 1e6)
    assert out.sum() <= 0.5 * wanted.sum()
