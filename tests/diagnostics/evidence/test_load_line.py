"""What may be judged of an array coupled straight to its motor: amperes where they follow light, volts where firm."""

import numpy as np
import pytest

from diagnostics.chain.site_model import SiteModel
from diagnostics.evidence.load_line import load_line_rows, own_light_share, stands, surely_starts
from diagnostics.evidence.ratios import Rows, ratio_table
from diagnostics.health import Health
from tests.diagnostics.chain import invented_sites as sites

LIGHT = np.linspace(60.0, 1100.0, 105)
CELL = 25.0 + 0.028 * LIGHT


@pytest.fixture(scope="module")
def site():
    return sites.diaphragm_direct()


@pytest.fixture(scope="module")
def model(site):
    return SiteModel.build(site)


def test_drives_that_choose_their_voltage_have_none():
    tracking = sites.centrifugal()
    assert load_line_rows(tracking, SiteModel.build(tracking), LIGHT, CELL) is None
    assert surely_starts(tracking, None, LIGHT, CELL, np.zeros_like(LIGHT)).all()


def test_current_follows_light_before_the_knee_and_voltage_stands_firm_behind_it(site, model):
    rows = load_line_rows(site, model, LIGHT, CELL)
    _, stop = model.thresholds(np.array([40.0]), np.array([40.0]))
    weak, strong = stop[0] > LIGHT, 2.0 * stop[0] < LIGHT
    assert rows.follows_light[weak].all()
    assert not rows.follows_light[strong].any()
    assert rows.firm[strong].all()
    # Just above the verge a few per cent of light or torque decide between standing and running.
    verge = (1.02 * stop[0] < LIGHT) & (1.15 * stop[0] > LIGHT)
    assert not rows.firm[verge].any()


@pytest.mark.parametrize("tolerance", [Health(motor_efficiency_ratio=0.96), Health(irradiance_ratio=0.96),
                                       Health(extra_static_level_m=2.0), Health(motor_constant_ratio=1.03)])
def test_a_usual_tolerance_moves_firm_voltages_little_and_the_others_without_bound(site, model, tolerance):
    rows, light = load_line_rows(site, model, LIGHT, CELL), LIGHT * tolerance.irradiance_ratio
    level = np.full(LIGHT.size, 40.0 + tolerance.extra_static_level_m)
    other = SiteModel.build(site, tolerance.replaced(irradiance_ratio=1.0, extra_static_level_m=0.0))
    sound, moved = (one.operate(g, CELL, CELL, z) for one, g, z in (
        (model, LIGHT, np.full(LIGHT.size, 40.0)), (other, light, level)))
    strong = rows.firm & (sound.array_voltage_v > 0.4 * sound.array_voltage_v.max())
    with np.errstate(invalid="ignore", divide="ignore"):
        volts = np.abs(moved.array_voltage_v / sound.array_voltage_v - 1.0)
        amperes = np.abs(moved.power_taken_w / moved.array_voltage_v / (sound.power_taken_w / sound.array_voltage_v)
                         - 1.0)
    assert volts[strong].max() < 0.12
    assert amperes[rows.follows_light].max() < 0.07


def table_of(model, site, current, voltage, sound):
    """Mornings and afternoons under the same lights; what is read beside what is due."""
    twice = np.tile(LIGHT, 2)
    unknown = np.full(twice.size, np.nan)
    return ratio_table(Rows(
        group=np.zeros(twice.size, dtype=np.intp), groups=1, weight=np.ones(twice.size), poa_w_m2=twice,
        before_noon=np.repeat([1.0, 0.0], LIGHT.size), air_temperature_c=np.full(twice.size, 25.0),
        current_a=current, voltage_v=voltage, power_w=current * voltage, flow_m3_s=unknown, speed_rpm=unknown,
        level_m=unknown, pressure_pa=unknown, healthy_current_a=np.tile(sound[1], 2),
        healthy_voltage_v=np.tile(sound[0], 2), healthy_power_w=np.tile(sound[0] * sound[1], 2),
        healthy_flow_m3_s=unknown, flow_at_power_m3_s=unknown, speed_at_power_rpm=unknown, drawdown_at_flow_m=unknown,
        pressure_at_flow_pa=unknown, static_level_m=unknown, electrical_ok=np.ones(twice.size, dtype=bool),
        hydraulic_ok=np.ones(twice.size, dtype=bool), rated_flow_m3_s=1e-4, head_scale_m=40.0,
        load_line=load_line_rows(site, model, LIGHT, CELL).tiled(2)))


def crossed(model, light, level_m=40.0):
    point = model.operate(light, CELL, CELL, np.full(light.size, level_m))
    return point.array_voltage_v, point.power_taken_w / np.maximum(point.array_voltage_v, 1e-9)


def test_a_warm_motor_and_a_deeper_well_in_the_afternoon_are_no_shade(site, model):
    sound = crossed(model, LIGHT)
    # Magnets weaken by 0.1 to 0.2 % a kelvin (common practice): 30 K; the well is drawn down by a metre.
    later = crossed(SiteModel.build(site, Health(motor_constant_ratio=0.95)), LIGHT, 41.0)
    volts, amperes = (np.concatenate([a, b]) for a, b in zip(sound, later, strict=True))
    _, stop = model.thresholds(np.array([40.0]), np.array([40.0]))
    low = (LIGHT > 200.0) & (1.3 * stop[0] > LIGHT)     # as the sun stands when trees and roofs reach it
    by_power = np.sum((sound[0] * sound[1])[low]) / np.sum((later[0] * later[1])[low]) - 1.0
    told = float(table_of(model, site, amperes, volts, sound).values["power_morning_less_afternoon"][0])
    assert abs(told) < 0.02
    assert abs(by_power) > 0.1


def test_shade_in_the_morning_shows_in_the_current(site, model):
    sound, shaded = crossed(model, LIGHT), crossed(model, 0.75 * LIGHT)
    volts, amperes = (np.concatenate([a, b]) for a, b in zip(shaded, sound, strict=True))
    told = float(table_of(model, site, amperes, volts, sound).values["power_morning_less_afternoon"][0])
    assert told == pytest.approx(-0.25, abs=0.04)


def test_a_start_is_asked_for_only_with_room_for_the_break_away_torque(site, model):
    cell, level = np.full(LIGHT.size, 40.0), np.full(LIGHT.size, 40.0)
    start, stop = model.thresholds(cell[:1], level[:1])
    sure = surely_starts(site, model, LIGHT, cell, level)
    assert LIGHT[sure].min() > 1.2 * start[0] > start[0] > stop[0]
    assert sure[1.5 * start[0] < LIGHT].all()


def test_a_motor_that_never_breaks_away_still_shows_what_light_its_array_gets(site, model):
    sound = crossed(model, LIGHT)
    rows = load_line_rows(site, model, LIGHT, CELL)
    # Heavy dirt: the winding shorts the array, so its current is the light's alone (I = Isc of the lit array).
    ohm, left = model.crossing.stalled_ohm, 0.5
    amperes = model.array_current(np.full(LIGHT.size, 10.0), CELL) * left * LIGHT / 10.0
    volts = amperes * ohm
    assert stands(volts, amperes, sound[0], rows)[LIGHT > 100.0].all()
    assert not stands(*sound, sound[0], rows)[sound[0] > 0.5 * sound[0].max()].any()
    told = table_of(model, site, np.tile(amperes, 2), np.tile(volts, 2), sound).values
    for part in ("low", "mid", "high"):
        assert float(told[f"current_{part}_sun"][0]) == pytest.approx(left - 1.0, abs=0.02)
    day = np.zeros(LIGHT.size, dtype=np.intp)
    share = own_light_share(stands(volts, amperes, sound[0], rows), amperes, rows, day, 1)
    assert share == pytest.approx(left, abs=0.02)
