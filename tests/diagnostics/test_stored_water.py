"""Water left in a tank, by hand from its geometry."""

from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest

from diagnostics.readings import Mask, SiteReadings
from diagnostics.site import Site, Tank
from diagnostics.stored_water import stored_water

AS_OF = datetime(2026, 3, 2, 12, tzinfo=UTC)


def site_with(tank):
    return Site.model_construct(tank=tank)


def readings(**channels):
    index = pd.date_range("2026-03-02 06:00", periods=4, freq="1h", tz="UTC", name="interval_end_utc")
    values = pd.DataFrame(channels, index=index, dtype="float64")
    return SiteReadings("well-1", values, pd.DataFrame(0, index=index, columns=values.columns),
                        pd.Series(3600.0, index=index))


BOX = Tank(shape="box", length_m=4.0, width_m=2.5, height_m=2.2, outlet_level_m=0.2, full_level_m=2.0)


def test_the_last_sound_level_above_the_outlet_counts():
    # 4.0 m x 2.5 m x (1.0 - 0.2) m = 8 m3 of 18 m3, seen three hours before.
    logged = readings(tank_level_m=[1.6, 1.4, 1.2, 1.0])
    left = stored_water(site_with(BOX), logged, AS_OF)
    assert (left.capacity_m3, left.usable_m3, left.seen_hours_ago) == pytest.approx((18.0, 8.0, 3.0))


def test_a_masked_level_and_one_after_the_moment_do_not_count():
    logged = readings(tank_level_m=[1.6, 1.4, 1.2, 9.0])
    logged.masks.iloc[3] = int(Mask.OUT_OF_RANGE)
    assert stored_water(site_with(BOX), logged, AS_OF).usable_m3 == pytest.approx(10.0)
    half_past_seven = datetime(2026, 3, 2, 7, 30, tzinfo=UTC)
    assert stored_water(site_with(BOX), logged, half_past_seven).usable_m3 == pytest.approx(12.0)


def test_water_under_the_outlet_is_not_usable():
    assert stored_water(site_with(BOX), readings(tank_level_m=[0.15] * 4), AS_OF).usable_m3 == 0.0


def test_a_float_that_says_full_counts_as_full_and_one_that_does_not_says_nothing():
    full, calling = readings(tank_full_ratio=[0, 0, 0.4, 1.0]), readings(tank_full_ratio=[1, 1, 1, 0.4])
    assert stored_water(site_with(BOX), full, AS_OF).usable_m3 == pytest.approx(18.0)
    assert np.isnan(stored_water(site_with(BOX), calling, AS_OF).usable_m3)


def test_no_tank_stores_nothing_that_is_known():
    left = stored_water(site_with(None), readings(tank_level_m=[1.0] * 4), AS_OF)
    assert np.isnan(left.capacity_m3)
    assert np.isnan(left.usable_m3)
