"""
Shade is judged by where the sun stands, and a drive that trips on half the days is not gone after a good one.

Plants are run by the proving plants' own cells, bypass diodes and clouds. The two facts used are common practice of
the trade: an obstacle shades the beam of one side of the sky below its top and nothing else; a worn contactor or a
tripping drive comes and goes.
"""

from datetime import date

import numpy as np
import pytest

from diagnostics.baseline import tolerance_directions
from diagnostics.diagnose import diagnose_site
from diagnostics.evidence.features import POSITION
from diagnostics.inference.signatures import Signatures
from diagnostics.proving.drawing import draw_site
from diagnostics.proving.planting import PlantedFault
from diagnostics.proving.simulate import simulate

FIRST, DAYS, BEGINS = date(2025, 2, 10), 120, 50
OPEN = {"new", "growing", "steady", "relapsed"}


def _diagnosed(fault, *, seed, sensors="array"):
    drawn = draw_site(np.random.default_rng(seed), "centrifugal_submersible", "tracking", number=1, sensors=sensors,
                      step_s=900.0)
    ran = simulate(drawn.truth, start_day=FIRST, days=DAYS, rng=np.random.default_rng(7), faults=fault,
                   inner_step_s=300.0)
    return diagnose_site(drawn.site, ran.readings, as_of_utc=ran.truth.index[-1])


def _shade(side, top):
    low, high = (0.0, 180.0) if side == "morning" else (180.0, 360.0)
    return [PlantedFault("shaded_array", BEGINS, 0.6, "step",
                         details={"azimuth_low": low, "azimuth_high": high, "below_elevation": top})]


@pytest.mark.parametrize(("side", "top"), [("morning", 35.0), ("afternoon", 48.0)])
def test_shade_that_stays_is_found_and_not_called_healed_by_the_season(side, top):
    found = [one for one in _diagnosed(_shade(side, top), seed=1001).findings if one.status in OPEN]
    shade = [one for one in found if one.cause == "shaded_array"]
    assert shade, f"found only {[one.cause for one in found]}"
    # A tree's shade grows as the autumn sun sinks, so its onset may be told as a ramp that begins earlier.
    assert abs((shade[0].onset - FIRST).days - BEGINS) <= 14
    assert 0.0 < shade[0].size <= 1.0
    signed = [row for row in shade[0].evidence if row.check == "power_morning_less_afternoon"]
    assert signed and np.sign(signed[0].value - signed[0].healthy) == (-1.0 if side == "morning" else 1.0)


def test_a_day_under_cloud_says_nothing_of_shade():
    sound, shaded = (_diagnosed(fault, seed=1001).summaries["power_morning_less_afternoon"].to_numpy()
                     for fault in ([], _shade("afternoon", 40.0)))
    known = np.isfinite(sound)
    assert known.mean() > 0.1
    assert np.median(np.abs(sound[known])) < 0.03           # the computed sky fits both sides of a sound array
    after = shaded[BEGINS + 2:]
    after = after[np.isfinite(after)]
    # Every day that is judged at all sees it: none of them reads like health.
    assert np.quantile(after, 0.1) > 0.08


def test_a_drive_that_trips_on_half_of_the_days_stays_open():
    fault = [PlantedFault("drive_stopped", BEGINS, 1.0, "intermittent", details={"share_of_time": 0.35})]
    found = [one for one in _diagnosed(fault, seed=1001).findings if one.cause == "drive_stopped"]
    assert found and found[0].status in OPEN
    assert abs((found[0].onset - FIRST).days - BEGINS) <= 10


def _plain_signatures():
    nothing = np.zeros((0, len(POSITION)))
    return Signatures([], nothing, np.zeros(0), nothing, np.zeros(0), {}, {})


@pytest.mark.parametrize(("family", "is_left_open"), [("plunger_booster", True), ("centrifugal_submersible", False)])
def test_losses_of_a_brushed_displacement_pump_at_part_load_are_a_tolerance(family, is_left_open):
    site = draw_site(np.random.default_rng(3), family, number=1).site
    motor = site.pump.motor.model_copy(update={"kind": "brushed_dc"})
    site = site.model_copy(update={"pump": site.pump.model_copy(update={"motor": motor})})
    named = {d.name: d.shift for d in tolerance_directions(_plain_signatures(), 30, [], level_logged=True, site=site)}
    assert ("losses at part load" in named) is is_left_open
    if is_left_open:
        # A fifth of 0.3 of rated input lost at any load and none of it at the rated point, over what is left: 0.7 p.
        for name, p in (("flow_low_power", 0.3), ("flow_mid_power", 0.55), ("flow_high_power", 0.9)):
            assert named["losses at part load"][POSITION[name]] == pytest.approx(-0.06 * (1 - p) / (0.7 * p), abs=0.02)
