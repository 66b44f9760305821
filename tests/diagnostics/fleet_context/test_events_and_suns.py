"""One event over many sites, sensors against their neighbours: made records, and plants of other physics."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from made_readings import centrifugal_site

from diagnostics.diagnose import diagnose_site
from diagnostics.fleet_context import fleet_context
from diagnostics.fleet_context.events import fleet_events
from diagnostics.fleet_context.neighbourhood import distances_km, sharing_sky, sharing_water
from diagnostics.fleet_context.sun_check import sun_checks
from diagnostics.proving.drawing import draw_site
from diagnostics.proving.planting import PlantedFault
from diagnostics.proving.simulate import simulate_many
from diagnostics.results import Finding, SiteDiagnosis
from diagnostics.site import Site

FIRST, DAYS = date(2025, 3, 1), 150


def _finding(site_id, onset, cause="soiled_array", **more):
    kept = {"site_id": site_id, "cause": cause, "confidence": 0.9, "onset": onset, "onset_low": onset,
            "onset_high": onset, "onset_shape": "step", "last_seen": onset + timedelta(days=30), "size": 0.1,
            "size_low": 0.08, "size_high": 0.12, "size_unit": "1", "size_means": "", "water_lost_m3_day": 1.0,
            "water_lost_low_m3_day": 0.5, "water_lost_high_m3_day": 1.5, "evidence": [], "rivals": [], "next_test": ""}
    return Finding(**(kept | more))


def _diagnosis(site_id, findings=(), **summaries):
    index = pd.Index([FIRST + timedelta(days=n) for n in range(DAYS)], name="day")
    days = pd.DataFrame({"judged": True}, index=index)
    return SiteDiagnosis(site_id, days, pd.DataFrame(summaries, index=index), pd.DataFrame(), list(findings), [], [])


def _sites(*ids, **changes):
    return {one: centrifugal_site(id=one, latitude_deg=33.0 + 0.03 * n, region="Plain", **changes)
            for n, one in enumerate(ids)}


def test_a_degree_of_latitude_is_its_length_on_the_sphere():
    # pi/180 of 6371 km; the metre was defined so that a quadrant is 10 000 km, hence 111.1 km within 0.1 %.
    one, other = centrifugal_site(id="a", latitude_deg=33.0), centrifugal_site(id="b", latitude_deg=34.0)
    away = distances_km([one, other])
    assert away[0, 1] == pytest.approx(1e4 / 90.0, rel=1.5e-3)
    assert away[0, 0] == 0.0 and away[1, 0] == away[0, 1]


def test_sky_is_shared_by_distance_and_water_by_the_word_on_the_sheet():
    near, far = centrifugal_site(id="a"), centrifugal_site(id="b", latitude_deg=36.0)
    assert not sharing_sky([near, far]).any()
    named = [centrifugal_site(id=one, latitude_deg=lat, aquifer=word)
             for one, lat, word in (("a", 33.0, "Sands"), ("b", 33.2, "Sands"), ("c", 33.0, "Chalk"))]
    assert sharing_water(named).tolist() == [[False, True, False], [True, False, False], [False, False, False]]
    assert sharing_water([near, centrifugal_site(id="b")])[0, 1]        # unnamed, but near and alike in depth


def test_dust_of_one_day_at_four_of_six_sites_is_one_event():
    ids = ("a", "b", "c", "d", "e", "f")
    storm = FIRST + timedelta(days=60)
    clean = np.zeros(DAYS)
    found = {one: _diagnosis(one, [_finding(one, storm + timedelta(days=n % 2))], current_high_sun=clean)
             for n, one in enumerate(ids[:4])} | {one: _diagnosis(one, current_high_sun=clean) for one in ids[4:]}
    events = fleet_events(_sites(*ids), found)
    assert len(events) == 1
    event = events[0]
    assert event.kind == "dust" and event.sites == ["a", "c", "b", "d"] and event.untouched == ["e", "f"]
    assert event.confidence > 0.85 and event.water_lost_m3_day == 4.0
    assert event.first_day == storm and event.where == "Plain"


def test_two_findings_weeks_apart_or_under_different_skies_are_no_event():
    early, late = FIRST + timedelta(days=30), FIRST + timedelta(days=75)
    found = {"a": _diagnosis("a", [_finding("a", early)]), "b": _diagnosis("b", [_finding("b", late)])}
    assert fleet_events(_sites("a", "b"), found) == []
    far = {"a": centrifugal_site(id="a"), "b": centrifugal_site(id="b", latitude_deg=40.0)}
    same_day = {one: _diagnosis(one, [_finding(one, early)]) for one in far}
    assert fleet_events(far, same_day) == []


def test_two_that_come_together_by_chance_among_many_are_held_less_sure_than_four():
    storm = FIRST + timedelta(days=60)
    ids = tuple("abcdefgh")
    spread = [FIRST + timedelta(days=20 + 17 * n) for n in range(6)]
    two = {one: _diagnosis(one, [_finding(one, onset)], current_high_sun=np.zeros(DAYS))
           for one, onset in zip(ids, [storm, storm + timedelta(days=4), *spread], strict=True)}
    weak = max(event.confidence for event in fleet_events(_sites(*ids), two))
    strong = {one: _diagnosis(one, [_finding(one, storm)]) for one in ids[:4]}
    assert weak < 0.6 < fleet_events(_sites(*ids), strong)[0].confidence


def test_a_finding_of_one_site_alone_is_called_local():
    fell = np.where(np.arange(DAYS) >= 60, 0.1, 0.0)
    found = {"a": _diagnosis("a", [_finding("a", FIRST + timedelta(days=60), "falling_water_table", size_unit="m")],
                             static_level=fell),
             "b": _diagnosis("b", static_level=np.zeros(DAYS)), "c": _diagnosis("c", static_level=np.zeros(DAYS))}
    beside = fleet_context(_sites("a", "b", "c", aquifer="Sands"), found).beside
    assert [(one.site_id, one.outcome, one.neighbours) for one in beside] == [("a", "local", ["b", "c"])]


def _suns(low=0.0, since=0, seed=3, sites=5):
    rng = np.random.default_rng(seed)
    sky = rng.normal(0.0, 0.03, DAYS)
    clear = rng.random(DAYS) < 0.5
    found = {}
    for n in range(sites):
        own = rng.normal(0.0, 0.015) + sky + rng.normal(0.0, 0.01, DAYS)
        if n == 0:
            own = own + np.where(np.arange(DAYS) >= since, low, 0.0)
        found[f"s{n}"] = _diagnosis(f"s{n}", clear_sky=np.where(clear, own, np.nan))
    return {check.site_id: check for check in sun_checks(_sites(*found), found)}


@pytest.mark.parametrize("low", [-0.12, -0.08, 0.1])
def test_a_sensor_that_leaves_its_neighbours_is_found_with_its_day_and_size(low):
    check = _suns(low, since=80)["s0"]
    assert check.outcome == ("reads low" if low < 0 else "reads high")
    assert abs((check.since - FIRST).days - 80) <= 4
    assert check.ratio / check.before == pytest.approx(1.0 + low, abs=0.02)


def test_sound_sensors_agree_and_a_common_haze_is_nobody_s_fault():
    wrong = sum(check.outcome != "agrees" for seed in range(20) for check in _suns(seed=seed).values())
    assert wrong <= 2       # of a hundred


def test_two_sites_alone_judge_no_sensor():
    assert _suns(-0.2, sites=2) == {}


@pytest.fixture(scope="module")
def falling_aquifer():
    """Return four wells of one aquifer: it falls at three, the fourth taps a deeper bed and stands steady."""
    drawn = draw_site(np.random.default_rng(1000), "centrifugal_submersible", "tracking", number=0,
                      sensors="array, well", step_s=900.0)
    plants, faults = [], []
    for n in range(4):
        site = drawn.site.replaced(id=f"well-{n}", latitude_deg=drawn.site.latitude_deg + 0.04 * n, aquifer="Sands")
        plants.append(replace(drawn.truth, site=site, region_seed=7))
        fall = PlantedFault("falling_water_table", 45.0 + 2 * n, 0.2 * drawn.truth.machine.head_m, "ramp", 15.0)
        faults.append([fall] if n < 3 else [])
    ran = simulate_many(plants, start_day=FIRST, days=90, rng=np.random.default_rng(2), faults=faults,
                        inner_step_s=300.0)
    sites: dict[str, Site] = {plant.site.id: plant.site for plant in plants}
    return sites, {one.plant.site.id: diagnose_site(one.plant.site, one.readings) for one in ran}


def test_a_falling_aquifer_is_one_event_over_its_wells(falling_aquifer):
    sites, diagnoses = falling_aquifer
    context = fleet_context(sites, diagnoses)
    assert len(context.events) == 1
    event = context.events[0]
    assert event.kind == "falling_groundwater" and set(event.sites) == {"well-0", "well-1", "well-2"}
    assert event.untouched == ["well-3"] and event.confidence > 0.6
    assert abs((event.first_day - FIRST).days - 45) <= 12
    assert all(one.outcome == "shared" for one in context.beside if one.cause == "falling_water_table")
    assert not any(check.outcome.startswith("reads") for check in context.sun)
