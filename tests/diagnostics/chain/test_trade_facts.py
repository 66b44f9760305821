"""Facts of the trade, common practice without a source: the chain must live in the same world as the installer."""

import numpy as np
import pytest

from diagnostics.chain.site_model import SiteModel
from diagnostics.chain.water import suction_head_available_m
from diagnostics.expected import expect
from diagnostics.units import convert
from tests.diagnostics.chain import invented_sites as sites


@pytest.mark.parametrize("psi, feet", [(1.0, 2.31), (100.0, 230.0), (120.0, 277.0), (1000.0, 2300.0)])
def test_pressure_in_feet_of_water(psi, feet):
    assert float(convert(psi, "psi", "ft_h2o")) == pytest.approx(feet, rel=0.005)


def test_small_diaphragm_pump_lifts_half_to_one_and_a_half_gallons_a_minute_from_230_feet():
    lift = float(convert(230.0, "ft", "m"))
    site = sites.diaphragm(well={"static_water_level_m": lift, "pump_setting_depth_m": lift + 10},
                           pipework={"runs": [{"length_m": lift + 10, "bore_m": 0.016}], "outlet_height_m": 0.0})
    gallons = convert(SiteModel.build(site).flow_at_power(np.array([60.0, 150.0])), "m3_s", "gpm_us")
    assert 0.3 < gallons[0] < gallons[1] < 1.7


def test_practical_suction_lift_is_about_twenty_feet_at_sea_level_and_a_metre_less_every_thousand_metres():
    # A surface pump that asks 3.5 m, with half a metre of friction: what is left of the atmosphere is its lift.
    lift = [float(suction_head_available_m(0.0, 0.5, altitude_m=z, water_temperature_c=20.0)) - 3.5
            for z in (0.0, 1000.0, 2000.0)]
    assert float(convert(lift[0], "m", "ft")) == pytest.approx(20.0, abs=1.5)
    assert 0.9 < lift[0] - lift[1] < 1.3 and 0.9 < lift[1] - lift[2] < 1.3


def test_water_of_a_day_lifts_with_thirty_to_forty_five_per_cent_of_the_nominal_array_energy():
    # Published delivery guarantees of the trade come to 38 to 42 % of nominal array energy; a good deep-well
    # submersible must land in the neighbourhood on a day of 5 to 7 kWh/m2.
    for make in (sites.centrifugal, sites.frequency, sites.helical):
        site = make()
        table = expect(site, sites.clear_days(site, days=1), 600.0)
        volume = float(table["expected_flow_m3_s"].sum() * 600)
        lift = site.well.static_water_level_m + site.pipework.outlet_height_m
        sun_kwh = float(table["poa_irradiance_w_m2"].sum()) / 6000
        share = volume * 9.81 * lift / 3600 / (site.array.nominal_power_w / 1000 * sun_kwh)
        assert 5.0 < sun_kwh < 8.0
        assert 0.20 < share < 0.48


def test_fifteen_per_cent_less_power_is_never_fifteen_per_cent_less_water_on_a_tall_centrifugal_lift():
    model = SiteModel.build(sites.centrifugal())
    start = float(model.threshold_power_w())
    for power, least in ((1.35 * start, 0.2), (model.rated_array_power_w, 0.05)):
        lost = 1 - float(model.flow_at_power(0.85 * power)) / float(model.flow_at_power(power))
        assert lost > least
    near, far = (1 - float(model.flow_at_power(0.85 * p)) / float(model.flow_at_power(p))
                 for p in (1.35 * start, model.rated_array_power_w))
    assert near > 2 * far


def test_quadratic_resistance_is_nearly_a_flat_percentage_for_a_centrifugal_but_not_for_displacement():
    site, small = sites.centrifugal(), sites.helical()
    rated = SiteModel.build(site).rated_flow_m3_s
    k = 5.0 / rated**2
    sound, clogged = SiteModel.build(site), SiteModel.build(site, site_health(k))
    power = np.array([0.5, 1.0]) * sound.rated_array_power_w
    ratio = clogged.flow_at_power(power) / sound.flow_at_power(power)
    assert 0.85 < ratio.min() < ratio.max() < 0.99 and np.ptp(ratio) < 0.05
    k_small = 15.0 / SiteModel.build(small).rated_flow_m3_s ** 2
    sound, clogged = SiteModel.build(small), SiteModel.build(small, site_health(k_small))
    power = np.array([0.2, 0.9]) * sound.rated_array_power_w
    ratio = clogged.flow_at_power(power) / sound.flow_at_power(power)
    assert ratio[0] > 0.99 and ratio[1] < 0.95


def site_health(k):
    """Intake loss."""
    from diagnostics.health import HEALTHY

    return HEALTHY.replaced(intake_loss_s2_m5=k)
