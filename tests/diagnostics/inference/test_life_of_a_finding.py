"""Night after night on one plant: a clog comes, grows, is mended; no flicker, never two findings for one cause."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from diagnostics.diagnose import diagnose_site
from diagnostics.proving.drawing import draw_site
from diagnostics.proving.planting import PlantedFault
from diagnostics.proving.simulate import simulate
from diagnostics.readings import SiteReadings
from diagnostics.results import ServiceEvent

FIRST, DAYS = date(2025, 4, 1), 110
BEGINS, MENDED = 45, 80
NIGHTS = (40, 56, 66, 76, 82, 88, 92, 110)
OPEN = {"new", "growing", "steady", "relapsed"}


@pytest.fixture(scope="module")
def plant():
    drawn = draw_site(np.random.default_rng(1001), "centrifugal_submersible", "tracking", number=1, sensors="rich",
                      step_s=900.0)
    fault = PlantedFault("clogged_intake", BEGINS, 0.9, "ramp", ramp_days=20.0, end_day=MENDED)
    return drawn.site, simulate(drawn.truth, start_day=FIRST, days=DAYS, rng=np.random.default_rng(5), faults=[fault],
                                inner_step_s=300.0).readings


@pytest.fixture(scope="module")
def nights(plant):
    """Return the diagnosis of each night, from the readings and the service log as they stood then."""
    site, readings = plant
    return {night: _as_of(site, readings, night) for night in NIGHTS}


def _midnight(site, night):
    return pd.Timestamp(FIRST + timedelta(days=night)).tz_localize(site.timezone).tz_convert("UTC")


def _until(readings, moment):
    kept = readings.values.index <= moment
    return SiteReadings(readings.site_id, readings.values[kept], readings.masks[kept], readings.interval_s[kept])


def _log(site, moment):
    when = datetime(2025, 4, 1, 16, tzinfo=UTC) + timedelta(days=MENDED - 1)
    work = ServiceEvent(site_id=site.id, when_utc=when, action="cleaned_intake", meant_for="clogged_intake")
    return [work] if pd.Timestamp(when) <= moment else []


def _as_of(site, readings, night):
    moment = _midnight(site, night)
    return diagnose_site(site, _until(readings, moment), service_events=_log(site, moment), as_of_utc=moment)


def _clogs(diagnosis):
    return [one for one in diagnosis.findings if one.cause == "clogged_intake"]


def test_nothing_is_found_before_it_begins(nights):
    assert not nights[40].findings


def test_it_is_one_finding_each_night_and_no_cause_is_named_twice(nights):
    for night, diagnosis in nights.items():
        causes = [one.cause for one in diagnosis.findings]
        assert len(causes) == len(set(causes)), f"night {night}: {causes}"
        if night >= 66:
            assert len(_clogs(diagnosis)) == 1, f"night {night}: {causes}"


def test_its_life_runs_one_way_without_flicker(nights):
    seen = {night: _clogs(diagnosis)[0].status for night, diagnosis in nights.items() if _clogs(diagnosis)}
    first = min(seen)
    assert all(night in seen for night in NIGHTS if night >= first), f"it came and went: {seen}"
    stages = {"new": 0, "growing": 1, "steady": 2, "mended": 3, "healed": 3, "relapsed": 9}
    walked = [stages[seen[night]] for night in sorted(seen)]
    assert walked == sorted(walked), seen
    assert all(seen[night] in OPEN for night in seen if night < MENDED), seen
    assert {seen[night] for night in seen if night >= MENDED + 6} == {"mended"}, seen


def test_its_onset_stays_where_it_was(nights):
    onsets = [(_clogs(nights[night])[0].onset - FIRST).days for night in NIGHTS if night >= 66]
    assert max(onsets) - min(onsets) <= 7, onsets
    assert all(abs(onset - BEGINS) <= 10 for onset in onsets), onsets


def test_the_same_record_weighed_again_gives_the_same(plant, nights):
    site, readings = plant
    again = _as_of(site, readings, 92)
    assert again.findings == nights[92].findings
    pd.testing.assert_frame_equal(again.days, nights[92].days)
