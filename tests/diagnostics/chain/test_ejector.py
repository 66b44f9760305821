"""Ejector and jet pumps against the library's handbook model and the trade's common practice."""

import numpy as np
import pytest
from fluids.jet_pump import liquid_jet_pump

from diagnostics.chain.ejector import ejector_heads
from diagnostics.chain.operating_point import flow_limit_m3_s, load_line, motor_of
from diagnostics.chain.site_model import SiteModel
from diagnostics.health import HEALTHY
from diagnostics.site import Ejector
from tests.diagnostics.chain import invented_sites as sites


@pytest.mark.parametrize("drive, drawn", [(0.010, 0.004), (0.010, 0.010), (0.010, 0.015)])
def test_heads_agree_with_the_handbook_model_at_equal_densities(drive, drawn):
    # Karassik et al., Pump Handbook, as coded in fluids.jet_pump (loss coefficients of its worked example).
    rho, g = 998.0, 9.80665
    losses = {"K_nozzle": 0.04, "K_suction": 0.11, "K_mixing": 0.186, "K_diffuser": 0.12}
    solved = liquid_jet_pump(rhop=rho, rhos=rho, Ks=losses["K_suction"], Km=losses["K_mixing"],
                             Kd=losses["K_diffuser"], Kp=losses["K_nozzle"], d_mixing=0.045, Qp=drive, Qs=drawn,
                             P2=133600, P5=200000, nozzle_retracted=False, max_variations=10000)
    ejector = Ejector(nozzle_diameter_m=solved["d_nozzle"], throat_diameter_m=0.045,
                      nozzle_loss_k=losses["K_nozzle"], suction_loss_k=losses["K_suction"],
                      throat_loss_k=losses["K_mixing"], diffuser_loss_k=losses["K_diffuser"])
    nozzle, outlet, _ = ejector_heads(ejector, np.array([drive]), np.array([drawn]))
    assert float(outlet[0]) == pytest.approx((200000 - 133600) / (rho * g), rel=1e-3)
    assert float(nozzle[0]) == pytest.approx((solved["P1"] - 133600) / (rho * g), rel=1e-3)


def test_an_ejector_is_never_better_than_its_drive_water():
    ejector = Ejector(nozzle_diameter_m=0.007, throat_diameter_m=0.011)
    drive, drawn = np.full(50, 8e-4), np.linspace(1e-5, 1.2e-3, 50)
    nozzle, outlet, _ = ejector_heads(ejector, drive, drawn)
    efficiency = drawn * outlet / (drive * (nozzle - outlet))
    best = efficiency.max()
    # Common practice: a domestic liquid ejector reaches a quarter to two fifths.
    assert 0.15 < best < 0.42


def test_deep_jet_lifts_beyond_what_suction_could_and_a_plain_pump_cannot():
    site = sites.jet_deep()
    plain = site.replaced(pump={**site.pump.model_dump(exclude_unset=True), "family": "jet_convertible",
                                "ejector": None})
    power = 900.0
    assert float(SiteModel.build(site).flow_at_power(power)) > 0
    assert float(SiteModel.build(plain).flow_at_power(power)) == 0.0


def test_jet_spends_most_of_its_power_on_driving_the_ejector():
    site = sites.jet_deep()
    model = SiteModel.build(site)
    flow = float(model.flow_at_power(900.0))
    useful = 998.0 * 9.80665 * flow * (12.0 + 4.0)
    assert 0.05 < useful / 900.0 < 0.30


def test_height_above_the_sea_takes_suction_lift_from_a_shallow_jet():
    # Common practice: about 1.1 m of suction lift is lost for each 1000 m of altitude.
    low, high = sites.jet_shallow(altitude_m=0.0), sites.jet_shallow(altitude_m=2500.0)
    full = 1000.0
    assert float(SiteModel.build(high).flow_at_power(full)) < float(SiteModel.build(low).flow_at_power(full))


@pytest.mark.parametrize("kind", ["jet_shallow", "jet_deep"])
def test_where_the_suction_gives_no_more_water_power_turns_the_pump_faster(kind):
    site = getattr(sites, kind)()
    model = SiteModel.build(site)
    level = np.array([site.well.static_water_level_m])
    motor, drive = motor_of(site, HEALTHY), model.drive
    line = load_line(site, model.side, drive, motor, level, HEALTHY, steady=True)
    limit = float(flow_limit_m3_s(site, model.side, line)[0])
    beyond = (line.flow_m3_s > 1.001 * limit) & (line.speed_rpm[0] < 1.5 * site.pump.rated_speed_rpm)
    assert beyond.sum() > 3
    # Affinity (handbook): at a flow that stays, power goes with at least the square and less than the cube of speed.
    watts, rpm = line.motor_power_w[0][beyond], line.speed_rpm[0][beyond]
    steep = np.log(watts[-1] / watts[0]) / np.log(rpm[-1] / rpm[0])
    assert np.all(np.diff(rpm) > 0) and 1.5 < steep < 3.2
    flow = model.flow_at_power(np.array([1.3, 1.8]) * np.interp(limit, line.flow_m3_s, line.drive_power_w[0]))
    assert flow[1] == pytest.approx(flow[0], rel=0.005)
    assert flow[1] < 1.02 * limit
