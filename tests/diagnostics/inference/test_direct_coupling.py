"""
Coupled straight to the array: sound sites raise no alarm, dirt is found, a table of flow against power is enough.

Plants are run by the proving plants' own motors, break-away torque and cells. Facts used are common practice of the
trade: a displacement pump stands in weak sun until its current is there and runs on longer in the afternoon; dirt takes
current.
"""

from datetime import date

import numpy as np
import pytest

from diagnostics.causes import Setting
from diagnostics.chain.site_model import SiteModel
from diagnostics.diagnose import diagnose_site
from diagnostics.expected import expect
from diagnostics.inference.tolerance_runs import tolerance_runs
from diagnostics.proving.drawing import draw_site
from diagnostics.proving.planting import PlantedFault
from diagnostics.proving.simulate import simulate
from tests.diagnostics.chain import invented_sites as sites

FIRST, DAYS, BEGINS = date(2025, 3, 1), 60, 30


def _drawn(family, *, seed, table=False):
    """Draw a plant whose pump is, or is not, described by a table and breaks away in the sun of a fair day."""
    for attempt in range(60):
        drawn = draw_site(np.random.default_rng(seed + 1000 * attempt), family, "direct", number=1, sensors="array",
                          step_s=900.0)
        if bool(drawn.site.pump.power_table) != table:
            continue
        start, _ = SiteModel.build(drawn.site).thresholds(
            np.array([40.0]), np.array([drawn.site.well.static_water_level_m]))
        if start[0] < 700.0:
            return drawn
    raise AssertionError("none drawn")


def _run(drawn, faults=(), days=DAYS):
    return simulate(drawn.truth, start_day=FIRST, days=days, rng=np.random.default_rng(11), faults=list(faults),
                    inner_step_s=300.0)


def test_a_sound_displacement_pump_that_runs_on_in_the_afternoon_is_not_shaded():
    drawn = _drawn("diaphragm_submersible", seed=2)
    ran = _run(drawn)
    found = diagnose_site(drawn.site, ran.readings, as_of_utc=ran.truth.index[-1]).findings
    assert not {"shaded_array", "off_mpp", "drive_stopped", "motor_fault"} & {one.cause for one in found}


def test_dirt_that_keeps_a_pump_from_starting_is_found_as_dirt():
    drawn = _drawn("diaphragm_submersible", seed=5)
    ran = _run(drawn, [PlantedFault("soiled_array", BEGINS, 0.35, "step")])
    found = diagnose_site(drawn.site, ran.readings, as_of_utc=ran.truth.index[-1]).findings
    assert "soiled_array" in {one.cause for one in found} | {r.cause for one in found for r in one.rivals}
    assert not {"drive_stopped", "low_water_cutout", "motor_fault"} & {one.cause for one in found}


@pytest.mark.parametrize(("family", "seed"), [("surface_circulation", 7), ("diaphragm_submersible", 8)])
def test_a_pump_known_by_a_table_of_flow_against_power_is_reckoned(family, seed):
    drawn = _drawn(family, seed=seed, table=True)
    ran = _run(drawn, days=25)
    due = expect(drawn.site, ran.readings.values, ran.readings.interval_s)
    assert not (due["expected_state"] == "no_chain").any()
    flow, sun = ran.readings.values["flow_m3_s"].to_numpy(), due["poa_irradiance_w_m2"].to_numpy()
    expected = due["expected_flow_m3_s"].to_numpy()
    # Both running: whether a motor breaks away on a given morning hangs on a few per cent of torque and light.
    both = (sun > 700.0) & (flow > 0.0) & (expected > 0.0)
    assert both.sum() > 20
    # The drawn pump lies within acceptance tolerances of its sheet, the load line is known to some 5 %.
    assert float(np.median(flow[both] / expected[both])) == pytest.approx(1.0, abs=0.2)


def test_only_a_motor_on_its_array_has_volts_of_its_own_left_open():
    def setting(site):
        model = SiteModel.build(site)
        return Setting(site=site, rated_flow_m3_s=model.rated_flow_m3_s, rated_power_w=model.rated_array_power_w,
                       head_m=40.0, friction_m=1.0, array_resistance_ohm=3.0, strings=1, substrings=6,
                       level_logged=False, power_logged=True, voltage_logged=True)

    assert "motor" not in tolerance_runs(setting(sites.centrifugal()))
    health, _ = tolerance_runs(setting(sites.diaphragm_direct()))["motor"]
    assert 1.02 < health.motor_constant_ratio < 1.05
