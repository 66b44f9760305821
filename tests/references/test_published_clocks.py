"""Clock changes as the IANA time-zone database publishes them, through stamps at ingest and days of a site."""

import numpy as np
import pandas as pd
import pytest

from diagnostics.evidence.intervals import local_days
from diagnostics.readings import SiteReadings
from diagnostics.site import Site
from pipelines.ingest.stamps import StampRule, to_utc
from tests.references.published import case, rows

EVERYTHING = ["array", "drive", "pump", "well", "pipework"]
CHANGES = [row for row in rows("09_dst_transitions_2024.csv") if row.instant_utc.endswith("Z")]


def station(zone):
    return Site.model_validate({"id": "clock", "name": "Clock", "latitude_deg": 0, "longitude_deg": 0, "altitude_m": 0,
                                "timezone": zone, "installed_on": "2024-01-01", "parts_absent": EVERYTHING})


def readings(zone, first_day, days):
    start = pd.Timestamp(first_day, tz=zone)
    end = start + pd.DateOffset(days=days)
    index = pd.date_range(start.tz_convert("UTC"), end.tz_convert("UTC"), freq="15min", inclusive="right",
                          name="interval_end_utc")
    values = pd.DataFrame({"flow_m3_s": 1.0}, index=index)
    return SiteReadings("clock", values, pd.DataFrame(0, index=index, columns=values.columns),
                        pd.Series(900.0, index=index))


# IANA time-zone database (tzdata), clock changes of 2024 in UTC with the offset before and after.
@pytest.mark.parametrize("row", CHANGES, ids=lambda row: f"{row.zone} {row.instant_utc}")
def test_local_stamps_around_a_clock_change_come_back_to_the_utc_they_were_written_at(row):
    change = pd.Timestamp(row.instant_utc)
    utc = pd.date_range(change - pd.Timedelta(hours=6), change + pd.Timedelta(hours=6), freq="15min")
    offset = np.where(utc < change, row.offset_before_min, row.offset_after_min)
    wall = pd.DatetimeIndex(utc.tz_localize(None) + pd.to_timedelta(offset, unit="min"))
    back, found = to_utc(wall, np.zeros(len(wall), dtype=np.int64), row.zone)
    assert (found == StampRule.SOUND).all()
    assert (back == utc).all()


# US rule of 2024: at 02:00 on 10 March clocks in Denver go to 03:00; 02:30 is on no clock.
def test_a_time_that_no_clock_showed_is_marked_and_not_moved():
    test = case("09_dates.json", "spring gap")
    _, found = to_utc(pd.DatetimeIndex([test["inputs"]["local"]]), np.zeros(1, dtype=np.int64), "America/Denver")
    assert found.tolist() == [StampRule.NOT_ON_CLOCK]


def test_an_hour_that_occurs_twice_gives_both_published_instants():
    test = case("09_dates.json", "autumn overlap")
    local = pd.DatetimeIndex(["2024-11-03T01:00", test["inputs"]["local"], "2024-11-03T01:00", test["inputs"]["local"]])
    back, found = to_utc(local, np.zeros(4, dtype=np.int64), "America/Denver")
    assert (found == StampRule.SOUND).all()
    assert back[1] == pd.Timestamp(test["expected"]["first_utc"])
    assert back[3] == pd.Timestamp(test["expected"]["second_utc"])


# 09_dates.json: a quarter-hour logger writes 92, 96 and 100 records in a local day around the changes of 2024.
@pytest.mark.parametrize(("day", "records"), list(zip(
    case("09_dates.json", "15-minute")["inputs"]["dates"], case("09_dates.json", "15-minute")["expected"]["records"],
    strict=True)))
def test_a_day_of_a_site_is_its_own_local_day_of_23_24_or_25_hours(day, records):
    before = (pd.Timestamp(day) - pd.Timedelta(days=1)).date().isoformat()
    position, days, _ = local_days(station("America/Denver"), readings("America/Denver", before, 3), None)
    where = [str(one) for one in days].index(day)
    assert int(np.sum(position == where)) == records


# 09_dst_transitions_2024.csv: Arizona keeps one offset the whole year.
def test_a_zone_without_clock_changes_has_days_of_24_hours_only():
    position, _, _ = local_days(station("America/Phoenix"), readings("America/Phoenix", "2024-03-01", 30), None)
    assert set(np.bincount(position)) == {96}
