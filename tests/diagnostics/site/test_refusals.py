"""Every refusal of the site description: the sound site passes, one change makes it nonsense and is named."""

from typing import Any

import pytest
from pydantic import ValidationError

from diagnostics.site import Battery, Ejector, Pump, Site, WindTurbine

# (what is changed, what the refusal says). The unchanged site is sound, so each case fails for its own change alone.
REFUSED: dict[str, tuple[dict[str, Any], str]] = {
    "Vmp above Voc": ({"array__module__vmp_v": 47.0}, "vmp_v .47. must be below voc_v"),
    "Imp above Isc": ({"array__module__imp_a": 9.5}, "imp_a .9.5. must be below isc_a"),
    "power not Vmp times Imp": ({"array__module__power_w": 400.0}, "is 330 W but power_w says 400 W"),
    "positive voltage coefficient": ({"array__module__temperature_coefficient_voc_pct_per_k": 0.31}, "less than 0"),
    "percent written as a ratio per kelvin": (
        {"array__module__temperature_coefficient_voc_pct_per_k": None,
         "array__module__temperature_coefficient_voc_per_k": -0.31}, "greater than -0.01"),
    "azimuth counted from south": ({"array__azimuth_deg": -30.0}, "west positive, write 150; .* write 330"),
    "tilt beyond upright": ({"array__tilt_deg": 95.0}, "less than or equal to 90"),
    "seasonal mount without tilts": ({"array__mount": "seasonal_tilt"}, "seasonal_tilts_deg is empty"),
    "tilt for a thirteenth month": ({"array__seasonal_tilts_deg": {13: 10.0}}, "13 is no month"),
    "seasonal tilt beyond upright": ({"array__seasonal_tilts_deg": {4: 100.0}}, "not between 0 and 90"),
    "intake above the water": ({"well__pump_setting_depth_m": 25.0, "well__low_water_probe_depth_m": None},
                               "must be deeper than static_water_level"),
    "probe below the intake": ({"well__low_water_probe_depth_m": 65.0}, "cannot protect the pump"),
    "probe above the water": ({"well__low_water_probe_depth_m": 20.0}, "could never start"),
    "pump below the bottom": ({"well__well_depth_m": 50.0}, "below the bottom of the well"),
    "dry well": ({"well__well_depth_m": 20.0, "well__pump_setting_depth_m": None,
                  "well__low_water_probe_depth_m": None}, "the well would be dry"),
    "submersible without a depth": ({"well__pump_setting_depth_m": None, "well__low_water_probe_depth_m": None},
                                    "hangs in the water"),
    "stop above start": ({"drive__stop_power_w": 300.0}, "chatter"),
    "frequency limits swapped": ({"drive__min_frequency_hz": 60.0, "drive__max_frequency_hz": 30.0},
                                 "is not below max_frequency_hz"),
    "holds more than it bears": ({"drive__held_voltage_v": 500.0}, "is above max_input_voltage_v"),
    "booster without a voltage": ({"drive__kind": "current_booster", "pump__motor__kind": "brushed_dc"},
                                  "needs held_voltage_v"),
    "held above open circuit": ({"drive__kind": "current_booster", "pump__motor__kind": "brushed_dc",
                                 "drive__held_voltage_v": 420.0}, "the array could give nothing"),
    "AC drive on a brushed motor": ({"pump__motor__kind": "brushed_dc"}, "an AC drive cannot feed it"),
    "induction motor straight on the array": ({"drive__kind": "direct"}, "needs an AC drive"),
    "battery bus without battery": ({"drive__kind": "battery_bus"}, "there is no battery table"),
    "no power source": ({"array": None}, "no power source"),
    "curve of two points": ({"pump__curve": [{"flow_l_s": 0, "head_m": 90}, {"flow_l_s": 1, "head_m": 40}]},
                            "at least three points"),
    "curve from the wrong end": ({"pump__curve": [{"flow_l_s": 1.1, "head_m": 40}, {"flow_l_s": 0.6, "head_m": 75},
                                                  {"flow_l_s": 0, "head_m": 90}]}, "head falling"),
    "curve out of order": ({"pump__curve": [{"flow_l_s": 0, "head_m": 90}, {"flow_l_s": 1.2, "head_m": 60},
                                            {"flow_l_s": 1.1, "head_m": 40}]}, "order of rising flow"),
    "power for some points": ({"pump__curve": [{"flow_l_s": 0, "head_m": 90, "power_w": 500},
                                               {"flow_l_s": 0.6, "head_m": 75},
                                               {"flow_l_s": 1.1, "head_m": 40, "power_w": 900}]},
                              "point 2 has no power"),
    "more lift than power": ({"pump__curve__1__flow_l_s": None, "pump__curve__1__flow_m3_h": 6.0,
                              "pump__curve__2__flow_l_s": 3.0}, "curve point 2: .* takes 1224 W, but 800 W"),
    "two descriptions of the pump": ({"pump__power_table": [{"head_m": 40, "input_power_w": 900, "flow_l_s": 0.5}]},
                                     "exactly one of curve, power_table or displacement_m3_rev; 2 were given"),
    "no description of the pump": ({"pump__curve": None}, "0 were given"),
    "turns of a centrifugal": ({"pump__curve": None, "pump__displacement_ml_rev": 20.0, "pump__rated_head_m": 40.0,
                                "pump__volumetric_efficiency": 0.9}, "same volume every turn"),
    "table with more water than power": (
        {"pump__curve": None, "pump__power_table": [{"head_m": 40, "input_power_w": 200, "flow_l_s": 0.6}]},
        "power_table: lifting 0.6 L/s by 40 m takes 235 W"),
    "highest head below the rated": ({"pump__max_head_m": 20.0, "pump__rated_head_m": 60.0}, "is below rated_head"),
    "efficiency in percent": ({"pump__motor__rated_efficiency": 75.0}, "less than 0.99"),
    "bore in millimetres under a key in m": ({"pipework__runs__0__bore_mm": None, "pipework__runs__0__bore_m": 40.0},
                                             "less than or equal to 1"),
    "no pipe at all": ({"pipework__runs": []}, "at least 1 item"),
    "weep hole below the pump": ({"pipework__weep_hole_depth_m": 61.0}, "sits in the riser above it"),
    "full above the rim": ({"tank__full_level_m": 2.6}, "above the tank's height"),
    "float without hysteresis": ({"tank__float_reset_level_m": 2.3}, "the float would chatter"),
    "outlet above full": ({"tank__outlet_level_m": 2.3}, "no water could be drawn"),
    "overflow below full": ({"tank__overflow_level_m": 2.2}, "must lie between full_level"),
    "overflow above the rim": ({"tank__overflow_level_m": 2.6}, "must lie between full_level"),
    "cylinder without diameter": ({"tank__diameter_m": None}, "vertical_cylinder tank needs diameter_m"),
    "table tank without table": ({"tank__shape": "table"}, "level_table and volume_table"),
    "table that falls": ({"tank__shape": "table", "tank__level_table_m": [0.0, 1.0, 0.5],
                          "tank__volume_table_m3": [0.0, 1.0, 2.0]}, "level_table_m must rise"),
    "guarantee that ends before it starts": ({"guarantee__ends_on": "2024-01-01"}, "is not after starts_on"),
    "no time zone": ({"timezone": "Nairobi"}, "not an IANA time zone"),
    "an unknown sensor": ({"sensors": {"flow_m3_h": {}}}, "unknown channel"),
    "an id with a blank": ({"id": "Well 7"}, "string_pattern_mismatch|match pattern"),
    "latitude beyond the pole": ({"latitude_deg": 120.0}, "less than or equal to 90"),
    "absent part that is described": ({"parts_absent": ["well"]}, "but a well table is there too"),
}


def test_the_sound_site_passes(written):
    site = Site.model_validate(written())
    assert site.pump.curve[1].flow_m3_s == pytest.approx(0.0006)
    assert site.array.nominal_power_w == 8 * 330


@pytest.mark.parametrize("name", REFUSED)
def test_nonsense_is_refused_and_the_mend_named(written, name):
    changes, says = REFUSED[name]
    with pytest.raises(ValidationError, match=says):
        Site.model_validate(written(**changes))


# The nearest sound neighbour of refused cases: the same change, gone less far, passes.
@pytest.mark.parametrize("changes", [
    {"array__module__vmp_v": 39.0}, {"array__azimuth_deg": 330.0},
    {"array__mount": "seasonal_tilt", "array__seasonal_tilts_deg": {4: 5.0, 10: 30.0}},
    {"well__pump_setting_depth_m": 59.0}, {"well__low_water_probe_depth_m": 60.0}, {"drive__stop_power_w": 200.0},
    {"drive__kind": "current_booster", "pump__motor__kind": "brushed_dc", "drive__held_voltage_v": 290.0},
    {"drive__kind": "tracking", "pump__motor__kind": "brushless_dc"}, {"drive__min_frequency_hz": 20.0,
                                                                       "drive__max_frequency_hz": 50.0},
    {"pipework__weep_hole_depth_m": 55.0}, {"tank__overflow_level_m": 2.5},
    {"tank__shape": "table", "tank__level_table_m": [0.0, 1.0, 2.5], "tank__volume_table_m3": [0.0, 7.0, 17.0]},
    {"pump__curve": None, "pump__power_table": [{"head_m": 40, "input_power_w": 600, "flow_l_s": 0.6}]},
    {"array": None, "battery": {"nominal_voltage_v": 24.0, "capacity_ah": 200.0, "low_voltage_disconnect_v": 22.8,
                                "reconnect_voltage_v": 24.5, "absorption_voltage_v": 28.6},
     "drive__kind": "battery_bus", "pump__motor__kind": "brushed_dc"},
    {"well": None, "parts_absent": ["well"], "pump__family": "surface_circulation"},
    {"well__kind": "open", "well__static_water_level_m": 0.0, "well__low_water_probe_depth_m": None,
     "well__pump_setting_depth_m": None, "pump__family": "surface_circulation"},
])
def test_its_sound_neighbours_pass(written, changes):
    Site.model_validate(written(**changes))


def test_a_battery_of_other_blocks_is_refused(battery):
    Battery.model_validate(battery)
    with pytest.raises(ValidationError, match="read for one block"):
        Battery.model_validate({**battery, "nominal_voltage_v": 48.0})
    with pytest.raises(ValidationError, match="must hold; found"):
        Battery.model_validate({**battery, "reconnect_voltage_v": 22.0})


def test_a_wind_curve_is_in_order_and_positive():
    WindTurbine(hub_height_m=12, power_curve=[(3, 0), (6, 150), (12, 900)])
    with pytest.raises(ValidationError, match="rising wind speed"):
        WindTurbine(hub_height_m=12, power_curve=[(3, 0), (12, 900), (6, 150)])
    with pytest.raises(ValidationError, match="negative"):
        WindTurbine(hub_height_m=12, power_curve=[(3, 0), (6, -150), (12, 900)])


def test_a_diaphragm_pump_needs_its_slip_and_cannot_give_more_than_its_motor_takes(diaphragm):
    # 4 mL a turn at 1600 rpm is 0.107 L/s; by 50 m that is 52 W of lift from a motor of 110 W.
    Pump.model_validate(diaphragm)
    with pytest.raises(ValidationError, match="slip cannot be told"):
        Pump.model_validate({key: value for key, value in diaphragm.items() if key != "volumetric_efficiency"})
    with pytest.raises(ValidationError, match="takes 522 W, but 110 W"):
        Pump.model_validate({**diaphragm, "displacement_ml_rev": 40.0})


def test_a_jet_needs_an_ejector_whose_throat_is_wider_than_its_nozzle(written):
    jet = {**written()["pump"], "family": "jet_shallow"}
    with pytest.raises(ValidationError, match="needs an ejector"):
        Pump.model_validate(jet)
    Pump.model_validate({**jet, "ejector": {"nozzle_diameter_mm": 6, "throat_diameter_mm": 11}})
    with pytest.raises(ValidationError, match="swapped"):
        Ejector(nozzle_diameter_m=0.011, throat_diameter_m=0.006)


def test_a_part_named_absent_by_something_that_is_no_word_is_refused_not_a_crash(written):
    for garbage in ([["well"]], [{"a": 1}], [3], ["boiler"]):
        with pytest.raises(ValidationError):
            Site.model_validate(written(parts_absent=garbage))
