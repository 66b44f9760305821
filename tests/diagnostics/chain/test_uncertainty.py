"""The propagated interval against Monte Carlo: every input drawn, the whole model built anew for each draw."""

import numpy as np
import pytest

from diagnostics.chain.pump_end import CentrifugalEnd
from diagnostics.chain.site_model import SiteModel
from diagnostics.chain.uncertainty import (
    ACCEPTANCE_TOLERANCE_PCT,
    efficiency_uncertainty,
    level_uncertainty_m,
    nameplate_uncertainty,
)
from diagnostics.expected import expect, light_of
from diagnostics.health import HEALTHY
from tests.diagnostics.chain import invented_sites as sites

DRAWS = 100


@pytest.mark.slow
@pytest.mark.parametrize("make", [sites.centrifugal, sites.diaphragm, sites.helical, sites.circulation])
def test_interval_of_95_per_cent_holds_what_monte_carlo_says(make):
    site = make()
    weather = sites.clear_days(site, days=1, step_s=1200)
    light = light_of(site, weather, 1200.0)
    stated = expect(site, weather, 1200.0, light=light)
    model = SiteModel.build(site)
    end, efficiency = model.side.end, efficiency_uncertainty(model)
    rng = np.random.default_rng(20)
    flow_pct, head_pct = ACCEPTANCE_TOLERANCE_PCT[site.pump.acceptance_grade]
    temperature = 0.0041 * float(np.median(light.cell.uncertainty_k))
    light_sigma = float(np.hypot(np.hypot(np.median(light.irradiance_uncertainty), nameplate_uncertainty(site)),
                                 temperature))
    drawn = []
    for _ in range(DRAWS):
        head = rng.normal(1.0, head_pct / 200) if isinstance(end, CentrifugalEnd) else 1.0
        health = HEALTHY.replaced(
            irradiance_ratio=rng.normal(1.0, light_sigma),
            motor_efficiency_ratio=rng.normal(1.0, efficiency),
            extra_static_level_m=rng.normal(0.0, level_uncertainty_m(site)), pump_head_ratio=head,
            meter_ratio=rng.normal(1.0, np.hypot(flow_pct / 200, site.flow_meter.uncertainty_pct / 100)))
        drawn.append(expect(site, weather, 1200.0, light=light, health=health)["expected_flow_m3_s"].to_numpy())
    flows = np.array(drawn)
    low, high = (stated[f"expected_flow_{side}_m3_s"].to_numpy() for side in ("low", "high"))
    rated = model.rated_flow_m3_s
    middle = stated["expected_flow_m3_s"].to_numpy() > 0.3 * rated
    inside = ((flows >= low) & (flows <= high))[:, middle].mean()
    assert 0.91 <= inside <= 0.995
    half_width = (high - low)[middle] / 2
    spread = 1.96 * flows.std(axis=0)[middle]
    assert np.median(half_width / spread) == pytest.approx(1.0, abs=0.25)
    anywhere = stated["expected_flow_m3_s"].to_numpy() > 0
    assert ((flows >= low - 1e-9) & (flows <= high + 1e-9))[:, anywhere].mean() > 0.88


def test_worse_grade_and_unsure_level_widen_the_interval():
    site = sites.centrifugal()
    weather = sites.clear_days(site, days=1)

    def width(changed):
        table = expect(changed, weather, 600.0)
        return float((table["expected_flow_high_m3_s"] - table["expected_flow_low_m3_s"]).mean())

    pump = site.pump.model_dump(exclude_unset=True)
    sharp = site.replaced(pump={**pump, "acceptance_grade": "1B"})
    unsure = site.replaced(well={**site.well.model_dump(exclude_unset=True), "level_uncertainty_m": 4.0})
    assert width(sharp) < width(site) < width(unsure)
