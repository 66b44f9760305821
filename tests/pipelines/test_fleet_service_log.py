"""The service log: rows become events in UTC, a row that cannot be read is a problem with its line."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from diagnostics.causes import CAUSES
from diagnostics.service_actions import SERVICE_ACTIONS
from pipelines.fleet.service_log import COLUMNS, read_service_log

HEADER = ",".join(COLUMNS)
ZONES = {"well-1": "Africa/Nairobi", "well-2": "America/New_York"}


def read(tmp_path: Path, *rows: str, header: str = HEADER, encoding: str = "utf-8"):
    path = tmp_path / "service-log.csv"
    path.write_bytes("\n".join([header, *rows, ""]).encode(encoding))
    return read_service_log(path, ZONES)


def test_local_time_becomes_utc(tmp_path):
    events, problems = read(tmp_path, 'well-1,2026-03-31 14:30,Amina,washed_array,soiled_array,"dusty, all of it"')
    assert problems == []
    assert events[0].when_utc == datetime(2026, 3, 31, 11, 30, tzinfo=UTC)
    assert (events[0].by, events[0].action, events[0].meant_for, events[0].says) == (
        "Amina", "washed_array", "soiled_array", "dusty, all of it")


def test_a_time_with_its_own_offset_is_taken_as_it_is(tmp_path):
    events, problems = read(tmp_path, "well-1,2026-03-31T14:30:00+01:00,,inspected,,")
    assert events[0].when_utc == datetime(2026, 3, 31, 13, 30, tzinfo=UTC) and not problems


# Clock changes of New York in 2026 (IANA tz database): forward on 8 March at 02:00, back on 1 November at 02:00.
@pytest.mark.parametrize(("when", "utc_hour", "says"), [
    ("2026-11-01 01:30", 5, "happened twice"), ("2026-03-08 02:30", 7, "does not exist"),
    ("2026-11-01 03:30", 8, None), ("2026-07-01 12:00", 16, None)])
def test_the_hour_of_a_clock_change_is_kept_and_said(tmp_path, when, utc_hour, says):
    events, problems = read(tmp_path, f"well-2,{when},,inspected,,")
    assert events[0].when_utc.hour == utc_hour
    assert [says in problem.says for problem in problems] == ([True] if says else [])
    assert all(problem.severity == "warning" for problem in problems)


@pytest.mark.parametrize(("row", "says", "mend"), [
    ("well1,2026-03-31 14:30,,inspected,,", "site 'well1' is not described", "Did you mean 'well-1'?"),
    ("well-1,31.3.2026,,inspected,,", "'31.3.2026' is not a time", "2026-03-31 14:30"),
    ("well-1,0026-03-31 14:30,,inspected,,", "the year", "2026-03-31"),
    ("well-1,,,inspected,,", "'' is not a time", "2026-03-31"),
    ("well-1,2026-03-31 14:30,,,,", "the action is empty", "other"),
    ("well-1,2026-03-31 14:30,,inspected,,dusty, all of it", "7 cells but the header names 6", "double quotes"),
])
def test_a_row_that_cannot_be_read_is_a_problem_with_its_line(tmp_path, row, says, mend):
    events, problems = read(tmp_path, "well-1,2026-01-01 10:00,,inspected,,", "", row)
    assert len(events) == 1, "the sound row is kept"
    assert len(problems) == 1 and problems[0].severity == "error"
    assert problems[0].file == "service-log.csv" and problems[0].where == "line 4"
    assert says in problems[0].says and mend in problems[0].mend


def test_an_unknown_action_is_kept_as_other_and_said(tmp_path):
    events, problems = read(tmp_path, "well-1,2026-03-31 14:30,,wased_array,,")
    assert events[0].action == "other"
    assert problems[0].severity == "warning" and problems[0].mend == "Did you mean 'washed_array'?"


def test_a_cause_nobody_knows_is_said(tmp_path):
    events, problems = read(tmp_path, "well-1,2026-03-31 14:30,,washed_array,soild_array,")
    assert events[0].meant_for == ""
    assert problems[0].severity == "warning" and "Did you mean 'soiled_array'?" in problems[0].mend


def test_a_day_without_an_hour_is_taken_at_noon_and_said(tmp_path):
    events, problems = read(tmp_path, "well-1,2026-03-31,,inspected,,")
    assert events[0].when_utc == datetime(2026, 3, 31, 9, tzinfo=UTC)
    assert "noon is taken" in problems[0].says


@pytest.mark.parametrize(("header", "says"), [
    (HEADER.replace(",", ";"), "separated by semicolons"), ("site_id,when,by", "the column 'action' is missing"),
    (HEADER.replace("says", "remark"), "column 'remark' is not known"),
])
def test_a_wrong_header_is_said(tmp_path, header, says):
    _, problems = read(tmp_path, "well-1,2026-03-31 14:30,,inspected,,", header=header)
    assert any(says in problem.says for problem in problems)


def test_bytes_that_are_no_text_are_a_problem(tmp_path):
    events, problems = read(tmp_path, "well-1,2026-03-31 14:30,Jörg,inspected,,", encoding="latin-1")
    assert events == [] and problems[0].where == "line 2" and "UTF-8" in problems[0].mend


def test_a_spreadsheets_byte_order_mark_and_line_ends_are_read(tmp_path):
    path = tmp_path / "service-log.csv"
    path.write_bytes(b"\xef\xbb\xbf" + f"{HEADER}\r\nwell-1,2026-03-31 14:30,,inspected,,\r\n".encode())
    events, problems = read_service_log(path, ZONES)
    assert len(events) == 1 and not problems


def test_rows_in_any_order_come_out_in_time(tmp_path):
    events, _ = read(tmp_path, "well-1,2026-03-31 14:30,,inspected,,", "well-2,2026-01-31 14:30,,inspected,,")
    assert [event.site_id for event in events] == ["well-2", "well-1"]


# Work that changes the physics of the site starts a new epoch, work that restores it does not (design rule of ours).
@pytest.mark.parametrize(("action", "starts_epoch"), [
    ("washed_array", False), ("cleaned_intake", False), ("opened_valve", False), ("repaired_string", False),
    ("replaced_pump", True), ("replaced_pump_end", True), ("replaced_meter", True), ("lowered_pump", True),
    ("rehabilitated_well", True), ("replaced_drive", True), ("inspected", False), ("other", False)])
def test_which_work_starts_an_epoch(action, starts_epoch):
    assert SERVICE_ACTIONS[action].starts_epoch is starts_epoch


def test_every_action_has_words():
    assert all(action.label and action.code == code for code, action in SERVICE_ACTIONS.items())
    assert len(SERVICE_ACTIONS) == 29


def test_every_action_is_meant_for_causes_that_exist():
    assert {cause for action in SERVICE_ACTIONS.values() for cause in action.meant_for} <= set(CAUSES)
