"""What is possible but hardly ever true draws one doubt, and the plain site draws none."""

import re

import pytest

from diagnostics.site import Site
from diagnostics.site.suspicions import coldest_cell_temperature_c, highest_head_m, static_lift_m, suspicions

SURFACE = {"pump__family": "surface_circulation", "well__pump_setting_depth_m": None,
           "well__low_water_probe_depth_m": None, "well__well_depth_m": None, "well__kind": "open",
           "well__static_water_level_m": 3.0, "guarantee": None}

# (what is changed, where the doubt hangs, what it says)
DOUBTED = {
    "depths in feet": ({"well__static_water_level_m": 98.0, "well__pump_setting_depth_m": 197.0,
                        "well__low_water_probe_depth_m": None, "well__well_depth_m": None, "guarantee": None,
                        "pipework__runs__0__length_m": 210.0},
                       "well.static_water_level_m", "103.0 m but the pump reaches at most 90.0 m.*as feet the lift"),
    "pump head in feet": ({"well__static_water_level_m": 3.0, "pipework__outlet_height_m": 1.0,
                           "guarantee": None}, "well.static_water_level_m", "4.0 m for a pump that reaches 90.0 m"),
    "pipe in metres, depths in feet": ({"well__pump_setting_depth_m": 190.0, "well__well_depth_m": None,
                                        "well__low_water_probe_depth_m": None}, "pipework.runs",
                                       "70 m, shorter than the way from.*195 m.*fits if the depths are feet"),
    "bore read in inches as decimetres": ({"pipework__runs__0__bore_mm": 400.0}, "pipework.runs[1].bore_m",
                                          "0.0048 m/s through a bore of 400 mm"),
    "bore of a straw": ({"pipework__runs__0__bore_mm": 8.0}, "pipework.runs[1].bore_m", "12 m/s"),
    "array faces the pole in the tropics": ({"latitude_deg": -20.0, "array__azimuth_deg": 180.0}, "array.azimuth_deg",
                                            "faces the south pole"),
    "array faces the pole in the north": ({"latitude_deg": 31.0, "array__azimuth_deg": 20.0},
                                          "array.azimuth_deg", "faces the north pole.*face south"),
    "array faces the pole in the south": ({"latitude_deg": -31.0, "array__azimuth_deg": 170.0},
                                          "array.azimuth_deg", "faces the south pole.*face north"),
    "tilt from upright": ({"array__tilt_deg": 80.0}, "array.tilt_deg", "nearly upright"),
    "array too small": ({"pump__motor__rated_power_w": 20000.0}, "array", "2640 W but the motor is rated 20000 W"),
    "array too large": ({"array__strings_in_parallel": 4, "guarantee": None}, "array",
                        "10560 W but the motor is rated 1500 W"),
    "cap in kilowatts": ({"drive__max_output_power_w": 1.5}, "drive.max_output_power_w", "at most 1.5 W"),
    "too many in series": ({"array__modules_in_series": 10}, "array.modules_in_series",
                           "reach .* V open circuit at .*the drive takes 450 V"),
    "held too low": ({"drive__kind": "current_booster", "pump__motor__kind": "brushed_dc",
                      "drive__held_voltage_v": 150.0}, "drive.held_voltage_v", "41% of the array's open-circuit"),
    "held too high": ({"drive__kind": "current_booster", "pump__motor__kind": "brushed_dc",
                       "drive__held_voltage_v": 355.0}, "drive.held_voltage_v", "97% of the array's open-circuit"),
    "motor of another voltage": ({"drive__kind": "direct", "pump__motor__kind": "brushed_dc",
                                  "pump__motor__rated_voltage_v": 24.0, "drive__max_input_voltage_v": None},
                                 "array.modules_in_series", "near 300.8 V .* is rated 24 V"),
    "zone of another continent": ({"timezone": "America/Bogota"}, "timezone", "7.5 hours away"),
    "latitude and longitude swapped": ({"latitude_deg": 36.8, "longitude_deg": -18.0, "array__azimuth_deg": 180.0},
                                       "latitude_deg", "latitude 36.8 would.*swapped"),
    "west without its sign": ({"latitude_deg": 31.0, "longitude_deg": 109.0, "timezone": "America/Phoenix",
                               "array__azimuth_deg": 180.0}, "longitude_deg", "-109 would.*minus sign"),
    "in the sea": ({"latitude_deg": 0.0, "longitude_deg": 0.0}, "latitude_deg", "both 0"),
    "guarantee in feet": ({"guarantee__total_dynamic_head_m": 131.0, "guarantee__daily_volume_m3": 5.0},
                          "guarantee.total_dynamic_head_m", "speaks of 131.0 m, the lift at rest is 35.0 m"),
    "guarantee in gallons": ({"guarantee__daily_volume_m3": 2642.0}, "guarantee.daily_volume_m3",
                             "no pump turns more than 70 %"),
    "meter floor in another unit": ({"flow_meter__floor_m3_s": 0.1}, "flow_meter.floor_m3_s", "at standstill"),
    "pulse of ten cubic metres": ({"flow_meter__pulse_volume_m3": 10.0}, "flow_meter.pulse_volume_m3", "one pulse"),
    "sucks too high": ({**SURFACE, "well__static_water_level_m": 9.0}, "pipework.pump_height_m", "suck 9.0 m up"),
}


def test_the_plain_site_draws_no_doubt(written):
    assert suspicions(Site.model_validate(written())) == []


@pytest.mark.parametrize("name", DOUBTED)
def test_each_doubt_is_drawn_alone_and_says_where(written, name):
    changes, where, says = DOUBTED[name]
    doubts = suspicions(Site.model_validate(written(**changes)))
    assert [doubt.where for doubt in doubts] == [where], doubts
    assert re.search(says, f"{doubts[0].says} {doubts[0].mend}"), doubts[0]
    assert doubts[0].mend


@pytest.mark.parametrize("changes", [
    {"array__azimuth_deg": 180.0},                      # at 1.2 degrees south either side is usual
    {"latitude_deg": 31.0, "array__azimuth_deg": 180.0}, {"latitude_deg": 31.0, "array__azimuth_deg": 90.0},
    {"latitude_deg": 31.0, "array__azimuth_deg": 0.0, "array__tilt_deg": 5.0},
    {"timezone": "UTC"}, {"longitude_deg": 5.0},        # a zone may reach two hours past its meridian
    {"longitude_deg": -179.0, "latitude_deg": -17.0, "timezone": "Pacific/Fiji"},
    {"drive__kind": "current_booster", "pump__motor__kind": "brushed_dc", "drive__held_voltage_v": 290.0},
    {**SURFACE, "pipework__outlet_height_m": 25.0},
    {**SURFACE, "well__static_water_level_m": 9.0, "pipework__pump_height_m": -4.0,
     "pipework__outlet_height_m": 25.0},
    {"array": None, "battery": {"nominal_voltage_v": 24.0, "capacity_ah": 200.0, "low_voltage_disconnect_v": 22.8,
                                "reconnect_voltage_v": 24.5, "absorption_voltage_v": 28.6}},
    {"drive__max_speed_rpm": 3600.0, "well__static_water_level_m": 95.0, "well__pump_setting_depth_m": 110.0,
     "well__low_water_probe_depth_m": None, "well__well_depth_m": None, "guarantee": None,
     "pipework__runs__0__length_m": 120.0},
])
def test_what_is_usual_draws_none(written, changes):
    assert suspicions(Site.model_validate(written(**changes))) == []


def test_a_station_without_pump_is_not_doubted_for_what_it_lacks(written):
    changes = {"pump": None, "drive": None, "well": None, "pipework": None, "tank": None, "guarantee": None,
               "parts_absent": ["pump", "drive", "well", "pipework"]}
    assert suspicions(Site.model_validate(written(**changes))) == []


def test_lift_counts_the_pressure_held_at_the_outlet(written):
    # 1 bar is 10.2 m of water (100000 / (998.2 x 9.80665)), by hand.
    site = Site.model_validate(written(pipework__outlet_pressure_bar=1.0))
    assert static_lift_m(site) == pytest.approx(35 + 10.216, abs=0.001)


def test_the_highest_head_grows_with_the_square_of_the_speed_a_drive_allows(written):
    # Affinity law: (3420 / 2850)^2 = 1.44, by hand.
    site = Site.model_validate(written(drive__max_speed_rpm=3420.0))
    assert highest_head_m(site) == pytest.approx(90 * 1.44)


def test_mornings_get_colder_towards_the_poles_and_with_height():
    assert coldest_cell_temperature_c(0, 0) > coldest_cell_temperature_c(40, 0) > coldest_cell_temperature_c(40, 2000)
    assert coldest_cell_temperature_c(-40, 0) == coldest_cell_temperature_c(40, 0)
