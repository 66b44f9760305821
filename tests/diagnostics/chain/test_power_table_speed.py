"""A directly coupled pump known by a table of flow against power, held against the same pump known by its curve."""

from itertools import product

import numpy as np
import pytest

from diagnostics.chain.motor import motor_model
from diagnostics.chain.power_table_speed import CoupledTableEnd, coupled_table_end
from diagnostics.chain.pump_end import power_table_end
from diagnostics.chain.site_model import SiteModel
from diagnostics.chain.uncertainty import efficiency_uncertainty
from diagnostics.health import HEALTHY, Health
from diagnostics.site import PowerTablePoint, Pump, Site
from tests.diagnostics.chain import invented_sites as sites

LIGHT = np.array([350.0, 500.0, 700.0, 900.0, 1000.0])


def printed(site: Site, heads_m: list[float], powers_w: list[float], *, held_rpm: float = np.inf) -> Site:
    """Print the pump of a site as flow against motor input power, and describe the same site by that table."""
    end, motor = SiteModel.build(site).side.end, motor_model(site.pump.motor)
    flow = np.linspace(0.0, end.largest_flow(2.0 * site.pump.rated_speed_rpm), 6000)
    cells = []
    for head, power in product(heads_m, powers_w):
        asked = end.demand(flow, np.full_like(flow, head), HEALTHY)
        torque = asked.torque_n_m
        if hasattr(end, "low_speed_penalty"):
            torque = torque * end.low_speed_penalty(asked.speed_rpm)
        taken = motor.input_power_w(torque, asked.speed_rpm)
        enough = (taken <= power) & (asked.speed_rpm <= held_rpm)
        cells.append(PowerTablePoint(head_m=head, input_power_w=power,
                                     flow_m3_s=float(f"{flow[enough].max() if enough.any() else 0.0:.3g}")))
    pump = site.pump
    return site.replaced(id=f"{site.id}-printed", pump=Pump(
        key="printed", family=pump.family, motor=pump.motor, rated_speed_rpm=pump.rated_speed_rpm, power_table=cells,
        breakaway_torque_ratio=pump.breakaway_torque_ratio))


def circulation_printed() -> tuple[Site, Site]:
    # A plate that says what the pump takes at its best point, as the plate of a set does.
    site = sites.circulation()
    return site, printed(site, [2.5, 4.0, 5.5, 7.0, 8.5], [60, 95, 135, 180, 230])


def diaphragm_printed(*, held_rpm: float = np.inf) -> tuple[Site, Site]:
    site = sites.diaphragm_direct()
    return site, printed(site, [15, 30, 45, 60], [30, 50, 70, 90, 115], held_rpm=held_rpm)


def points(site: Site) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    model = SiteModel.build(site)
    level = np.full(LIGHT.size, site.well.static_water_level_m)
    point = model.operate(LIGHT, np.full(LIGHT.size, 45.0), np.full(LIGHT.size, 28.0), level)
    return point.array_voltage_v, point.power_taken_w, model.flow_at_power(point.power_taken_w)


@pytest.mark.parametrize("pair", [circulation_printed, diaphragm_printed])
def test_printed_points_come_back_at_the_printed_power(pair):
    _, site = pair()
    end, motor = SiteModel.build(site).side.end, motor_model(site.pump.motor)
    assert isinstance(end, CoupledTableEnd)
    cells = [cell for cell in site.pump.power_table if cell.flow_m3_s > 0]
    flow, head = (np.array([getattr(cell, name) for cell in cells]) for name in ("flow_m3_s", "head_m"))
    asked = end.demand(flow, head, HEALTHY)
    taken = motor.input_power_w(asked.torque_n_m, asked.speed_rpm)
    assert taken == pytest.approx(np.array([cell.input_power_w for cell in cells]), rel=2e-3)


@pytest.mark.parametrize("pair", [circulation_printed, diaphragm_printed])
def test_the_load_line_is_that_of_the_same_pump_known_by_its_curve(pair):
    known, table = pair()
    share = SiteModel.build(table).side.end.speed_uncertainty
    assert 0.02 < share < 0.09
    volts, watts, flow = points(known)
    table_volts, table_watts, table_flow = points(table)
    # Two standard uncertainties of what the table leaves open; strong sun, where the array's curve is steep, far less.
    firm = LIGHT > 650.0
    assert table_volts[firm] == pytest.approx(volts[firm], rel=2.0 * share)
    assert table_watts[firm] == pytest.approx(watts[firm], rel=3.0 * share)
    assert table_flow[firm] == pytest.approx(flow[firm], rel=3.0 * share)


def test_a_centrifugal_twin_agrees_in_weak_sun_as_well():
    known, table = circulation_printed()
    share = SiteModel.build(table).side.end.speed_uncertainty
    for own, other in zip(points(table), points(known), strict=True):
        assert own == pytest.approx(other, rel=4.0 * share)


def test_a_displacement_twin_breaks_away_in_about_the_same_light():
    known, table = (SiteModel.build(site) for site in diaphragm_printed())
    cell, level = np.array([40.0]), np.array([40.0])
    for own, other in zip(table.thresholds(cell, level), known.thresholds(cell, level), strict=True):
        assert own == pytest.approx(other, rel=0.12)
    assert table.thresholds(cell, level)[0] > table.thresholds(cell, level)[1]


def test_flow_that_a_controller_held_is_not_held_by_brushes_on_an_array():
    _, free = diaphragm_printed()
    _, held = diaphragm_printed(held_rpm=2400.0)
    end = SiteModel.build(held).side.end
    assert any("stops growing" in note for note in end.notes)
    assert np.isinf(end.flow_limit(np.array([20.0]))).all()
    assert end.swept_m3_s == pytest.approx(SiteModel.build(free).side.end.swept_m3_s, rel=0.1)
    motor = held.pump.motor.replaced(kind="brushless_dc")
    electronic = held.pump.replaced(motor=motor)
    kept = coupled_table_end(power_table_end(electronic), electronic)
    assert np.isfinite(kept.flow_limit(np.array([20.0]))).all()


def test_speed_and_torque_keep_the_affinity_laws_beyond_the_printed_points():
    _, site = circulation_printed()
    end = SiteModel.build(site).side.end
    flow, head = np.array([2.0e-3]), np.array([6.0])
    one = end.demand(flow, head, HEALTHY)
    for ratio in (0.3, 2.0):
        other = end.demand(flow * ratio, head * ratio**2, HEALTHY)
        assert other.speed_rpm == pytest.approx(one.speed_rpm * ratio)
    far, further = (end.demand(flow * r, head * r**2, HEALTHY).torque_n_m for r in (2.0, 3.0))
    assert further == pytest.approx(far * (3.0 / 2.0)**2)


def test_wear_makes_it_turn_faster_for_the_same_water():
    for site, worn in ((circulation_printed()[1], Health(recirculation_ratio=0.2)),
                       (diaphragm_printed()[1], Health(slip_ratio=3.0))):
        end = SiteModel.build(site).side.end
        flow, head = np.array([0.4 * end.best_flow_m3_s]), np.array([0.6 * end.highest_printed_head_m])
        assert end.demand(flow, head, worn).speed_rpm > end.demand(flow, head, HEALTHY).speed_rpm


def test_interval_and_notes_say_that_the_voltage_is_reckoned():
    known, table = (SiteModel.build(site) for site in circulation_printed())
    assert efficiency_uncertainty(table) > efficiency_uncertainty(known)
    assert any("prints no voltage" in note and "settle it" in note for note in table.notes)


def test_stronger_magnets_raise_the_voltage_and_lower_the_current():
    site = circulation_printed()[1]
    level, light = np.full(1, 0.5), np.full(1, 450.0)
    one, other = (SiteModel.build(site, health).operate(light, np.full(1, 40.0), light, level)
                  for health in (HEALTHY, Health(motor_constant_ratio=1.05)))
    assert other.array_voltage_v > one.array_voltage_v


def test_an_ac_motor_and_a_table_without_water_are_refused_in_a_sentence():
    pump = circulation_printed()[1].pump
    ac = pump.replaced(motor=pump.motor.replaced(kind="induction"))
    with pytest.raises(ValueError, match="AC motor"):
        coupled_table_end(power_table_end(ac), ac)
    dry = pump.replaced(power_table=[{"head_m": h, "input_power_w": p, "flow_m3_s": 0.0}
                                     for h in (2.0, 4.0) for p in (60.0, 120.0)])
    with pytest.raises(ValueError, match="no cell"):
        coupled_table_end(power_table_end(pump), dry)


def test_a_head_at_which_no_power_brings_water_tells_of_no_flow():
    """Sheets print such rows as zeros: common practice, no source."""
    pump = circulation_printed()[1].pump
    dry = [{"head_m": 30.0, "input_power_w": power, "flow_m3_s": 0.0} for power in (60.0, 120.0)]
    plain, longer = power_table_end(pump), power_table_end(pump.replaced(power_table=[
        *[cell.model_dump() for cell in pump.power_table], *dry]))
    assert longer.heads_m[-1] == plain.heads_m[-1] < 30.0
    assert np.array_equal(plain.flow_grid, longer.flow_grid)
    with pytest.raises(ValueError, match="no cell"):
        power_table_end(pump.replaced(power_table=dry))
