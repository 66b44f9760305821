"""A curve that bends otherwise than its sheet makes no dull day a fault, and hides none."""

import numpy as np
import pytest

from diagnostics.diagnose import diagnose_site
from diagnostics.evidence.own_bend import own_bend
from tests.diagnostics.made_readings import PLAIN, centrifugal_site, made_readings

DAYS, ROWS = 40, 30


def _days(seed=3):
    """Return day and place of rows: even days fill the whole bin, odd ones its lower third only."""
    rng = np.random.default_rng(seed)
    day = np.repeat(np.arange(DAYS), ROWS)
    place = np.where(day % 2 == 0, rng.uniform(0.75, 1.3, day.size), rng.uniform(0.75, 0.93, day.size))
    return day, place, 0.02 * rng.standard_normal(day.size)


@pytest.mark.parametrize("bend", [lambda x: 0.8 * (x - 1.0), lambda x: np.minimum(x - 1.0, 0.0), lambda x: 0.0 * x])
@pytest.mark.parametrize("loss", [0.0, 0.1])
def test_days_compare_wherever_in_the_bin_they_lay_and_a_lasting_loss_stays(bend, loss):
    day, place, noise = _days()
    amount = bend(place) - np.where(day >= 20, loss, 0.0) + noise
    level = amount - own_bend(amount, place, day, DAYS, np.ones(day.size), np.ones(day.size, dtype=bool))
    by_day = np.bincount(day, weights=level) / ROWS
    bright, dull = by_day[0:20:2].mean(), by_day[1:20:2].mean()
    assert dull == pytest.approx(bright, abs=0.012)
    assert by_day[20:].mean() - by_day[:20].mean() == pytest.approx(-loss, abs=0.005)
    assert by_day[:20].mean() == pytest.approx(np.mean((bend(place) + noise)[day < 20]), abs=0.012)


def test_what_only_differs_between_days_is_no_bend():
    # Half of the days at one end, half at the other: nothing within a day says which of the two is the curve's doing.
    day, _, noise = _days()
    place = np.where(day % 2 == 0, 1.2, 0.8)
    amount = np.where(day % 2 == 0, 0.0, -0.2) + noise
    assert np.abs(own_bend(amount, place, day, DAYS, np.ones(day.size), np.ones(day.size, dtype=bool))).max() < 0.02


def test_five_days_teach_no_bend():
    day, place, noise = _days()
    few = day < 5
    assert not own_bend(place - 1.0 + noise, place, day, DAYS, np.ones(day.size), few).any()


def test_a_spell_of_dull_days_is_no_shift_where_the_pump_beats_its_sheet_at_full_power_only():
    # As an ejector that chokes later than its two diameters say: level with the sheet in weak sun, a third above in
    # strong sun (common practice: where a throat chokes is known to about that).
    site = centrifugal_site(tank=None)

    def change(table, day):
        dull = np.isin(day, range(30, 36))
        light = table["poa_irradiance_w_m2"].to_numpy(copy=True)
        table["flow_m3_s"] *= 1.0 + 0.33 * np.clip((light - 600.0) / 300.0, 0.0, 1.0)
        table.loc[dull & (light > 800.0), list(PLAIN)] = np.nan

    found = diagnose_site(site, made_readings(site, 60, channels=PLAIN, cloudiness=0.0, change=change))
    high = found.summaries["flow_high_power"]
    dull = high.iloc[30:36].dropna()
    assert len(dull) >= 4
    assert dull.median() == pytest.approx(high.drop(dull.index).median(), abs=0.05)
    # More water than the sheet says, and that since the first day, is true here; nothing began with the dull days.
    assert not [f.cause for f in found.findings if f.onset > found.summaries.index[5]]


def test_a_day_without_a_drop_reads_no_drop_whatever_the_bend():
    site = centrifugal_site(tank=None)

    def change(table, day):
        light = table["poa_irradiance_w_m2"].to_numpy(copy=True)
        table["flow_m3_s"] *= 1.0 + 0.33 * np.clip((light - 600.0) / 300.0, 0.0, 1.0)
        table.loc[day >= 35, "flow_m3_s"] = 0.0

    found = diagnose_site(site, made_readings(site, 40, channels=PLAIN, cloudiness=0.0, change=change))
    assert found.summaries[["flow_mid_power", "flow_high_power"]].iloc[36:39].to_numpy() == pytest.approx(-1.0)
