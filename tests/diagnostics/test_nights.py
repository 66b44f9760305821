"""Night after night gives what a run from nothing gives; a new day that leaves what stands is weighed at once."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from diagnostics.diagnose import diagnose_site
from diagnostics.nights import Preparation, bring_up, end_of, last_weighed, light_night, weigh_night, window_of
from diagnostics.nights.standing import WEEK_DAYS, YOUNG_DAYS, left_by, weighs_by_calendar
from diagnostics.nights.walk import cut, first_day_of
from diagnostics.proving.drawing import draw_site
from diagnostics.proving.planting import PlantedFault
from diagnostics.proving.simulate import simulate_many
from diagnostics.quality.masking import masked
from diagnostics.readings import SiteReadings
from diagnostics.results import ServiceEvent

pytestmark = pytest.mark.slow

START = date(2025, 3, 1)
DAYS = 54
STEP_DAY, RAMP_DAY = 46, 38
MASKS = Preparation(masks=lambda site, readings: masked(site, readings) if len(readings.values) else readings)


@pytest.fixture(scope="module")
def plants():
    """Run one pump three times on one sky: sound, with a drive that stops on a day, and with dust that grows."""
    drawn = [draw_site(np.random.default_rng(7), "centrifugal_submersible", "tracking", "veld", number=7,
                       sensors="array, tank", step_s=3600.0)] * 3
    faults = [(), (PlantedFault("drive_stopped", float(STEP_DAY), 1.0, "step", 0.0),),
              (PlantedFault("soiled_array", float(RAMP_DAY), 0.35, "ramp", 15.0),)]
    ran = simulate_many([one.truth for one in drawn], start_day=START, days=DAYS, rng=np.random.default_rng(11),
                        faults=faults, inner_step_s=3600.0)
    return drawn[0].site, dict(zip(("sound", "step", "ramp"), (one.readings for one in ran), strict=True))


def last_day(readings, site):
    return readings.mid_interval_utc()[-1].tz_convert(site.timezone).date()


def night_by_night(site, readings, first, last, **more):
    """Go through the nights one after the other, each on the readings that were there by then."""
    before, day = None, first
    while day <= last:
        known = cut(readings, None, end_of(site, day))
        before = bring_up(site, known, day, preparation=MASKS, before=before, **more)
        day += timedelta(days=1)
    return before


def same(one, other):
    """Hold two results against each other to the last bit."""
    for frame in ("days", "summaries", "intervals"):
        pd.testing.assert_frame_equal(getattr(one, frame), getattr(other, frame), check_exact=True)
    for part in ("findings", "states", "accounts", "proofs", "verdict", "verdict_says", "notes", "weighed_on"):
        assert getattr(one, part) == getattr(other, part), part


def with_gap(readings, site):
    start, stop = end_of(site, START + timedelta(days=44)), end_of(site, START + timedelta(days=45))
    keep = (readings.values.index <= start) | (readings.values.index > stop)
    return SiteReadings(readings.site_id, readings.values[keep], readings.masks[keep], readings.interval_s[keep])


def washed(site):
    return [ServiceEvent(site_id=site.id, when_utc=datetime(2025, 4, 19, 9, tzinfo=UTC), action="washed_array",
                         meant_for="soiled_array")]


@pytest.mark.parametrize("case", ["sound", "step", "ramp", "gap", "service"])
def test_nights_one_after_the_other_give_what_a_run_from_nothing_gives(plants, case):
    site, records = plants
    readings = {"gap": lambda: with_gap(records["sound"], site),
                "service": lambda: records["ramp"]}.get(case, lambda: records[case])()
    events = washed(site) if case == "service" else []
    last = last_day(readings, site)
    # Ends on the last night but one before a weighing by the calendar, so that most of the week is reckoned by day.
    end = next(day for day in (last - timedelta(days=back) for back in range(WEEK_DAYS))
               if weighs_by_calendar(site.id, day + timedelta(days=2)))
    by_night, kept = night_by_night(site, readings, end - timedelta(days=15), end, events=events)
    at_once, night = bring_up(site, readings, end, events=events, preparation=MASKS)
    same(by_night, at_once)
    assert kept.weighed_on == night.weighed_on <= end
    np.testing.assert_array_equal(kept.off, night.off)
    assert by_night.weighed_on is not None and len(by_night.days) == (end - START).days + 1


def test_a_pump_that_stops_is_weighed_on_the_very_day(plants):
    site, records = plants
    stop = START + timedelta(days=STEP_DAY)
    _, night = weigh_night(site, records["step"], stop - timedelta(days=1), preparation=MASKS)
    why = light_night(site, night, window_of(site, records["step"], stop), stop, preparation=MASKS)
    assert isinstance(why, str) and why
    sound = light_night(site, night, window_of(site, records["sound"], stop), stop, preparation=MASKS)
    assert not isinstance(sound, str), sound


def test_sound_nights_seldom_ask_for_a_weighing(plants):
    """Of the nights that the calendar leaves, a sound site's are weighed one in ten at most."""
    site, records = plants
    asked = nights = 0
    for first in range(YOUNG_DAYS + 2, DAYS - 7, 7):
        _, night = weigh_night(site, records["sound"], START + timedelta(days=first), preparation=MASKS)
        for ahead in range(1, 7):
            day = START + timedelta(days=first + ahead)
            found = light_night(site, night, window_of(site, records["sound"], day), day, preparation=MASKS)
            nights += 1
            if isinstance(found, str):
                asked += 1
                break
            night = found.night
    assert nights > 10 and asked <= 0.1 * nights + 1


def test_a_new_day_says_what_a_weighing_says_of_it(plants):
    """Water, sun and summaries of a day reckoned alone are those of the whole record; only what is learned may move."""
    site, records = plants
    end = START + timedelta(days=50)
    while weighs_by_calendar(site.id, end):
        end += timedelta(days=1)
    by_rule, night = bring_up(site, records["sound"], end, preparation=MASKS)
    assert night.weighed_on < end
    until = end_of(site, end)
    whole = diagnose_site(site, masked(site, cut(records["sound"], None, until)), as_of_utc=until)
    for name in ("delivered_m3", "seen_m3", "irradiation_kwh_m2", "sun_hours", "judged_sun_hours"):
        assert by_rule.days[name].iloc[-1] == pytest.approx(whole.days[name].iloc[-1], rel=1e-9), name
    assert by_rule.days["expected_m3"].iloc[-1] == pytest.approx(whole.days["expected_m3"].iloc[-1], rel=0.02)
    one, other = by_rule.summaries.iloc[-1], whole.summaries.iloc[-1]
    known = [name for name in one.index if name not in ("night_temperature", "night_use", "tank_free_rise")]
    np.testing.assert_allclose(one[known], other[known], atol=0.02, equal_nan=True)
    account = by_rule.accounts[-1]
    assert sum(line.volume_m3 for line in account.lines) == pytest.approx(account.expected_m3, abs=1e-9)


def test_silence_young_records_and_service_work_are_weighed_every_night(plants):
    site, records = plants
    known = cut(records["sound"], None, end_of(site, START + timedelta(days=45)))
    later = START + timedelta(days=49)
    diagnosis, night = bring_up(site, known, later, preparation=MASKS)
    assert night.every_night == "Its logger is silent." and diagnosis.weighed_on == later
    assert any(finding.cause == "logger_silent" for finding in diagnosis.findings)
    first = first_day_of(site, records["sound"])
    young = first + timedelta(days=12)
    assert last_weighed(site, young, first, []) == young
    event = washed(site)
    assert last_weighed(site, date(2025, 4, 19), first, event) == date(2025, 4, 19)


def test_the_calendar_weighs_every_site_once_a_week_and_spreads_the_fleet():
    monday = date(2026, 6, 1)
    taken = []
    for number in range(200):
        days = [weighs_by_calendar(f"site-{number}", monday + timedelta(days=day)) for day in range(WEEK_DAYS)]
        assert sum(days) == 1
        taken.append(days.index(True))
    assert np.bincount(taken, minlength=WEEK_DAYS).min() > 15       # of 29 on a day's average


def test_a_moderate_step_is_asked_after_within_two_days(plants):
    """A shift of three and a half standard deviations passes the bound of one day and not that of two."""
    site, records = plants
    _, night = weigh_night(site, records["sound"], START + timedelta(days=50), preparation=MASKS)
    night = replace(night, bounds=np.repeat([[4.5], [3.2], [2.7]], night.bounds.shape[1], axis=1),
                    off=np.zeros_like(night.off))
    shifted = np.full(night.level.shape, np.nan)
    shifted[14] = 3.5
    assert left_by(night, shifted) == ""
    assert "2 day(s)" in left_by(replace(night, off=np.vstack([night.off, shifted])), shifted)
