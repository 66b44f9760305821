"""A pump that turns below the power at which it begins to lift has not lost its water."""

import numpy as np
import pytest

from diagnostics.diagnose import diagnose_site
from diagnostics.evidence.called_to_run import own_water_from
from tests.diagnostics.chain.invented_sites import jet_shallow
from tests.diagnostics.made_readings import PLAIN, made_readings


def _days(days, first_wet_w):
    power = np.tile(np.arange(0.0, 1000.0, 5.0), days)
    day = np.repeat(np.arange(days), len(power) // days)
    return power, power >= np.broadcast_to(first_wet_w, days)[day], day


def test_water_is_asked_for_from_where_the_site_gives_it_and_the_start_may_wander_with_the_level():
    least = own_water_from(*_days(40, 300.0), 40)
    assert least == pytest.approx(1.25 * 300.0, rel=0.12)
    power, wet, day = _days(60, np.linspace(200.0, 500.0, 60))
    least = own_water_from(power, wet, day, 60)
    assert least[day == 50].mean() > 1.5 * least[day == 10].mean()


def test_dry_days_and_few_days_teach_nothing():
    power, wet, day = _days(40, 300.0)
    assert own_water_from(power, wet & (day < 20), day, 40) == pytest.approx(own_water_from(power, wet, day, 40))
    assert not own_water_from(power, wet & (day < 4), day, 40).any()


@pytest.mark.parametrize("loses_prime", [False, True])
def test_a_jet_that_lifts_later_than_its_model_is_dry_on_dull_days_only_when_it_is_dry_in_the_sun(loses_prime):
    # An ejector entrains nothing until its nozzle has some metres of head; how many, no sheet says (common practice).
    site = jet_shallow()

    def change(table, day):
        power = table["array_voltage_v"].to_numpy() * table["array_current_a"].to_numpy()
        light = table["poa_irradiance_w_m2"].to_numpy(copy=True)
        begins = 0.45 * np.nanmax(power)
        table["flow_m3_s"] *= np.clip((power - begins) / (0.2 * begins), 0.0, 1.0)
        dull = np.isin(day, range(30, 34))
        table.loc[dull & (power > begins), list(PLAIN)] = np.nan
        assert np.nanmax(light) > 700.0
        if loses_prime:
            table.loc[day >= 36, "flow_m3_s"] = 0.0

    found = diagnose_site(site, made_readings(site, 45, channels=PLAIN, cloudiness=0.0, change=change))
    dry = found.summaries["dry_share"]
    assert (dry.iloc[30:34].dropna() == 0.0).all()
    assert (dry.iloc[38:43].median() > 0.6) == loses_prime
    stops = {f.cause for f in found.findings} & {"lost_prime", "meter_stopped", "motor_fault", "drive_stopped"}
    assert bool(stops) == loses_prime
