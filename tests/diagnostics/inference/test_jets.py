"""Jet pumps: what a casing gauge says of a fault, and how little two diameters say of an ejector."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from diagnostics.baseline import tolerance_directions
from diagnostics.diagnose import _flags, diagnose_site
from diagnostics.evidence.features import FEATURE_NAMES, POSITION
from diagnostics.evidence.summary import Summaries
from diagnostics.health import HEALTHY, Health
from diagnostics.inference.ejector_shifts import INEXACTNESS, opened_by_ejector
from diagnostics.inference.signatures import Signatures
from tests.diagnostics.chain.invented_sites import circulation, jet_shallow
from tests.diagnostics.made_readings import RICH, made_readings

LOW, HIGH = POSITION["pressure_low_flow"], POSITION["pressure_high_flow"]
RATED_M3_S = 0.6e-3


def _behind_a_valve(table, day):
    # The gauge of a jet sits on the casing, before the control valve, which takes up twice the head of the line and
    # more: pressure over a set valve goes by the square of the flow (common practice; Karassik, Pump Handbook).
    table["outlet_pressure_pa"] += 20.0 * 9789.0 * (table["flow_m3_s"] / RATED_M3_S) ** 2


@pytest.mark.parametrize(("health", "cause", "sign"), [
    (Health(intake_loss_s2_m5=1.2e7), "clogged_intake", -1.0),
    (Health(delivery_loss_s2_m5=6e7), "blocked_delivery", 1.0)])
def test_a_casing_gauge_tells_before_the_pump_from_behind_it(health, cause, sign):
    site = jet_shallow()
    found = diagnose_site(site, made_readings(site, 70, channels=RICH, health_of_day=lambda d: health if d >= 35 else
                                              HEALTHY, change=_behind_a_valve if sign < 0.0 else None))
    moved = found.summaries["pressure_high_flow"]
    assert sign * (moved.iloc[40:].median() - moved.iloc[:30].median()) > 0.02
    assert [f.cause for f in found.findings] == [cause]


def test_a_gauge_on_the_casing_loses_more_than_the_line_when_water_is_short_and_less_is_as_likely():
    shifts, loose = np.zeros((3, len(FEATURE_NAMES))), np.zeros((3, len(FEATURE_NAMES)))
    shifts[:, POSITION["flow_high_power"]] = -0.2
    shifts[1, HIGH] = 0.5
    cases = [SimpleNamespace(health=h) for h in (Health(intake_loss_s2_m5=1e6), Health(delivery_loss_s2_m5=1e6),
                                                 Health(meter_ratio=0.8))]
    factor = opened_by_ejector(cases, shifts, loose)
    assert shifts[0, HIGH] == pytest.approx(0.8**2 - 1.0)
    assert shifts[0, HIGH] < shifts[0, LOW] < 0.0
    assert loose[0, HIGH] == pytest.approx(0.36)
    assert (shifts[1, HIGH], loose[1, HIGH]) == (0.5, 0.5)
    assert not loose[2].any()       # a meter that is off moves no gauge
    assert factor.tolist() == [INEXACTNESS, INEXACTNESS, 1.0]


def test_only_a_jet_is_open_along_its_level():
    nothing, epochs = np.zeros((0, len(POSITION))), [SimpleNamespace(first_day=0, touches=())]
    chain = Signatures([], nothing, np.zeros(0), nothing, np.zeros(0), {}, {})
    level = np.linspace(0.0, 0.3, 60)

    def names(site, deeper):
        return [d.name for d in tolerance_directions(chain, 60, epochs, level_logged=True, site=site, deeper=deeper)]

    assert "ejector by level" in names(jet_shallow(), level)
    assert "ejector by level" not in names(jet_shallow(), np.full(60, np.nan))
    assert "ejector by level" not in names(circulation(), level)


def test_a_jet_whose_flow_falls_more_with_the_level_than_its_model_has_one_fault_and_not_two():
    site = jet_shallow()

    def deeper(day):
        return Health(extra_static_level_m=0.03 * max(0, day - 30))

    def change(table, day):
        table["flow_m3_s"] *= 1.0 - 0.005 * np.clip(day - 30, 0, None)

    found = diagnose_site(site, made_readings(site, 70, channels=RICH, health_of_day=deeper, change=change))
    assert [f.cause for f in found.findings] == ["falling_water_table"]


def test_a_dull_day_without_a_drop_belongs_to_the_days_without_prime():
    # Prime is lost at some starts and found again (common practice: a foot valve that drips through the night). On
    # dull days nobody asks the pump to run for an hour; power is taken all the same and no water comes.
    days = pd.date_range("2025-03-01", periods=12, freq="D").date
    frame = pd.DataFrame(np.nan, index=pd.Index(days, name="day"), columns=list(FEATURE_NAMES))
    frame["dry_share"] = [0.0, 0.0, 1.0, np.nan, np.nan, 1.0, 0.0, 1.0, 0.0, np.nan, 0.0, 1.0]
    frame["flow_low_power"] = [0.0, -0.1, -1.0, -1.0, -0.1, -1.0, 0.0, -1.0, 0.0, np.nan, 0.0, -1.0]
    without = _flags(Summaries(frame, frame, frame))
    assert without.tolist() == [0.0, 0.0, 1.0, 1.0, 0.0, 1.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0]
