"""The claim verb: from the ledger to a text and to JSON, with refusals that say how to ask."""

import json
import re
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from dashboards.claim_report import claim_text
from dashboards.shown import DeskUnits, in_desk_words
from diagnostics.claim import judge_claim, translate
from diagnostics.readings import SiteReadings
from diagnostics.results import SiteDiagnosis
from pipelines.cli import main
from pipelines.errors import RequestError
from pipelines.fleet import load_fleet
from pipelines.stages.claiming import claim_of
from pipelines.stages.outfolder import OutFolder
from tests.pipelines.test_fleet import EQUIPMENT, FLEET, PROFILE, SITE

GUARANTEE = """
[guarantee]
reference = "Offer 17"
daily_volume_m3 = 20
total_dynamic_head_m = 38
daily_irradiation_kwh_m2 = 6
starts_on = 2025-01-01
ends_on = 2030-01-01
"""


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fleet")
    for name, text in {"fleet.toml": FLEET, "equipment/all.toml": EQUIPMENT, "loggers/plain.toml": PROFILE,
                       "sites/well-1.toml": SITE + GUARANTEE, "logs/well-1/a.csv": "time,flow\n"}.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    return load_fleet(folder)


@pytest.fixture(scope="module")
def diagnosis(fleet) -> SiteDiagnosis:
    told = translate(fleet.sites["well-1"], near=date(2025, 6, 15))
    days = pd.DataFrame({
        "judged": True, "reason": "", "expected_m3": told.sheet_volume_m3, "expected_low_m3": 1.0,
        "expected_high_m3": 99.0, "delivered_m3": np.tile([13.0, 14.0, 15.0], 10),
        "irradiation_kwh_m2": told.plane_irradiation_kwh_m2, "sun_hours": 11.0, "judged_sun_hours": 11.0,
        "tank_full_m3": 0.0, "off_hours": 0.0, "main_state": "working"}, index=pd.date_range("2025-06-01", periods=30))
    return SiteDiagnosis(site_id="well-1", days=days, summaries=pd.DataFrame(), intervals=pd.DataFrame(), findings=[],
                         states=[], accounts=[])


class RememberedLedger:
    """Stands where the ledger stands, with one diagnosis and readings without a level."""

    def __init__(self, diagnosis):
        self.diagnosis = diagnosis

    def read_diagnosis(self, site_id):
        return self.diagnosis if site_id == "well-1" else None

    def read_site(self, site_id):
        index = pd.DatetimeIndex([], tz="UTC", name="interval_end_utc")
        empty = pd.DataFrame(index=index)
        return SiteReadings(site_id, empty, empty, pd.Series(index=index, dtype="float64"))

    def __enter__(self):
        return self

    def __exit__(self, *_):
        return None


@pytest.fixture
def ledger(monkeypatch, diagnosis):
    held = RememberedLedger(diagnosis)
    monkeypatch.setattr("pipelines.stages.claiming.open_ledger", lambda out, read_only=False: held)
    return held


# By hand: 13, 14 and 15 m3 on days on which the promised 20 m3 were due.
def test_a_claim_is_judged_from_the_ledger(fleet, ledger, tmp_path):
    judged = claim_of(fleet, OutFolder.of(fleet.folder, tmp_path), "well-1", "2025-06-01", "2025-06-30")
    assert judged.shortfall.ratio == pytest.approx(0.7, rel=1e-9)
    assert judged.shortfall.due_m3 == pytest.approx(600, rel=1e-9) and judged.decision.outcome == "does not meet"


@pytest.mark.parametrize(("site", "first", "last", "says"), [
    ("well-1", "1.6.2025", "2025-06-30", "--from '1.6.2025' is not a day"),
    ("well-1", "2025-06-30", "2025-06-01", "Swap --from and --to")])
def test_a_question_that_cannot_be_answered_says_how_to_ask(fleet, ledger, tmp_path, site, first, last, says):
    with pytest.raises(RequestError, match=re.escape(says)):
        claim_of(fleet, OutFolder.of(fleet.folder, tmp_path), site, first, last)


def test_a_site_never_worked_out_is_said(fleet, ledger, tmp_path):
    ledger.diagnosis = None
    with pytest.raises(RequestError, match="has not been worked out yet"):
        claim_of(fleet, OutFolder.of(fleet.folder, tmp_path), "well-1", "2025-06-01", "2025-06-30")


def test_the_text_gives_the_verdict_first_and_nothing_of_the_record_is_missing(fleet, diagnosis):
    judged = judge_claim(fleet.sites["well-1"], diagnosis, first_day=date(2025, 6, 1), last_day=date(2025, 6, 30))
    text = claim_text(judged, "Well one")
    assert text.splitlines()[1] == "DOES NOT MEET THE PROMISE"
    flat = " ".join(text.split())
    for said in [*judged.translation.assumptions, *(line.why for line in judged.budget), *judged.not_examined,
                 *(other.choice for other in judged.variants), *(test.test for test in judged.settling),
                 *(rung.says for rung in judged.ladder)]:
        assert " ".join(in_desk_words(said).split()) in flat, said
    for condition in judged.conditions:
        assert " ".join(in_desk_words(condition.says).split()) in flat, condition.what
    assert "Offer 17" in text and "70 %" in flat
    assert max(map(len, text.splitlines())) <= 100
    assert not re.search(r"Missing:? [−-]|\bnan\b|\bNone\b|[−-]0\.0", text)


def test_the_text_speaks_the_companys_units(fleet, diagnosis):
    judged = judge_claim(fleet.sites["well-1"], diagnosis, first_day=date(2025, 6, 1), last_day=date(2025, 6, 30))
    us = claim_text(judged, "Well one", DeskUnits(volume="gal_us", length="ft"))
    # 1 m3 is 264.172 US gal, 1 m is 3.28084 ft (NIST SP 811, appendix B.8): 20 m3 a day at 38 m.
    assert "5 280 US gal a day at a head of 125 ft" in " ".join(us.split())
    assert not re.search(r"\d\s?m3|m³|\d m\b", us)
    assert "111 000 US gal" in " ".join(us.split())         # 420 of 600 m3 came


def test_nothing_missing_is_said_in_words(fleet, diagnosis):
    more = replace(diagnosis, days=diagnosis.days.assign(delivered_m3=diagnosis.days["delivered_m3"] * 2.0))
    judged = judge_claim(fleet.sites["well-1"], more, first_day=date(2025, 6, 1), last_day=date(2025, 6, 30))
    assert judged.decision.outcome == "meets"
    text = " ".join(claim_text(judged, "Well one").split())
    assert "Nothing is missing in the sum: 240 m³ more came than was due" in text
    # No shortfall, so nobody is asked to own one.
    assert [rung.answer for rung in judged.ladder[5:8]] == ["does not arise"] * 3


def test_the_text_accuses_nobody(fleet, diagnosis):
    judged = judge_claim(fleet.sites["well-1"], diagnosis, first_day=date(2025, 6, 1), last_day=date(2025, 6, 30))
    text = claim_text(judged, "Well one")
    # Neutral words: nobody is accused.
    assert not re.search(r"fraud|fault of|guilty|blame|lied", text, re.IGNORECASE)


def test_the_verb_prints_text_and_json(fleet, ledger, tmp_path, capsys):
    asked = ["claim", "well-1", "--from", "2025-06-01", "--to", "2025-06-30", "--fleet", str(fleet.folder), "--out",
             str(tmp_path)]
    for words in (asked, [*asked, "--json"]):
        with pytest.raises(SystemExit) as left:
            main(words)
        assert left.value.code == 0
        printed = capsys.readouterr().out
    assert json.loads(printed)["decision"]["outcome"] == "does not meet"
