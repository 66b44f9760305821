"""A repair is held against the faulty days before it alone, and said with its number and interval."""

import pandas as pd
import pytest
from made_readings import FIRST_DAY, centrifugal_site, made_readings

from diagnostics.diagnose import diagnose_site
from diagnostics.health import HEALTHY, Health
from diagnostics.results import RepairProof, ServiceEvent

FLOW, HEAD = 1.2e-3, 45.0
BLOCK = Health(delivery_loss_s2_m5=0.5 * HEAD / FLOW**2)
DAYS = 75


def _proof(first: int, last: int, work: int, *, action: str = "opened_valve", meant_for: str = "blocked_delivery"
           ) -> RepairProof:
    site = centrifugal_site()
    readings = made_readings(site, DAYS, health_of_day=lambda day: BLOCK if first <= day < last else HEALTHY,
                             own=Health(motor_efficiency_ratio=0.97))
    when = pd.Timestamp(FIRST_DAY, tz=site.timezone) + pd.Timedelta(days=work, hours=9)
    event = ServiceEvent(site_id=site.id, when_utc=when.tz_convert("UTC").to_pydatetime(), action=action,
                         meant_for=meant_for)
    proof, = diagnose_site(site, readings, service_events=[event]).proofs
    return proof


def test_a_repair_soon_after_the_onset_is_not_measured_against_sound_days():
    # Eight faulty days: of the three weeks before the work nearly two were sound.
    proof = _proof(42, 50, 50)
    assert proof.outcome == "worked"
    assert proof.before == pytest.approx(1.0, abs=0.25) and abs(proof.after or 0.0) < 0.15
    assert "+/-" in proof.says and "days against" in proof.says


def test_work_that_did_not_help_is_said():
    proof = _proof(30, DAYS, 52)
    assert proof.outcome == "did not work"
    assert (proof.after or 0.0) > 0.7


def test_work_on_a_sound_site_cannot_be_judged():
    proof = _proof(DAYS, DAYS, 40)
    assert proof.outcome == "not yet proven" and proof.says.startswith("Cannot tell")


def test_work_of_yesterday_cannot_be_judged_yet():
    proof = _proof(30, DAYS, DAYS - 2)
    assert proof.outcome == "not yet proven" and proof.says.startswith("Cannot tell yet")
