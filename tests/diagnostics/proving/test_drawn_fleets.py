"""Random proving fleets: every family runs, causes fit their sites, and the same seed gives the same plants."""

from datetime import date

import numpy as np
import pytest

from diagnostics.causes import CAUSES
from diagnostics.proving.drawing import DRIVES_OF, draw_site
from diagnostics.proving.drawing_faults import KINDS, DrawnPlant, draw_fault, draw_fleet, possible_causes, run_fleet
from diagnostics.proving.planting import SIZE_MEANS
from diagnostics.site import SURFACE

CODES = frozenset(("soiled_array", "shaded_array", "string_open", "module_bypassed", "array_degraded",
    "wiring_resistance", "off_mpp", "drive_derated", "drive_limited", "drive_stopped", "falling_water_table",
    "screen_fouled", "low_water_cutout", "clogged_intake", "lost_prime", "cavitation", "worn_pump", "motor_fault",
    "riser_leak", "check_valve_leak", "blocked_delivery", "air_in_line", "wrong_head", "stuck_float", "tank_leak",
    "overflow", "battery_weak", "charging_fault", "wind_source_fault", "meter_under_reading", "meter_over_reading",
    "meter_stopped", "totaliser_reset", "irradiance_sensor_fault", "temperature_sensor_fault", "level_sensor_fault",
    "electrical_sensor_fault", "clock_shift", "swapped_channels", "unit_mistake", "logger_silent", "unexplained"))
# What the catalogue allows and no proving plant of the family can have yet, with the reason.
_NO_SUCH_DRIVE = {"battery_weak", "charging_fault", "wind_source_fault"}       # drives the family is not drawn with
_NO_RISER = {"riser_leak", "check_valve_leak"}                                 # the pump stands above ground
_OPEN_WATER = {"falling_water_table", "lost_prime", "low_water_cutout"}        # drawn on open or flooded water
NOT_PLANTED: dict[str, set[str]] = {
    "centrifugal_submersible": {"air_in_line", "cavitation"},                  # only surface pumps cavitate there
    "diaphragm_submersible": _NO_SUCH_DRIVE, "helical_submersible": _NO_SUCH_DRIVE,
    "surface_circulation": _NO_SUCH_DRIVE | _NO_RISER | {"falling_water_table"},
    "jet_shallow": _NO_SUCH_DRIVE | _NO_RISER | {"low_water_cutout", "screen_fouled"},
    "jet_deep": _NO_SUCH_DRIVE | _NO_RISER | {"low_water_cutout"},
    "jet_convertible": _NO_SUCH_DRIVE | _NO_RISER | {"low_water_cutout", "screen_fouled"},
    "multistage_booster": _NO_SUCH_DRIVE | _OPEN_WATER,
    "plunger_booster": _NO_SUCH_DRIVE | _NO_RISER | _OPEN_WATER,
}


@pytest.fixture(scope="module")
def every_kind():
    pairs = [(family, drive) for family, drives in DRIVES_OF.items() for drive in dict.fromkeys(drives)]
    fleet = [DrawnPlant(draw_site(np.random.default_rng(100 + i), family, drive, "mediterranean", number=i,
                                  step_s=900.0), ()) for i, (family, drive) in enumerate(pairs)]
    return fleet, run_fleet(fleet, start_day=date(2026, 5, 1), days=2, rng=np.random.default_rng(3), inner_step_s=450.0)


def test_every_family_with_every_drive_delivers_water_in_may(every_kind):
    for one, plant in zip(*every_kind, strict=True):
        what = f"{one.drawn.family} on {one.drawn.drive}"
        flow = plant.truth["healthy_flow_m3_s"]
        assert np.isfinite(plant.readings.values.to_numpy()).all(), what
        if one.drawn.drive != "wind":
            assert flow.max() > 0.25 * one.drawn.truth.machine.flow_m3_s, what
        assert flow.max() < 2.6 * one.drawn.truth.machine.flow_m3_s, what


def test_no_drawn_plant_makes_energy(every_kind):
    for one, plant in zip(*every_kind, strict=True):
        values = plant.readings.values
        if "array_current_a" not in values or one.drawn.site.battery is not None:
            continue
        lift = one.drawn.site.well.static_water_level_m + one.drawn.site.pipework.outlet_height_m
        water = 998 * 9.81 * plant.truth["true_flow_m3_s"].reindex(values.index).sum() * max(lift, 0.0)
        array = (values["array_voltage_v"] * values["array_current_a"]).clip(lower=0).sum()
        assert water < 0.75 * array, f"{one.drawn.family} on {one.drawn.drive}"


def test_the_same_seed_draws_and_runs_the_same_fleet():
    def run():
        rng = np.random.default_rng(8)
        fleet = draw_fleet(rng, 3, days=2, step_s=900.0)
        return run_fleet(fleet, start_day=date(2026, 3, 1), days=2, rng=rng, inner_step_s=900.0)

    for one, other in zip(run(), run(), strict=True):
        assert one.readings.values.equals(other.readings.values)
        assert one.faults == other.faults


def test_causes_fit_the_site_they_are_planted_in():
    for seed in range(60):
        drawn = draw_site(np.random.default_rng(seed), number=seed)
        causes = possible_causes(drawn)
        assert ("lost_prime" in causes) <= (drawn.site.pump.family in SURFACE)
        assert ("string_open" in causes) <= (drawn.site.array is not None)
        assert ("battery_weak" in causes) == (drawn.site.battery is not None)
        fault = draw_fault(np.random.default_rng(seed), drawn, 240)
        assert fault.cause in causes
        assert fault.shape == "day_one" or 30 <= fault.start_day <= 170


def test_every_cause_that_can_be_planted_can_be_drawn():
    assert set(SIZE_MEANS) - {"tank_full", "switched_off"} == set(KINDS)


def test_every_code_of_the_catalogue_exists():
    assert set(CAUSES) == CODES
    assert set(KINDS) == CODES - {"unexplained"}        # the unexplained has no physics to plant


@pytest.mark.parametrize("family", sorted(DRIVES_OF))
def test_every_cause_a_family_can_have_is_planted_in_it(family):
    drives = dict.fromkeys(DRIVES_OF[family])
    planted = {cause for drive in drives for seed in range(8) for cause in possible_causes(
        draw_site(np.random.default_rng(seed), family, drive, sensors="rich"))}
    kinds = {"tracking" if drive == "wind" else drive for drive in drives}
    due = {code for code, cause in CAUSES.items() if code != "unexplained" and family in cause.families
           and kinds & cause.drives}
    assert due - planted <= NOT_PLANTED[family]
    assert planted <= due


def test_fleets_hold_enough_sound_sites():
    fleet = draw_fleet(np.random.default_rng(1), 200)
    sound = sum(one.cause == "sound" for one in fleet)
    assert 0.35 < sound / 200 < 0.5
    assert len({one.cause for one in fleet}) > 20
