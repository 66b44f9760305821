"""The door of units: any known ending gives the same site, two endings for one quantity and strangers are refused."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from diagnostics.site import Array, Drive, Ejector, PipeRun, Pump, Site, Tank, Well
from diagnostics.site.described import PLAIN_NUMBERS, Described, field_of, part_of, split_field
from diagnostics.units import UNIT_OF_SUFFIX, convert, same_dimension, split_unit


def models() -> list[type[Described]]:
    found, todo = [], [Site]
    while todo:
        model = todo.pop()
        if model not in found:
            found.append(model)
            todo += [part for part in (part_of(model, field) for field in model.model_fields) if part is not None]
    return found


WAYS = [(model, field, f"{split_field(field)[0]}_{suffix}") for model in models() for field in model.model_fields
        if split_field(field) for suffix in UNIT_OF_SUFFIX
        if same_dimension(suffix, split_field(field)[1])
        and split_unit(f"{split_field(field)[0]}_{suffix}") == (split_field(field)[0], suffix)]


def test_every_part_of_a_site_is_walked():
    assert {"Site", "Array", "Module", "Battery", "WindTurbine", "Drive", "Pump", "Motor", "Ejector", "CurvePoint",
            "PowerTablePoint", "Well", "Pipework", "PipeRun", "Tank", "FlowMeter", "Sensor", "Demand", "Guarantee",
            "Owner", "LogSource", "WeatherFile"} == {model.__name__ for model in models()}
    assert len(WAYS) > 400


@pytest.mark.parametrize("model", models(), ids=lambda model: model.__name__)
def test_every_ending_of_every_field_is_understood(model):
    for _, field, key in (way for way in WAYS if way[0] is model):
        assert model.field_of(key)[0] == field
        assert set(model.canonical({key: 1.0})) == {field}


@settings(deadline=None, database=None)
@given(way=st.sampled_from(WAYS), value=st.floats(-1e4, 1e4).filter(lambda number: abs(number) > 1e-3))
def test_any_known_ending_fills_the_same_field_with_the_same_quantity(way, value):
    model, field, key = way
    target = split_field(field)[1]
    ending = key[len(split_field(field)[0]) + 1:]
    assert field_of(model, key)[0] == field
    held = model.canonical({key: value})
    assert list(held) == [field]
    back = float(convert(held[field], target, ending))
    assert math.isclose(back, value, rel_tol=1e-9, abs_tol=1e-9)


@settings(deadline=None, database=None)
@given(value=st.floats(0.1, 400.0), suffix=st.sampled_from(["m", "ft", "cm", "in", "km", "mm"]))
def test_a_site_is_the_same_whatever_unit_its_water_level_was_written_in(value, suffix):
    in_metres = Well(static_water_level_m=value, pump_setting_depth_m=value + 5)
    other = Well.model_validate({f"static_water_level_{suffix}": float(convert(value, "m", suffix)),
                                 f"pump_setting_depth_{suffix}": float(convert(value + 5, "m", suffix))})
    assert math.isclose(other.static_water_level_m, in_metres.static_water_level_m, rel_tol=1e-12)


def test_no_two_fields_of_one_part_differ_by_their_unit_alone():
    for model in models():
        stems = [split_field(field)[0] for field in model.model_fields if split_field(field)]
        assert len(stems) == len(set(stems)), model.__name__


# A last letter can look like a unit: Hazen-Williams C is no temperature, a loss coefficient K no kelvin.
@pytest.mark.parametrize(("model", "field", "key"), [
    (PipeRun, "hazen_williams_c", "hazen_williams_f"), (PipeRun, "minor_loss_k", "minor_loss_c"),
    (Ejector, "nozzle_loss_k", "nozzle_loss_f")])
def test_symbols_that_look_like_units_are_not_converted(model, field, key):
    assert field in model.model_fields and split_field(field) is None
    assert field_of(model, key) is None


def test_the_plain_numbers_are_fields_that_exist():
    fields = {field for model in models() for field in model.model_fields}
    assert fields >= PLAIN_NUMBERS


def test_heat_loss_constants_are_no_temperatures():
    assert split_field("heat_loss_constant_w_m2_k") == ("heat_loss_constant", "w_m2_k")
    assert field_of(Array, "heat_loss_constant_w_m2_c") is None


def test_two_units_for_one_quantity_are_refused():
    with pytest.raises(ValidationError, match="say the same thing in two units; keep one"):
        Well.model_validate({"static_water_level_m": 30, "static_water_level_ft": 98.4, "pump_setting_depth_m": 40})


@pytest.mark.parametrize("key", ["static_water_levl_m", "static_water_level_psi", "static_water_level", "surprise"])
def test_a_key_no_field_knows_is_refused(key):
    with pytest.raises(ValidationError) as caught:
        Well.model_validate({"static_water_level_m": 30.0, key: 1.0})
    assert caught.value.errors()[0]["type"] == "extra_forbidden"


@pytest.mark.parametrize("value", ["30", "30 m", True, False])
@pytest.mark.parametrize("key", ["static_water_level_m", "static_water_level_ft"])
def test_a_number_in_quotes_or_a_switch_is_no_depth(key, value):
    with pytest.raises(ValidationError, match="without quotes"):
        Well.model_validate({key: value, "pump_setting_depth_m": 40})


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 10**400])
def test_what_is_no_finite_number_is_refused(value):
    for key in ("static_water_level_m", "static_water_level_ft"):
        with pytest.raises(ValidationError):
            Well.model_validate({key: value})


def test_lists_and_tables_of_numbers_are_converted_item_by_item():
    tank = Tank.model_validate({"shape": "table", "height_ft": 10, "full_level_ft": 9, "level_table_ft": [0, 5, 10],
                                "volume_table_gal_us": [0, 1000, 2500]})
    assert tank.level_table_m == pytest.approx([0, 1.524, 3.048])
    assert tank.volume_table_m3 == pytest.approx([0, 3.785411784, 9.46352946])
    assert Array.canonical({"seasonal_tilts_rad": {4: math.pi / 2}}) == {"seasonal_tilts_deg": {4: 90.0}}


def test_a_copy_with_changes_is_checked_again():
    drive = Drive(kind="tracking", start_power_w=200, stop_power_w=100)
    assert drive.replaced(stop_power_w=50).stop_power_w == 50
    with pytest.raises(ValidationError, match="chatter"):
        drive.replaced(stop_power_w=300)
    with pytest.raises(ValidationError, match="frozen"):
        drive.stop_power_w = 3


def test_a_description_survives_being_written_out_and_read_again(written):
    site = Site.model_validate(written())
    assert Site.model_validate(site.model_dump(mode="json")) == site
    assert Pump.model_validate(site.pump.model_dump()) == site.pump
