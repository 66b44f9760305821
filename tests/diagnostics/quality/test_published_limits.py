"""Limits of irradiance against the published ones, and against cases with published verdicts."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from diagnostics.quality.limits import physically_possible_w_m2

DATA = Path(__file__).parents[2] / "references" / "data"
CHANNELS = {"GHI": "global_horizontal_irradiance_w_m2", "DHI": "diffuse_horizontal_irradiance_w_m2",
            "DNI": "direct_normal_irradiance_w_m2"}


# Long and Dutton, BSRN Global Network recommended QC tests V2.0, as pvanalytics carries them; source in the file.
@pytest.mark.parametrize("name", ["GHI", "DHI", "DNI"])
def test_upper_limits_are_the_published_formula(name):
    published = json.loads((DATA / "02_bsrn_limits.json").read_text(encoding="utf-8"))
    limits = published["cases"][0]["expected"]["physically_possible"][name]
    mu, normal = np.cos(np.radians(np.arange(0, 120, 5.0))), np.full(24, 1370.0)
    expected = limits["a"] * normal * np.clip(mu, 0, None) ** limits["n"] + limits["offset"]
    np.testing.assert_allclose(physically_possible_w_m2(CHANNELS[name], normal, mu), expected)


@pytest.mark.parametrize("name", ["ghi", "dhi", "dni"])
def test_published_cases_get_their_published_verdict(name):
    # Lower limits differ on purpose: -10 W/m2 here, as dark thermopiles were measured at -7.8 W/m2.
    cases = pd.read_csv(DATA / "02_bsrn_cases.csv", comment="#")
    cases = cases[cases[name] > 0]
    limit = physically_possible_w_m2(CHANNELS[name.upper()], cases["Sa"].to_numpy(dtype=float),
                                     np.cos(np.radians(cases["zenith_deg"].to_numpy(dtype=float))))
    assert ((cases[name] < limit).astype(int) == cases[f"pp_{name}"]).all()
