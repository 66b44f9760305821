"""Irradiance limits of the masks against the network's recommended checks (Long and Dutton, BSRN, V2.0)."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from diagnostics.quality.context import Marks
from diagnostics.quality.limits import IRRADIANCE_CHANNELS, highest_irradiance_w_m2, mark_irradiance
from diagnostics.quality.settings import QualitySettings
from diagnostics.readings import Mask
from tests.references.published import cases, named, table

GLOBAL, DIFFUSE, DIRECT = IRRADIANCE_CHANNELS[1:]


def under_a_fixed_sun(values, zenith_deg, extraterrestrial):
    """Stand in for a site's context: the records give the sun themselves."""
    return SimpleNamespace(
        values=values, elevation_deg=90.0 - np.asarray(zenith_deg, float), interval_s=np.zeros(len(values)),
        extraterrestrial_w_m2=np.asarray(extraterrestrial, float), settings=QualitySettings(),
        has=lambda channel: channel in values, channel=lambda channel: values[channel].to_numpy(float))


# Upper bounds a Sa mu^n + offset at seven zenith angles for Sa = 1370 W/m2 (QCRad limits as pvanalytics holds them).
@pytest.mark.parametrize("test", cases("02_bsrn_limits.json", "upper bounds"), ids=named)
def test_the_physically_possible_bounds_are_the_published_ones(test):
    given, bounds = test["inputs"], test["expected"]["physically_possible"]
    values = pd.DataFrame({channel: [0.0] for channel in (GLOBAL, DIFFUSE, DIRECT)})
    context = under_a_fixed_sun(values, [given["zenith_deg"]], [given["Sa_W_m2"]])
    for channel, short in ((GLOBAL, "GHI"), (DIFFUSE, "DHI"), (DIRECT, "DNI")):
        assert highest_irradiance_w_m2(context, channel)[0] == pytest.approx(bounds[short], abs=0.001)


# Fifteen synthetic records with their expected flags (pvanalytics test suite; flags recomputed from the formulas).
def test_records_of_the_flag_table_get_their_published_flags():
    records = table("02_bsrn_cases.csv")
    values = pd.DataFrame({GLOBAL: records["ghi"].astype(float), DIFFUSE: records["dhi"].astype(float),
                           DIRECT: records["dni"].astype(float)})
    context, marks = under_a_fixed_sun(values, records["zenith_deg"], records["Sa"]), Marks(values)
    mark_irradiance(context, marks)
    frame = marks.frame()
    for channel, flag in ((GLOBAL, "pp_ghi"), (DIFFUSE, "pp_dhi"), (DIRECT, "pp_dni")):
        too_high = (frame[channel] & int(Mask.OUT_OF_RANGE)) != 0
        # The table also flags -100 W/m2; the lower end here is that of the dictionary of channels, -10 W/m2.
        upper_only = values[channel] >= 0
        assert (too_high == (records[flag] == 0))[upper_only].all(), channel
    in_doubt = ((frame[GLOBAL] & int(Mask.SENSOR_DOUBT)) != 0).to_numpy()
    summed = records["dni"] * np.cos(np.radians(records["zenith_deg"])).clip(lower=0) + records["dhi"]
    judged = ((summed > 50) & (records["zenith_deg"] < 93) & (values >= 0).all(axis=1)).to_numpy()
    assert judged.sum() >= 9
    assert (in_doubt == (records["closure_consistent"] == 0).to_numpy())[judged].all()
