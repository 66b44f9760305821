"""Dates and months as people write them, turned into the moment a fleet is judged at."""

from datetime import UTC, date, datetime

import pytest

from pipelines.errors import MomentError
from pipelines.stages.moments import last_day_of_month, last_full_month, parse_moment, parse_month


def test_a_date_means_the_end_of_that_local_day():
    # Nairobi is UTC+3 all year: its 31 March ends at 21:00 UTC.
    assert parse_moment("2026-03-31", "Africa/Nairobi") == datetime(2026, 3, 31, 21, tzinfo=UTC)


def test_the_end_of_a_23_hour_day_is_right():
    # Spain set clocks forward on 29 March 2026: that day ends at 22:00 UTC (UTC+2), it began at 23:00 UTC (UTC+1).
    assert parse_moment("2026-03-29", "Europe/Madrid") == datetime(2026, 3, 29, 22, tzinfo=UTC)
    assert parse_moment("2026-03-28", "Europe/Madrid") == datetime(2026, 3, 28, 23, tzinfo=UTC)


def test_a_time_without_zone_is_local_and_one_with_zone_is_kept():
    assert parse_moment("2026-03-31 14:00", "Africa/Nairobi") == datetime(2026, 3, 31, 11, tzinfo=UTC)
    assert parse_moment("2026-03-31T11:00:00Z", "Africa/Nairobi") == datetime(2026, 3, 31, 11, tzinfo=UTC)


@pytest.mark.parametrize("written", ["", "31.3.2026", "2026-02-30", "yesterday", "9999-12-31", "2026-13-01"])
def test_an_unreadable_time_names_the_ways_to_write_one(written):
    with pytest.raises(MomentError, match="2026-03-31"):
        parse_moment(written, "Africa/Nairobi")


def test_months():
    assert parse_month("2028-02") == (date(2028, 2, 1), date(2028, 2, 29))
    assert last_day_of_month(date(2026, 12, 5)) == date(2026, 12, 31)
    for wrong in ("2026-13", "2026-3", "March", "0000-01"):
        with pytest.raises(MomentError, match="2026-03"):
            parse_month(wrong)


def test_the_last_full_month_is_the_local_one():
    # 31 March 22:00 UTC is already April in Nairobi, so March is over there; in Lisbon it is not.
    at = datetime(2026, 3, 31, 23, 30, tzinfo=UTC)
    assert last_full_month(at, "Africa/Nairobi") == "2026-03"
    assert last_full_month(datetime(2026, 3, 31, 20, tzinfo=UTC), "Africa/Nairobi") == "2026-02"
    assert last_full_month(at, "Atlantic/Azores") == "2026-02"
