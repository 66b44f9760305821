"""Healthy behaviour is never masked; what cannot be is."""

import numpy as np
import pandas as pd
import pytest

from diagnostics.quality import QualitySettings, mask_readings, masked
from diagnostics.readings import Mask, SiteReadings


def masks_of(site, values, interval_s):
    before = values.copy()
    found = mask_readings(site, values, interval_s)
    pd.testing.assert_frame_equal(values, before)
    return found


def test_a_healthy_site_is_left_alone(site, healthy, interval_s):
    found = masks_of(site, healthy, interval_s)
    share = (found != 0).mean()
    assert found.columns.equals(healthy.columns) and found.index.equals(healthy.index)
    assert share.to_dict() == dict.fromkeys(healthy.columns, 0.0)


@pytest.mark.parametrize("minutes", [1, 2, 10, 15, 30, 60])
def test_a_healthy_site_is_left_alone_at_other_intervals(site, healthy_at, minutes):
    values = healthy_at(minutes)
    found = mask_readings(site, values, pd.Series(60.0 * minutes, index=values.index))
    assert (found != 0).sum().to_dict() == dict.fromkeys(values.columns, 0)


def put(values, channel, start, end, value):
    changed = values.copy()
    changed.loc[start:end, channel] = value
    return changed


@pytest.mark.parametrize(("channel", "start", "end", "value", "bit"), [
    ("poa_irradiance_w_m2", "2026-02-03 07:00", "2026-02-03 10:00", 612.3, Mask.STUCK),
    ("poa_irradiance_w_m2", "2026-02-03 06:00", "2026-02-03 14:00", 0.0, Mask.STUCK),
    ("global_horizontal_irradiance_w_m2", "2026-02-03 09:00", "2026-02-03 09:10", 5627.0, Mask.OUT_OF_RANGE),
    ("global_horizontal_irradiance_w_m2", "2026-02-03 04:00", "2026-02-03 04:10", 900.0, Mask.OUT_OF_RANGE),
    ("poa_irradiance_w_m2", "2026-02-03 22:00", "2026-02-03 22:30", 90.0, Mask.IMPOSSIBLE),
    ("array_current_a", "2026-02-03 20:00", "2026-02-03 21:00", 3.0, Mask.IMPOSSIBLE),
    ("array_current_a", "2026-02-03 09:00", "2026-02-03 09:00", 60.0, Mask.IMPOSSIBLE),
    ("array_voltage_v", "2026-02-03 09:00", "2026-02-03 09:00", 400.0, Mask.IMPOSSIBLE),
    ("array_voltage_v", "2026-02-03 12:00", "2026-02-04 08:00", 139.0, Mask.STUCK),
    ("flow_m3_s", "2026-02-03 10:00", "2026-02-04 09:00", 0.0004, Mask.STUCK),
    ("flow_m3_s", "2026-02-03 10:00", "2026-02-03 10:00", -0.0004, Mask.NEGATIVE_FLOW),
    ("module_temperature_c", "2026-02-03 10:00", "2026-02-03 10:00", 331.0, Mask.OUT_OF_RANGE),
    ("module_temperature_c", "2026-02-03 02:00", "2026-02-03 12:00", 21.4, Mask.STUCK),
    ("air_temperature_c", "2026-02-03 10:00", "2026-02-03 10:00", 55.0, Mask.SPIKE),
    ("water_level_m", "2026-02-04 22:00", "2026-02-04 22:00", 3.0, Mask.SPIKE),
    ("water_level_m", "2026-02-03 02:00", "2026-02-03 16:00", 20.5, Mask.STUCK),
    ("tank_level_m", "2026-02-03 22:00", "2026-02-03 22:00", 0.3, Mask.SPIKE),
    ("tank_level_m", "2026-02-03 22:00", "2026-02-03 22:00", 2.9, Mask.IMPOSSIBLE),
])
def test_what_cannot_be_is_marked_with_its_bit_and_nothing_else_is(site, healthy, interval_s, channel, start, end,
                                                                  value, bit):
    changed = put(healthy, channel, start, end, value)
    found = masks_of(site, changed, interval_s)
    span = found.loc[start:end, channel]
    assert ((span & int(bit)) > 0).all()
    # the row before or after may carry the same value by chance; nothing else may be touched
    untouched = found.copy()
    untouched.loc[pd.Timestamp(start, tz="UTC") - pd.Timedelta("15min"):
                  pd.Timestamp(end, tz="UTC") + pd.Timedelta("15min"), channel] = 0
    assert (untouched != 0).sum().sum() == 0


def test_a_straight_line_over_a_gap_is_marked(site, healthy, interval_s):
    changed = healthy.copy()
    place = slice(8 * 12, 8 * 12 + 24)
    ends = changed["poa_irradiance_w_m2"].iloc[[place.start, place.stop - 1]].to_numpy()
    changed.iloc[place, 0] = np.linspace(*ends, 24)
    found = masks_of(site, changed, interval_s)
    assert (found["poa_irradiance_w_m2"].iloc[place] == int(Mask.INTERPOLATED)).all()
    assert (found != 0).sum().sum() == 24


def test_a_frozen_total_beside_a_running_flow_is_marked_and_a_resting_one_is_not(site, healthy, interval_s):
    values = healthy.copy()
    values["meter_total_m3"] = np.round(1000 + (values["flow_m3_s"] * 300).cumsum(), 2)
    assert (masks_of(site, values, interval_s) != 0).sum().sum() == 0
    values["flow_m3_s"] = values["meter_total_m3"].diff().clip(lower=0) / 300   # flow that follows from the total
    assert (masks_of(site, values, interval_s) != 0).sum().sum() == 0
    values.loc["2026-02-03":"2026-02-04", "meter_total_m3"] = values.loc["2026-02-03", "meter_total_m3"].iloc[0]
    found = masks_of(site, values, interval_s)
    assert (found.loc["2026-02-03":"2026-02-04", "meter_total_m3"] & int(Mask.STUCK)).astype(bool).mean() > 0.9


def test_a_battery_site_may_pump_all_night(site, healthy, interval_s):
    battery = {"nominal_voltage_v": 48.0, "capacity_ah": 200.0, "low_voltage_disconnect_v": 44.0,
               "reconnect_voltage_v": 48.0, "absorption_voltage_v": 57.6}
    by_battery = site.replaced(battery=battery)
    changed = put(healthy, "flow_m3_s", "2026-02-03 10:00", "2026-02-04 09:00", 0.0004)
    assert (masks_of(by_battery, changed, interval_s)["flow_m3_s"] == 0).all()


def test_bits_of_the_ingest_stay_and_settings_are_held_to_their_range(site, healthy, interval_s):
    masks = pd.DataFrame(0, index=healthy.index, columns=healthy.columns, dtype="uint16")
    masks.iloc[100, 0] = int(Mask.CONFLICT)
    both = masked(site, SiteReadings("well-1", healthy, masks, interval_s))
    assert both.masks.iloc[100, 0] == int(Mask.CONFLICT)
    with pytest.raises(ValueError):
        QualitySettings(night_elevation_deg=5)


def test_nothing_logged_and_nothing_known_pass(site, healthy, interval_s):
    nothing = healthy * np.nan
    assert (masks_of(site, nothing, interval_s) == 0).all().all()
    assert mask_readings(site, healthy.iloc[:0], interval_s.iloc[:0]).shape == (0, healthy.shape[1])
    assert mask_readings(site, healthy.iloc[:1], interval_s.iloc[:1]).shape == (1, healthy.shape[1])


def test_light_and_current_together_by_night_are_the_clock(site, healthy, interval_s):
    late = healthy.set_axis(healthy.index + pd.Timedelta(hours=5))
    found = mask_readings(site, late, interval_s.set_axis(late.index))
    night = (found["array_current_a"] & int(Mask.CLOCK)) > 0
    assert night.sum() > 50
    assert ((found.loc[night, "poa_irradiance_w_m2"] & int(Mask.CLOCK)) > 0).all()
    assert not ((found["array_current_a"] & int(Mask.IMPOSSIBLE)) > 0).any()
