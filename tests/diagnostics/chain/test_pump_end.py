"""Pump ends: printed points come back, left-out points are met within the acceptance tolerance, affinity laws hold."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from diagnostics.chain.power_table_end import PowerTableEnd
from diagnostics.chain.pump_end import CentrifugalEnd, DisplacementEnd, pump_end
from diagnostics.health import HEALTHY, Health
from diagnostics.site import CurvePoint, Motor, Pump
from tests.diagnostics.chain import invented_sites as sites

CATALOGUE = pd.read_csv(Path(__file__).parents[2] / "references" / "chain" / "pump_curves.csv", comment="#")
MOTOR = Motor(kind="brushless_dc", rated_power_w=5000, rated_efficiency=0.8, rated_voltage_v=200, rated_speed_rpm=2900)


def _pump(rows: pd.DataFrame) -> Pump:
    points = [CurvePoint(flow_m3_s=r.flow_m3_s, head_m=r.head_m, power_w=r.power_w) for r in rows.itertuples()]
    return Pump(key="catalogue", family="surface_circulation", motor=MOTOR, curve=points,
                rated_speed_rpm=float(rows["speed_rpm"].iloc[0]))


def _rising(record: str) -> pd.DataFrame:
    rows = CATALOGUE[CATALOGUE["record"] == record].sort_values("flow_m3_s")
    return rows[rows["flow_m3_s"].diff().fillna(1.0) > 0]


@pytest.mark.parametrize("record", CATALOGUE["record"].unique())
def test_catalogue_curve_comes_back_at_its_own_points(record):
    # Eighteen catalogue curves of small centrifugal pumps, DLR ThermofluidStream (BSD 3-clause).
    rows = _rising(record)
    end = pump_end(_pump(rows), 998.2)
    falling = np.maximum.accumulate(rows["head_m"].to_numpy()[::-1])[::-1]
    inside = rows["head_m"].to_numpy() > 0.02 * falling[0]
    asked = end.demand(rows["flow_m3_s"].to_numpy()[inside], falling[inside], HEALTHY)
    np.testing.assert_allclose(asked.speed_rpm, rows["speed_rpm"].to_numpy()[inside], rtol=2e-3)
    shaft = asked.torque_n_m * asked.speed_rpm * np.pi / 30
    stable = rows["head_m"].to_numpy()[inside] == falling[inside]
    np.testing.assert_allclose(shaft[stable], rows["power_w"].to_numpy()[inside][stable], rtol=1e-2)


@pytest.mark.parametrize("record", CATALOGUE["record"].unique())
def test_points_left_out_of_a_catalogue_curve_are_met_within_grade_2(record):
    # ISO 9906 class 2 (1999), head +-5 %: every second point is hidden from the model.
    rows = _rising(record)
    kept = rows.iloc[sorted({*range(0, len(rows), 2), len(rows) - 1})]
    hidden = rows.iloc[[i for i in range(1, len(rows) - 1) if i % 2]]
    end = pump_end(_pump(kept), 998.2)
    head = np.interp(hidden["flow_m3_s"], end.flow_grid, end.head_grid)
    assert (np.abs(head / hidden["head_m"].to_numpy() - 1.0) < 0.05).all()


@pytest.mark.parametrize("ratio", [0.5, 0.8, 1.2])
def test_affinity_laws(ratio):
    # Flow with speed, head with its square, power with its cube (any pump textbook).
    end = pump_end(sites.centrifugal().pump, 998.2)
    flow = np.array([0.3e-3, 0.6e-3, 1.0e-3])
    head = np.interp(flow, end.flow_grid, end.head_grid)
    rated, other = end.demand(flow, head, HEALTHY), end.demand(flow * ratio, head * ratio**2, HEALTHY)
    np.testing.assert_allclose(other.speed_rpm / rated.speed_rpm, ratio, rtol=1e-3)
    power = [d.torque_n_m * d.speed_rpm for d in (rated, other)]
    np.testing.assert_allclose(power[1] / power[0], ratio**3, rtol=2e-3)


def test_efficiency_falls_a_little_with_speed_as_sarbu_and_borza_say():
    # 1 - eta2 = (1 - eta1) (n1 / n2)^0.1: 0.60 at full speed is 0.571 at half speed (by hand).
    end = pump_end(sites.centrifugal().pump, 998.2)
    shaft = np.interp(end.best_flow_m3_s, end.flow_grid, end.power_grid)
    best = 998.2 * 9.80665 * end.best_flow_m3_s * end.best_head_m / shaft
    half = 1 - (1 - best) * 2**0.1
    assert float(end.low_speed_penalty(np.array(1500.0))) == pytest.approx(best / half, rel=1e-6)
    assert float(end.low_speed_penalty(np.array(3000.0))) == pytest.approx(1.0)


def test_printed_power_table_comes_back_at_its_own_cells():
    pump = sites.printed_table().pump
    end = pump_end(pump, 998.2)
    assert isinstance(end, PowerTableEnd)
    rows = np.array([(p.head_m, p.input_power_w, p.flow_m3_s) for p in pump.power_table])
    asked = end.demand(rows[:, 2], rows[:, 0], HEALTHY)
    np.testing.assert_allclose(asked.input_power_w, rows[:, 1], rtol=5e-3)


def test_table_ends_where_its_own_flows_stand_still():
    # Made up: at 60 m the flow stands at 0.50 L/s from 600 W on, so that no more than about 560 W can be of use there.
    rows = [(60, 300, 0.30), (60, 450, 0.42), (60, 600, 0.50), (60, 900, 0.50),
            (90, 300, 0.16), (90, 450, 0.27), (90, 600, 0.36), (90, 900, 0.49)]
    site = sites.printed_table()
    table = [{"head_m": h, "input_power_w": p, "flow_m3_s": q / 1000} for h, p, q in rows]
    pump = site.pump.replaced(family="helical_submersible", power_table=table)
    end = pump_end(pump, 998.2)
    np.testing.assert_allclose(end.flow_limit(np.array([60.0, 75.0, 90.0])), 0.5e-3)
    at_limit = end.demand(np.array([0.5e-3]), np.array([60.0]), HEALTHY).input_power_w
    assert 480.0 < float(at_limit[0]) < 600.0
    # A rotodynamic pump gives more than its limit at 90 m against 60 m.
    rising = [(60, 300, 0.30), (60, 450, 0.42), (60, 600, 0.50), (60, 900, 0.62),
              (90, 300, 0.16), (90, 450, 0.27), (90, 600, 0.40), (90, 900, 0.40)]
    table = [{"head_m": h, "input_power_w": p, "flow_m3_s": q / 1000} for h, p, q in rising]
    wheel = pump_end(pump.replaced(family="centrifugal_submersible", power_table=table), 998.2)
    assert float(wheel.flow_limit(np.array(90.0))) == pytest.approx(0.4e-3)
    assert float(wheel.flow_limit(np.array(60.0))) > 0.62e-3


def test_displacement_pump_gives_its_rated_flow_at_rated_speed_and_head():
    pump = sites.helical().pump
    end = pump_end(pump, 998.2)
    assert isinstance(end, DisplacementEnd)
    rated = 0.88 * 8.5e-6 * 3000 / 60
    asked = end.demand(np.array([rated]), np.array([100.0]), HEALTHY)
    assert float(asked.speed_rpm[0]) == pytest.approx(3000, rel=1e-9)


def test_slip_grows_with_head_as_in_the_worked_case():
    # 20 L/min without slip, leak 1 L/min at 50 m in proportion to pressure: 20, 19, 18 L/min at 0, 50, 100 m.
    pump = Pump(key="slip", family="plunger_booster", rated_speed_rpm=1000, displacement_m3_rev=20e-6,
                volumetric_efficiency=0.95, rated_head_m=50, motor=MOTOR)
    end = pump_end(pump, 1000.0)
    flow = np.array([20.0, 19.0, 18.0]) / 60e3
    np.testing.assert_allclose(end.demand(flow, np.array([0.0, 50.0, 100.0]), HEALTHY).speed_rpm, 1000, rtol=1e-9)


def test_displacement_pump_known_by_a_curve_meets_its_points():
    rows = [(0.36e-3, 20.0, 210.0), (0.345e-3, 60.0, 390.0), (0.32e-3, 100.0, 590.0), (0.29e-3, 140.0, 790.0)]
    points = [CurvePoint(flow_m3_s=q, head_m=h, power_w=p) for q, h, p in sorted(rows)]
    pump = Pump(key="hc", family="helical_submersible", rated_speed_rpm=3000, motor=MOTOR, curve=points)
    end = pump_end(pump, 998.2)
    assert isinstance(end, DisplacementEnd)
    flow, head, power = np.array(rows).T
    asked = end.demand(flow, head, HEALTHY)
    np.testing.assert_allclose(asked.speed_rpm, 3000, rtol=1e-6)
    np.testing.assert_allclose(asked.torque_n_m * asked.speed_rpm * np.pi / 30, power, rtol=1e-6)


def test_wear_asks_for_more_speed_at_equal_duty():
    end = pump_end(sites.centrifugal().pump, 998.2)
    assert isinstance(end, CentrifugalEnd)
    duty = (np.array([0.5e-3]), np.array([60.0]))
    sound = float(end.demand(*duty, HEALTHY).speed_rpm[0])
    assert float(end.demand(*duty, Health(pump_head_ratio=0.9)).speed_rpm[0]) > sound
    assert float(end.demand(*duty, Health(recirculation_ratio=0.2)).speed_rpm[0]) > sound


def test_curve_that_prints_no_power_says_that_it_is_guessed():
    bare = [CurvePoint(flow_m3_s=p.flow_m3_s, head_m=p.head_m) for p in sites.centrifugal().pump.curve]
    pump = sites.centrifugal().pump.model_copy(update={"curve": bare})
    assert "no power" in pump_end(pump, 998.2).notes[0]
