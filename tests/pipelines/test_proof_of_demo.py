"""Scoring the demo: what counts as found, as rival, as missed and as a false alarm; figures worked out by hand."""

from datetime import date

import pandas as pd
import pytest

from diagnostics.results import Finding, Rival, SiteDiagnosis, StateSpan
from pipelines.proof_of_demo import ScoreCard, score_delivery, score_site


def finding(cause, *, confidence=0.9, onset=date(2026, 5, 3), group=(), rivals=()):
    return Finding(site_id="well-1", cause=cause, confidence=confidence, group=list(group), onset=onset,
                   onset_low=onset, onset_high=onset, onset_shape="step", last_seen=date(2026, 6, 1), size=1.0,
                   size_low=0.5, size_high=1.5, size_unit="ratio", size_means="", water_lost_m3_day=1.0,
                   water_lost_low_m3_day=0.5, water_lost_high_m3_day=1.5, evidence=[], next_test="look",
                   rivals=[Rival(cause=code, probability=0.2) for code in rivals])


def diagnosis(*findings, days=None, states=()):
    return SiteDiagnosis(site_id="well-1", days=pd.DataFrame() if days is None else days, summaries=pd.DataFrame(),
                         intervals=pd.DataFrame(), findings=list(findings), accounts=[], verdict="working",
                         states=[StateSpan(site_id="well-1", state=name, first_day=date(2026, 5, 1), volume_m3=0.0,
                                           last_day=date(2026, 5, 2), says="") for name in states])


PLANTED = {"cause": "worn_pump", "onset": date(2026, 5, 1)}


def test_the_planted_cause_named_first():
    score = score_site("well-1", "jet deep", PLANTED, diagnosis(finding("worn_pump")))
    assert (score.place, score.beside, score.onset_error_days) == ("first", (), 2)


@pytest.mark.parametrize("near", [{"rivals": ("worn_pump",)}, {"group": ("riser_leak", "worn_pump")}])
def test_the_planted_cause_among_rivals_or_in_the_group(near):
    score = score_site("well-1", "jet deep", PLANTED, diagnosis(finding("riser_leak", **near)))
    assert (score.place, score.beside) == ("among rivals", ())


def test_a_cause_that_has_nothing_to_do_with_it_is_beside_and_the_planted_one_missed():
    score = score_site("well-1", "jet deep", PLANTED, diagnosis(finding("soiled_array")))
    assert (score.place, score.beside, score.onset_error_days) == ("missed", ("soiled_array",), None)


def test_anything_said_of_a_sound_site_is_a_false_alarm_and_a_state_is_looked_for():
    sound = {"cause": "sound", "state": "tank_full"}
    quiet = score_site("well-1", "jet deep", sound, diagnosis(states=("tank_full",)))
    assert (quiet.place, quiet.state_seen) == ("no false alarm", True)
    loud = score_site("well-1", "jet deep", sound, diagnosis(finding("meter_over_reading")))
    assert (loud.place, loud.state_seen) == ("false alarm", False)
    totals = ScoreCard((quiet, loud), ()).totals()
    assert totals["sound sites with a finding"] == 1
    assert totals["sound sites with a pump, well or array finding"] == 0


def test_the_confusion_counts_each_site_once():
    scores = (score_site("a", "", PLANTED, diagnosis(finding("soiled_array", confidence=0.99), finding("worn_pump"))),
              score_site("b", "", PLANTED, diagnosis()), score_site("c", "", {"cause": "sound"}, diagnosis()))
    card = ScoreCard(scores, ())
    assert card.confusion == [("sound", "nothing", 1), ("worn_pump", "nothing", 1), ("worn_pump", "worn_pump", 1)]
    assert "| b |" in card.as_markdown()


def test_daily_error_bias_and_coverage_by_hand():
    """
    Expected 10, 12, 8 against healthy 10, 10, 10: errors 0, 2, -2; bias 0; nRMSE sqrt(8/3)/10.

    Two of three days lie inside their interval; a fourth, judged for half its sun only, is not compared.
    """
    index = pd.Index([date(2026, 5, day) for day in (1, 2, 3, 4)], name="day")
    days = pd.DataFrame({"judged": True, "sun_hours": 10.0, "judged_sun_hours": [10.0, 10.0, 9.6, 5.0],
                         "expected_m3": [10.0, 12.0, 8.0, 3.0], "expected_low_m3": [9.0, 9.0, 7.0, 2.0],
                         "expected_high_m3": [11.0, 15.0, 9.0, 4.0]}, index=index)
    truth = pd.DataFrame({"day": pd.to_datetime(index), "healthy_m3": 10.0})
    score = score_delivery("well-1", "jet deep", diagnosis(days=days), truth)
    assert score.days == 3
    assert score.nrmse == pytest.approx((8 / 3) ** 0.5 / 10)
    assert score.bias == pytest.approx(0.0, abs=1e-12)
    assert score.coverage == pytest.approx(2 / 3)


def test_no_whole_day_gives_no_figure():
    index = pd.Index([date(2026, 5, 1)], name="day")
    days = pd.DataFrame({"judged": False, "sun_hours": 10.0, "judged_sun_hours": 1.0, "expected_m3": 1.0,
                         "expected_low_m3": 0.0, "expected_high_m3": 2.0}, index=index)
    truth = pd.DataFrame({"day": pd.to_datetime(index), "healthy_m3": 10.0})
    assert score_delivery("well-1", "jet deep", diagnosis(days=days), truth) is None
