"""What no sheet tells is left open, and what only looks like a stop or a dead array is called neither."""

from types import SimpleNamespace

import numpy as np
import pytest

from diagnostics.baseline import tolerance_directions
from diagnostics.diagnose import diagnose_site
from diagnostics.evidence.called_to_run import own_start
from diagnostics.evidence.features import POSITION
from diagnostics.inference.signatures import Signatures
from diagnostics.inference.tolerance_runs import gauge_height_shift
from tests.diagnostics.chain.invented_sites import jet_deep
from tests.diagnostics.made_readings import PLAIN, centrifugal_site, made_readings


@pytest.mark.parametrize("head_m", [4.0, 60.0])
def test_a_gauge_may_sit_higher_or_lower_by_the_same_metres_at_every_flow(head_m):
    shift = gauge_height_shift(SimpleNamespace(head_m=head_m))
    assert shift[POSITION["pressure_low_flow"]] * head_m == pytest.approx(0.7)
    assert shift[POSITION["pressure_high_flow"]] == shift[POSITION["pressure_low_flow"]]
    assert np.count_nonzero(shift) == 2


def _mornings(first_light_w_m2, days):
    """Return light, turning and day of so many days: standing below a light, turning at and above it."""
    light = np.tile(np.arange(50.0, 1000.0, 10.0), days)
    return light, light >= first_light_w_m2, np.repeat(np.arange(days), len(light) // days)


def test_a_site_is_expected_to_start_in_the_light_in_which_it_starts():
    assert own_start(*_mornings(160.0, 10)) == pytest.approx(1.2 * 160.0)


def test_four_mornings_tell_nothing_and_a_site_held_until_noon_is_still_asked_in_full_sun():
    assert own_start(*_mornings(160.0, 4)) == 0.0
    assert own_start(*_mornings(700.0, 10)) == 350.0


@pytest.mark.parametrize(("current_stays", "is_dead"), [(False, True), (True, False)])
def test_a_stalled_motor_is_no_dead_array(current_stays, is_dead):
    # Common practice: a locked motor draws the array's short-circuit current at next to no voltage.
    def change(table, day):
        late = day >= 20
        table.loc[late, "flow_m3_s"] = 0.0
        table.loc[late, "array_voltage_v"] *= 0.04
        if not current_stays:
            table.loc[late, "array_current_a"] = 0.0

    site = centrifugal_site(tank=None)
    found = diagnose_site(site, made_readings(site, 30, channels=PLAIN, cloudiness=0.0, change=change))
    late = found.summaries.iloc[22:]
    assert late["stopped_share"].median() > 0.9
    assert (late["stopped_dead_share"].median() > 0.9) == is_dead


def test_steady_drawing_at_night_is_open_only_where_no_meter_logs_it():
    nothing = np.zeros((0, len(POSITION)))
    sound = Signatures([], nothing, np.zeros(0), nothing, np.zeros(0), {}, {})
    directions = [one for one in tolerance_directions(sound, 90, [SimpleNamespace(first_day=0, touches=())],
                                                      level_logged=True) if one.name == "night use"]
    assert len(directions) == 1
    assert directions[0].shift[POSITION["night_use"]] >= 0.3
    assert directions[0].shift[POSITION["night_loss"]] == 0.0
    assert (directions[0].course == 1.0).all()


def test_a_tolerance_that_takes_the_name_of_another_is_refused_and_not_overwritten():
    # "ejector" is left open by every jet; were the chain to give one of that name as well, one of them would be lost.
    nothing, epochs = np.zeros((0, len(POSITION))), [SimpleNamespace(first_day=0, touches=())]

    def directions(name):
        chain = Signatures([], nothing, np.zeros(0), nothing, np.zeros(0), {name: np.ones(len(POSITION))}, {})
        return [one.name for one in tolerance_directions(chain, 90, epochs, level_logged=True, site=jet_deep())]

    for taken in ("ejector", "volts"):
        with pytest.raises(ValueError, match=f"named twice: {taken}"):
            directions(taken)
    assert directions("efficiency").count("ejector") == 1
