"""The ranking: what is silent stands above what is merely bad data, and every place has its reason."""

import math
from dataclasses import replace
from datetime import date

import pytest

from diagnostics.consequence import (
    CLASS_CODES,
    RankingRules,
    Storage,
    consequence,
    daily_need,
    rank_key,
    silent_days,
)
from diagnostics.results import SiteDiagnosis
from diagnostics.site import Demand
from tests.dashboards import sample


def _placed(view, **changes):
    given = {"demand": view.site.demand, "storage": view.storage} | changes
    return consequence(view.diagnosis, given["demand"], given["storage"], as_of=sample.AS_OF)


def test_hours_to_empty_by_hand_for_a_stopped_pump():
    # 260 cattle at 85 l a day are 22.1 m3 a day; 9 m3 usable, no inflow: 9 / 22.1 * 24 h = 9.77 h. By hand.
    view = sample.stopped_view()
    placed = _placed(view, storage=Storage(14.8, 9.0))
    assert placed.hours_to_empty == pytest.approx(9.0 / (260 * 0.085) * 24.0)
    assert placed.hours_to_empty == pytest.approx(9.77, abs=0.01)
    assert placed.class_code == "go_now"


def test_silence_takes_no_inflow_and_the_time_since_it_began():
    view = sample.silent_view()     # last heard on 21 August, judged on the 31st
    placed = _placed(view, storage=Storage(14.8, 11.0, 240.0))
    assert placed.silent_days == 10 and placed.worst_inflow_m3_day == 0.0
    assert placed.hours_to_empty == 0.0 and placed.hours_are == "unknown, worst case"
    large = _placed(view, storage=Storage(400.0, 300.0, 240.0))     # 300 / 9 * 24 - 240 = 560 h. By hand.
    assert large.hours_to_empty == pytest.approx(560.0)
    assert large.class_code == "this_week"


@pytest.mark.parametrize("usable", [0.0, 5.0, 50.0, 500.0])
def test_silent_site_never_ranks_below_bad_data(usable):
    silent = _placed(sample.silent_view(), storage=Storage(600.0, usable, 240.0))
    bad = _placed(sample.bad_sensor_view(), storage=Storage(600.0, usable))
    assert rank_key(silent) < rank_key(bad)


def test_silent_site_never_ranks_below_bad_data_with_an_empty_tank():
    silent = _placed(sample.silent_view(), storage=Storage(6000.0, 6000.0, 240.0))
    bad = _placed(sample.bad_sensor_view(), storage=Storage(6000.0, 0.0))
    assert rank_key(silent) < rank_key(bad)


def test_danger_outranks_water():
    view = sample.soiled_view()
    finding = view.diagnosis.findings[0].model_copy(update={"urgency": "now", "water_lost_m3_day": 0.0})
    changed = SiteDiagnosis(**{name: getattr(view.diagnosis, name) for name in SiteDiagnosis.__dataclass_fields__}
                            | {"findings": [finding]})
    placed = consequence(changed, view.site.demand, view.storage, as_of=sample.AS_OF)
    assert placed.class_code == "go_now"
    assert any("danger" in reason for reason in placed.reasons)


def test_pump_that_is_well_is_never_a_drive():
    view = sample.sound_view()
    dry = _placed(view, demand=Demand(daily_need_m3=400.0), storage=Storage(14.8, 1.0))
    assert dry.class_code == "watch" and "do not drive" in dry.reasons[0]
    assert _placed(view).class_code == "all_well"


def test_need_not_known_is_not_a_number_made_up():
    placed = _placed(sample.stopped_view(), demand=Demand())
    assert math.isnan(placed.hours_to_empty) and placed.hours_are == "not known"
    assert placed.class_code == "today"


def test_silence_without_a_tank_is_a_call_and_not_a_drive_tonight():
    placed = _placed(sample.silent_view(), storage=Storage())
    assert math.isnan(placed.hours_to_empty) and placed.class_code == "this_week"


def test_standing_pump_without_a_tank_leaves_nothing():
    placed = _placed(sample.stopped_view(), storage=Storage())
    assert placed.hours_to_empty == 0.0 and placed.class_code == "go_now"


def test_stopped_meter_is_not_an_empty_tank():
    view = sample.sound_view()
    days = view.diagnosis.days.assign(delivered_m3=0.0, seen_m3=0.0, tank_full_m3=0.0)
    stuck = sample.sample_finding("euphorbia", "meter_stopped", water_lost_m3_day=0.0, urgency="two_weeks")
    changed = replace(view.diagnosis, days=days, findings=[stuck])
    placed = consequence(changed, view.site.demand, Storage(14.8, 1.0), as_of=sample.AS_OF)
    lowest = days["expected_low_m3"].tail(14).rolling(3).mean().min()
    assert placed.worst_inflow_m3_day == pytest.approx(lowest) and lowest > 1.0
    assert any("meter does not tell" in reason for reason in placed.reasons)


def test_upper_need_is_above_usual_need():
    for demand in (Demand(people=100), Demand(large_animals=40, small_animals=200), Demand(irrigated_area_m2=5000.0),
                   Demand(daily_need_m3=12.0)):
        usual, upper = daily_need(demand)
        assert 0.0 < usual < upper


def test_cattle_need_spans_the_published_range():
    # Ohio State University Extension, beef newsletter, May 2007: 10.8 to 21.6 US gal a head and day = 41 to 82 l.
    rules = RankingRules()
    assert 0.041 <= rules.large_animal_usual_m3_day <= 0.082 <= rules.large_animal_upper_m3_day


def test_mended_findings_cost_nothing():
    view = sample.clogged_view()
    mended = view.diagnosis.findings[0].model_copy(update={"status": "mended"})
    changed = SiteDiagnosis(**{name: getattr(view.diagnosis, name) for name in SiteDiagnosis.__dataclass_fields__}
                            | {"findings": [mended], "verdict": "working"})
    placed = consequence(changed, view.site.demand, view.storage, as_of=sample.AS_OF)
    assert placed.class_code == "all_well" and placed.water_lost_m3_day == 0.0


def test_less_stored_water_never_ranks_lower():
    places = [CLASS_CODES.index(_placed(sample.clogged_view(), storage=Storage(200.0, usable)).class_code)
              for usable in (0.0, 0.5, 2.0, 10.0, 60.0, 200.0)]
    assert places == sorted(places) and places[0] < places[-1]


def test_silent_days_count_up_to_the_day_asked_about():
    days = sample.sample_days(1)
    assert silent_days(days, sample.AS_OF) == 0
    assert silent_days(days, date(2025, 9, 4)) == 4
    assert silent_days(days.iloc[:0], sample.AS_OF) == 0
