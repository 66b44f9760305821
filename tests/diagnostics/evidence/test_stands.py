"""Stands that are none, nights that tell nothing, and what a stop is taken for."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from diagnostics.baseline import tolerance_directions
from diagnostics.causes import CAUSES
from diagnostics.diagnose import _flags
from diagnostics.evidence.called_to_run import logged_full
from diagnostics.evidence.features import FEATURE_NAMES, POSITION
from diagnostics.evidence.summary import Summaries
from diagnostics.inference.signatures import Signatures
from diagnostics.site import Tank


def _tank() -> Tank:
    return Tank(shape="vertical_cylinder", diameter_m=2.2, height_m=2.2, full_level_m=2.0, float_reset_level_m=1.7)


def test_an_hour_s_mean_level_need_not_reach_the_mark_at_which_the_float_stopped_the_pump():
    # 2 m3 an hour into 3.8 m2 lift the level by 0.53 m: the float trips at 2.0 m in an hour that ends up at 1.93 m.
    site = SimpleNamespace(tank=_tank())
    hourly = np.array([1.07, 1.50, 1.90, 1.93, 1.85, 1.78, 1.72, 1.5])
    by_instant, _ = logged_full(site, {"tank_level_m": hourly}, len(hourly))
    by_hour, known = logged_full(site, {"tank_level_m": hourly}, len(hourly), inflow_m3=2.0)
    assert known.all()
    assert not by_instant.any()
    assert by_hour.tolist() == [False, False, True, True, True, True, True, False]


def test_a_tank_that_is_low_is_not_full_however_long_the_interval():
    site = SimpleNamespace(tank=_tank())
    low = np.full(6, 1.2)
    full, _ = logged_full(site, {"tank_level_m": low}, len(low), inflow_m3=50.0)
    assert not full.any()


@pytest.mark.parametrize(("shares", "comes_and_goes"), [
    ([0.0, 0.0, 1.0, np.nan, 1.0, 1.0, 1.0], False),
    ([0.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0], False),
    ([0.0, 1.0, 0.0, 1.0, 1.0, 0.0, 1.0], True)])
def test_one_stand_however_long_did_not_come_and_go(shares: list[float], comes_and_goes: bool):
    days = pd.date_range("2025-03-01", periods=len(shares), freq="D").date
    frame = pd.DataFrame(np.nan, index=pd.Index(days, name="day"), columns=list(FEATURE_NAMES))
    frame["stopped_share"] = shares
    assert bool(_flags(Summaries(frame, frame, frame)).any()) is comes_and_goes


def test_users_of_the_night_change_by_a_part_of_what_they_use_and_no_more():
    nothing = np.zeros((0, len(POSITION)))
    sound = Signatures([], nothing, np.zeros(0), nothing, np.zeros(0), {}, {})

    def season(use: float) -> float:
        found = tolerance_directions(sound, 200, [SimpleNamespace(first_day=0, touches=())], level_logged=True,
                                     night_use=np.full(200, use))
        return max(float(one.shift[POSITION["night_use"]]) for one in found if one.name == "night use drift")

    assert season(0.01) < 0.006
    assert 0.02 < season(0.1) < 0.05


def test_a_well_at_its_probe_is_lifted_from_by_all_that_deeper_and_never_stands_all_day():
    form = CAUSES["low_water_cutout"].forms[0]
    setting = SimpleNamespace()
    # Water comes back within the restart delay: some burst is left of every hour.
    assert max(form.severities(setting)) < 1.0
    assert {"drawdown", "flow_mid_power", "flow_high_power", "flow_high_sun"} <= set(form.loose)
