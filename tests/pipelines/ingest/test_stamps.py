"""Local clocks: hours that do not exist, hours that occur twice, offsets, parts of dates, starts and ends."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from diagnostics.readings import Mask
from pipelines.ingest.one_file import read_logger_file
from pipelines.ingest.profile import LoggerProfile
from pipelines.ingest.stamps import StampRule, to_utc

BERLIN = "Europe/Berlin"


def read(tmp_path: Path, lines: list[str], header: str = "t,V", site_zone: str = "UTC", **time: object):
    path = tmp_path / "file.csv"
    path.write_text(header + "\n" + "\n".join(lines) + "\n", encoding="utf-8")
    profile = LoggerProfile.model_validate({
        "key": "p", "time": {"columns": ["t"], "zone": "UTC", **time},
        "channels": {"V": {"channel": "array_voltage_v"}}, "ignored_columns": ["*"]})
    return read_logger_file(path, profile, site_zone=site_zone)


def utc(found) -> list[str]:
    return [f"{stamp:%d %H:%M}" for stamp in found.rows["interval_end_utc"]]


# Central European clocks went back at 03:00 summer time on 26 Oct 2025 and forward at 02:00 on 30 Mar 2025.
def test_an_hour_that_occurs_twice_is_told_by_the_order_of_rows(tmp_path):
    lines = [f"2025-10-26 0{hour}:{minute},1" for hour, minute in
             [(1, "30"), (2, "00"), (2, "30"), (2, "00"), (2, "30"), (3, "00")]]
    found = read(tmp_path, lines, zone=BERLIN)
    assert utc(found) == ["25 23:30", "26 00:00", "26 00:30", "26 01:00", "26 01:30", "26 02:00"]
    assert (found.rows["array_voltage_v__mask"] == 0).all() and (found.rows["interval_s"] == 1800).all()


def test_an_hour_that_occurs_twice_but_stands_once_is_taken_and_marked(tmp_path):
    found = read(tmp_path, ["2025-10-26 01:30,1", "2025-10-26 02:00,1", "2025-10-26 02:30,1", "2025-10-26 03:00,1"],
                 zone=BERLIN)
    assert list(found.rows["array_voltage_v__mask"]) == [0, Mask.CLOCK, Mask.CLOCK, 0]
    assert found.quarantine["rule"].str.contains("occurs twice").tolist() == [True, True]


def test_an_hour_that_does_not_exist_is_kept_out_and_named(tmp_path):
    found = read(tmp_path, ["2025-03-30 01:30,1", "2025-03-30 02:30,1", "2025-03-30 03:00,1"], zone=BERLIN)
    assert utc(found) == ["30 00:30", "30 01:00"]
    assert list(found.quarantine["line"]) == [3] and "does not exist" in found.quarantine["rule"].iloc[0]


def test_a_logger_on_standard_time_all_year_has_its_offset(tmp_path):
    found = read(tmp_path, ["2025-03-30 01:30,1", "2025-03-30 02:30,1", "2025-03-30 03:00,1"], zone="+01:00")
    assert utc(found) == ["30 00:30", "30 01:30", "30 02:00"]


def test_two_loggers_in_one_file_each_have_their_own_doubled_hour():
    local = pd.DatetimeIndex(["2025-10-26 02:00", "2025-10-26 02:00", "2025-10-26 02:00", "2025-10-26 02:00"])
    stamps, rules = to_utc(local, np.array([1, 2, 1, 2]), BERLIN)
    assert [stamp.hour for stamp in stamps] == [0, 0, 1, 1] and not rules.any()


def test_a_whole_year_of_local_hours_comes_back(tmp_path):
    truth = pd.date_range("2025-01-01", "2026-01-01", freq="30min", tz="UTC")
    stamps, rules = to_utc(truth.tz_convert(BERLIN).tz_localize(None), np.zeros(len(truth), dtype="int64"), BERLIN)
    assert (stamps == truth).all() and not rules.any()
    half = pd.date_range("2026-01-01", "2026-12-31", freq="10min", tz="UTC")
    stamps, rules = to_utc(half.tz_convert("Australia/Lord_Howe").tz_localize(None), np.zeros(len(half), "int64"),
                           "Australia/Lord_Howe")
    assert (stamps == half).all() and not rules.any()       # clocks there move by half an hour


@pytest.mark.parametrize(("written", "time", "expected"), [
    ("2026-01-01T10:00:00+03:00", {"zone": "in_stamp"}, "01 07:00"),
    ("2026-01-01T10:00:00Z", {"zone": "in_stamp"}, "01 10:00"),
    ("2026-01-01T10:00:00", {"zone": "in_stamp"}, None),
    ("2026-01-01T10:00:00+03:00", {"zone": "UTC"}, None),       # the file contradicts the profile
    ("2026-01-01T10:00:00Z", {"zone": "UTC"}, "01 10:00"),
    ("2026-01-01", {"zone": "UTC"}, "01 00:00"),
    ("1767261600", {"format": "epoch_s"}, "01 10:00"),
    ("1767261600000", {"format": "epoch_ms"}, "01 10:00"),
    ("46023.416666667", {"format": "spreadsheet_days"}, "01 10:00"),
    ("1/1/2026 9:05", {"format": "%m/%d/%Y %H:%M"}, "01 09:05"),
    ("29.02.2028 10:00", {"format": "%d.%m.%Y %H:%M"}, "29 10:00"),
    ("29.02.2026 10:00", {"format": "%d.%m.%Y %H:%M"}, None),
    ("1970-01-01 00:05", {}, None),                             # a clock that was reset to its epoch
    ("2000-01-01 00:05", {"earliest_year": 2005}, None),
    ("2026-01-01 10:00", {"zone": "site"}, "01 07:00"),
])
def test_stamps_as_they_are_written(tmp_path, written, time, expected):
    found = read(tmp_path, [f"{written},1"], site_zone="Africa/Nairobi", **time)
    assert utc(found) == ([expected] if expected else [])
    assert len(found.quarantine) == (0 if expected else 1)


def test_year_day_and_minutes_apart_and_24_o_clock(tmp_path):
    path = tmp_path / "parts.csv"
    path.write_text("y,d,hm,V\n2024,60,930,1\n2024,366,2400,2\n24,1,5,3\n2024,400,0,4\n2024,1,975,5\n", encoding="utf-8")  # noqa: E501
    profile = LoggerProfile.model_validate({
        "key": "p", "time": {"parts": {"year": "y", "day_of_year": "d", "hhmm": "hm"}, "zone": "UTC"},
        "channels": {"V": {"channel": "array_voltage_v"}}})
    found = read_logger_file(path, profile)
    assert {str(stamp) for stamp in found.rows["interval_end_utc"]} == {
        "2024-02-29 09:30:00", "2025-01-01 00:00:00", "2024-01-01 00:05:00"}
    assert list(found.quarantine["line"]) == [5, 6]


def test_stamps_at_the_start_are_moved_to_the_end(tmp_path):
    lines = [f"2026-01-01 10:{minute:02d},1" for minute in (0, 10, 20)]
    assert utc(read(tmp_path, lines, stamp="start")) == ["01 10:10", "01 10:20", "01 10:30"]
    assert utc(read(tmp_path, lines, stamp="start", interval_s=60)) == ["01 10:01", "01 10:11", "01 10:21"]


def test_intervals_follow_the_stamps_through_gaps_and_changes_of_step(tmp_path):
    minutes = [0, 10, 20, 50, 60, 61, 62, 63]
    lines = [f"2026-01-01 {10 + minute // 60}:{minute % 60:02d},1" for minute in minutes]
    assert read(tmp_path, lines).rows["interval_s"].tolist() == [600, 600, 600, 600, 60, 60, 60, 60]


def test_rows_out_of_order_and_repeated_headers_are_taken(tmp_path):
    found = read(tmp_path, ["2026-01-01 10:20,3", "2026-01-01 10:10,2", "t,V", "2026-01-01 10:30,4"])
    assert sorted(found.rows["array_voltage_v"]) == [2, 3, 4] and len(found.quarantine) == 0
    assert (found.rows["interval_s"] == 600).all()


def test_rules_have_words():
    from pipelines.ingest.stamps import STAMP_SAYS

    assert set(STAMP_SAYS) == {int(rule) for rule in StampRule} - {0}


@pytest.mark.parametrize(("form", "written"), [
    ("iso", "2026-02-28 24:00"), ("iso", "2026-02-28T24:00:00"), ("%d.%m.%Y %H:%M", "28.02.2026 24:00"),
    ("%m/%d/%Y %H:%M:%S", "02/28/2026 24:00:00")])
def test_24_00_is_the_midnight_that_ends_the_day(form, written, tmp_path):
    # ISO 8601:2004 4.2.3 b), end of a calendar day
    path = tmp_path / "a.csv"
    path.write_text(f"t,V\n{written},100\n", encoding="utf-8")
    profile = LoggerProfile.model_validate({"key": "p", "time": {"columns": ["t"], "format": form, "zone": "UTC"},
                                            "channels": {"V": {"channel": "array_voltage_v"}}})
    found = read_logger_file(path, profile)
    assert [str(stamp)[:19] for stamp in found.rows["interval_end_utc"]] == ["2026-03-01 00:00:00"]


@pytest.mark.parametrize("written", ["2026-02-28 24:01", "2026-02-28 25:00", "2026-02-30 24:00", "24:00"])
def test_other_hours_beyond_the_day_stay_unreadable(written, tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(f"t,V\n{written},100\n", encoding="utf-8")
    profile = LoggerProfile.model_validate({"key": "p", "time": {"columns": ["t"], "zone": "UTC"},
                                            "channels": {"V": {"channel": "array_voltage_v"}}})
    found = read_logger_file(path, profile)
    assert len(found.rows) == 0 and len(found.quarantine) == 1
