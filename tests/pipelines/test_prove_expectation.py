"""The table of expectation against sound plants: its arithmetic by hand, and that it holds on a few plants."""

import numpy as np
import pandas as pd
import pytest

from pipelines.prove_expectation import OWN, Held, PlantDays, as_markdown, draw_plants, prove_expectation, table_of


def _days(delivered, expected, half):
    expected = np.asarray(expected, dtype=float)
    return Held(pd.DataFrame({"delivered": delivered, "expected": expected, "low": expected - half,
                              "high": expected + half}))


def test_bias_error_and_coverage_are_those_reckoned_by_hand():
    held = _days([10.0, 20.0, 30.0], [11.0, 20.0, 35.0], 3.0)
    assert held.bias == pytest.approx(6.0 / 60.0)
    assert held.nrmse == pytest.approx(np.sqrt(26.0 / 3.0) / 20.0)
    assert held.covered == pytest.approx(2.0 / 3.0)
    assert held.half_width == pytest.approx(3.0 / 20.0)
    one = PlantDays("jet_deep", "direct", "veld", "plane", held, own=_days([10.0, 20.0, 30.0], [10.0, 20.0, 33.0], 1.0))
    other = PlantDays("jet_shallow", "direct", "veld", "plane", _days([10.0], [9.0], 3.0))
    table = table_of([one, other], "family")
    assert list(table["family"]) == ["jet_deep", "jet_shallow", "all"]
    assert table["days"].tolist() == [3, 1, 4]
    assert table["days in 95 % interval, %"].iloc[-1] == pytest.approx(75.0)
    assert table["least %"].iloc[-1] == pytest.approx(-10.0)
    assert table[list(OWN)].iloc[0].tolist() == pytest.approx([
        100 * np.sqrt(3.0) / 20.0, 5.0, 200 / 3, 5.0])
    assert np.isnan(table[OWN[0]].iloc[1])
    assert as_markdown(table).splitlines()[2].startswith("| jet_deep | 1 | 3 |")


def test_drawn_plants_take_each_drive_in_turn_and_are_clean():
    drawn = draw_plants(np.random.default_rng(1), 3, ["plunger_booster", "surface_circulation"])
    assert [one.family for one in drawn] == ["plunger_booster"] * 3 + ["surface_circulation"] * 3
    assert len({one.drive for one in drawn[:3]}) == 3
    assert all(one.truth.dust_pct_day == 0.0 for one in drawn)


@pytest.mark.slow
def test_expectation_stands_beside_other_physics():
    # Bounds: a sheet's own tolerances (ISO 9906 3B, plates, sensors) leave a single plant about a tenth; four plants
    # of other physics half of that in the mean. Two weeks of its own water leave a plant's later days a third of it.
    found = prove_expectation(2, 30, 5, ["surface_circulation", "jet_deep"], learn_days=15)
    assert len(found) == 4
    assert abs(np.mean([one.sheet.bias for one in found])) < 0.08
    assert max(one.sheet.nrmse for one in found) < 0.20
    assert np.mean([one.sheet.covered for one in found]) > 0.75
    own = [one.own for one in found]
    assert np.mean([one.nrmse for one in own]) < 0.6 * np.mean([one.sheet.nrmse for one in found])
    assert np.mean([one.covered for one in own]) > 0.85
    assert np.mean([one.half_width for one in own]) < 0.7 * np.mean([one.sheet.half_width for one in found])
