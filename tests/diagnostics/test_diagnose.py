"""The main job on readings made from the site's own chain: a planted cause is named, dated and sized."""

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from made_readings import FIRST_DAY, PLAIN, RICH, centrifugal_site, made_readings

from diagnostics.causes import CAUSES
from diagnostics.diagnose import diagnose_site
from diagnostics.health import HEALTHY, Health
from diagnostics.results import DAY_COLUMNS, ServiceEvent, SiteDiagnosis

FLOW, HEAD = 1.2e-3, 45.0
OWN = Health(motor_efficiency_ratio=0.97)       # this site is a little worse than its sheet, as sites are
ONSET = 45
DAYS = 80


def _after(day: int, **changes: float) -> Callable[[int], Health]:
    return lambda number: Health(**changes) if number >= day else HEALTHY


def _run(health: Callable[[int], Health], channels: tuple[str, ...] = RICH, **kwargs: object) -> SiteDiagnosis:
    site = centrifugal_site()
    return diagnose_site(site, made_readings(site, DAYS, health_of_day=health, channels=channels, own=OWN,
                                             **kwargs))  # type: ignore[arg-type]


def _first(diagnosis: SiteDiagnosis) -> str:
    return max(diagnosis.findings, key=lambda f: f.confidence).cause if diagnosis.findings else "nothing"


# Sizes are moderate by the catalogue of faults: 10 to 30 % of the water.
STEPS = {
    "string_open": Health(strings_ratio=2 / 3),
    "wiring_resistance": Health(extra_series_resistance_ohm=2.2),
    "clogged_intake": Health(intake_loss_s2_m5=0.5 * HEAD / FLOW**2),
    "blocked_delivery": Health(delivery_loss_s2_m5=0.5 * HEAD / FLOW**2),
    "falling_water_table": Health(extra_static_level_m=7.0),
    "screen_fouled": Health(well_loss_ratio=3.5),
    "motor_fault": Health(motor_efficiency_ratio=0.78),
    "meter_under_reading": Health(meter_ratio=0.8),
    "drive_limited": Health(power_cap_w=650.0),
}


@pytest.mark.parametrize("cause", list(STEPS))
def test_a_step_is_named_dated_and_sized_with_all_sensors(cause):
    planted = STEPS[cause]
    own = OWN if "motor_efficiency_ratio" not in planted.changed() else HEALTHY
    site = centrifugal_site()
    readings = made_readings(site, DAYS, health_of_day=lambda day: planted if day >= ONSET else HEALTHY, own=own)
    diagnosis = diagnose_site(site, readings)
    assert _first(diagnosis) == cause
    finding = next(f for f in diagnosis.findings if f.cause == cause)
    onset = (pd.Timestamp(finding.onset) - pd.Timestamp(FIRST_DAY)).days
    assert abs(onset - ONSET) <= 3
    assert finding.onset_low <= finding.onset <= finding.onset_high
    assert finding.size_low <= finding.size <= finding.size_high
    assert finding.evidence and all(row.says for row in finding.evidence)
    assert finding.next_test and finding.dangers == list(CAUSES[cause].dangers)


@pytest.mark.parametrize(("cause", "true_size"), [("falling_water_table", 7.0), ("meter_under_reading", 0.2),
                                                  ("wiring_resistance", 2.2)])
def test_size_is_within_a_fifth(cause, true_size):
    diagnosis = _run(lambda day: STEPS[cause] if day >= ONSET else HEALTHY)
    finding = next(f for f in diagnosis.findings if f.cause == cause)
    assert abs(finding.size / true_size - 1.0) < 0.2


@pytest.mark.parametrize("channels", [RICH, PLAIN])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_sound_site_has_no_finding(channels, seed):
    diagnosis = _run(lambda day: HEALTHY, channels, seed=seed)
    assert [f.cause for f in diagnosis.findings] == []
    assert diagnosis.verdict == "working"


def test_a_dull_season_is_no_fault():
    diagnosis = _run(lambda day: HEALTHY, cloudiness=0.9)
    assert [f.cause for f in diagnosis.findings] == []


def test_without_pressure_intake_and_line_are_one_group():
    # Common practice: only outlet pressure at the same flow tells a clogged intake from a blocked line.
    diagnosis = _run(_after(ONSET, intake_loss_s2_m5=0.6 * HEAD / FLOW**2), PLAIN)
    finding = max(diagnosis.findings, key=lambda f: f.confidence)
    assert {"clogged_intake", "blocked_delivery"} <= set(finding.group)
    assert "pressure" in finding.next_test.lower()


def test_without_level_a_falling_table_keeps_worn_pump_as_rival():
    # Flow and power alone cannot tell lower water from wear in a centrifugal pump.
    diagnosis = _run(_after(ONSET, extra_static_level_m=9.0), PLAIN)
    finding = max(diagnosis.findings, key=lambda f: f.confidence)
    named = {finding.cause, *finding.group, *(r.cause for r in finding.rivals)}
    assert {"falling_water_table", "worn_pump"} <= named


def _stopped(table: pd.DataFrame, day: np.ndarray) -> None:
    gone = day >= 60
    for name in ("array_current_a", "flow_m3_s", "pump_speed_rpm"):
        table.loc[gone, name] = 0.0
    sunny = gone & (table["poa_irradiance_w_m2"].to_numpy() > 5.0)
    table.loc[sunny, "array_voltage_v"] = 185.0     # near open circuit of five modules of 39.2 V


def test_a_drive_that_stands_is_told_and_dated():
    diagnosis = _run(lambda day: HEALTHY, change=_stopped)
    finding = next(f for f in diagnosis.findings if f.cause == "drive_stopped")
    assert (pd.Timestamp(finding.onset) - pd.Timestamp(FIRST_DAY)).days == 60
    assert diagnosis.verdict == "not working"
    assert finding.water_lost_m3_day > 0.0


def _tank_full(table: pd.DataFrame, day: np.ndarray) -> None:
    full = (day >= 50) & (np.arange(len(table)) % 96 > 46)
    for name in ("array_current_a", "flow_m3_s", "pump_speed_rpm"):
        table.loc[full, name] = 0.0
    # An array from which nothing is taken rises from its best voltage to that of open circuit.
    sunny = full & (table["poa_irradiance_w_m2"].to_numpy() > 5.0)
    table.loc[sunny, "array_voltage_v"] = 185.0     # as above
    table["tank_full_ratio"] = full.astype(float)


def test_a_full_tank_is_a_state_and_no_fault():
    diagnosis = _run(lambda day: HEALTHY, change=_tank_full)
    assert [f.cause for f in diagnosis.findings] == []
    assert any(span.state == "tank_full" for span in diagnosis.states)
    assert diagnosis.days["tank_full_m3"].sum() > 0.0


def _meter_stands(table: pd.DataFrame, day: np.ndarray) -> None:
    table.loc[day >= ONSET, "flow_m3_s"] = 0.0


def test_a_meter_that_stands_is_told_from_no_water_by_drawdown_and_speed():
    diagnosis = _run(lambda day: HEALTHY, change=_meter_stands)
    assert _first(diagnosis) == "meter_stopped"


def test_silence_is_told_with_the_fleets_time_and_is_never_all_well():
    site = centrifugal_site()
    readings = made_readings(site, 60, own=OWN)
    later = readings.values.index[-1] + pd.Timedelta(days=6)
    diagnosis = diagnose_site(site, readings, as_of_utc=later)
    assert [f.cause for f in diagnosis.findings] == ["logger_silent"]
    assert diagnosis.verdict == "not enough data"
    # The clock change of 9 March lets the last hour fall on a day of its own.
    assert len(diagnosis.days) == 67 and set(diagnosis.days["main_state"].tail(4)) == {"silent"}


def test_too_few_days_are_not_enough_data():
    site = centrifugal_site()
    diagnosis = diagnose_site(site, made_readings(site, 2, own=OWN))
    assert diagnosis.verdict == "not enough data" and diagnosis.findings == []


def test_day_table_has_its_columns_and_every_day_a_reason_or_a_verdict():
    diagnosis = _run(lambda day: HEALTHY)
    assert list(diagnosis.days.columns) == list(DAY_COLUMNS)
    blank = diagnosis.days["reason"] == ""
    assert (blank == diagnosis.days["judged"]).all()


def test_a_repair_that_worked_is_proved_and_ends_the_finding():
    block = Health(delivery_loss_s2_m5=0.5 * HEAD / FLOW**2)
    site = centrifugal_site()
    readings = made_readings(site, DAYS, health_of_day=lambda day: block if 30 <= day < 60 else HEALTHY, own=OWN)
    when = pd.Timestamp(FIRST_DAY, tz=site.timezone) + pd.Timedelta(days=60, hours=9)
    event = ServiceEvent(site_id=site.id, when_utc=when.tz_convert("UTC").to_pydatetime(), action="opened_valve",
                         meant_for="blocked_delivery")
    diagnosis = diagnose_site(site, readings, service_events=[event])
    finding = next(f for f in diagnosis.findings if f.cause == "blocked_delivery")
    assert finding.status == "mended"
    assert [proof.outcome for proof in diagnosis.proofs] == ["worked"]


def test_the_same_readings_give_the_same_answer():
    first, second = (_run(_after(ONSET, strings_ratio=2 / 3)) for _ in range(2))
    assert [f.model_dump() for f in first.findings] == [f.model_dump() for f in second.findings]
