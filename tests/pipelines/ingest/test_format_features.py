"""Features of formats that no measured file at hand shows: each file is written out here, as loggers write it."""

import csv

import pandas as pd
import pytest

from pipelines.errors import DescriptionError, HostileFileError
from pipelines.ingest import ingest_fleet
from pipelines.ingest.describe import describe_file
from pipelines.ingest.limits import IngestLimits
from pipelines.ingest.one_file import read_logger_file
from pipelines.ingest.profile import LoggerProfile
from pipelines.ledger.corrections import Correction, add_correction, read_corrections

CHANNELS = {"V": {"channel": "array_voltage_v"}, "Q": {"channel": "flow_m3_s", "unit": "l_h"}}
TIME = {"columns": ["t"], "zone": "UTC"}


def read(tmp_path, content, **changes):
    path = tmp_path / "file.txt"
    path.write_bytes(content.encode("utf-8"))
    return read_logger_file(path, LoggerProfile.model_validate({"key": "p", "time": TIME, "channels": CHANNELS,
                                                                **changes}))


def test_fixed_width_cells_may_touch_and_be_empty(tmp_path):
    # 19 letters of stamp, 7 of volts, 6 of flow; no letter between them
    found = read(tmp_path, "2026-01-01 10:00:00 140.25  900\n2026-01-01 10:05:00-140.25     \n"
                           "2026-01-01 10:10:00 12x.251000\n2026-01-01 10:15:00 141.00 12.5\n",
                 format="fixed_width", widths=[19, 7, 5], columns=["t", "V", "Q"], header_lines=0)
    assert found.rows["array_voltage_v"].fillna(0).tolist() == [140.25, -140.25, 0, 141.0]
    assert found.rows["flow_m3_s"].mul(3.6e6).round(6).fillna(-1).tolist() == [900.0, -1.0, 1000.0, 12.5]
    assert found.quarantine[["line", "column_name"]].to_numpy().tolist() == [[3, "V"]]


def test_fixed_width_header_is_cut_like_its_rows(tmp_path):
    found = read(tmp_path, "t                  V      Q    \n2026-01-01 10:00:00 140.25  900\n",
                 format="fixed_width", widths=[19, 7, 5])
    assert found.columns == ("t", "V", "Q") and found.rows["array_voltage_v"].tolist() == [140.25]


@pytest.mark.parametrize(("thousands", "decimal", "written", "means"), [
    (".", ",", "1.234,5", 1234.5), (",", ".", '"1,234.5"', 1234.5), (" ", ",", "1 234,5", 1234.5),
    ("'", ".", "1'234.5", 1234.5), (".", ",", "1.234.567", 1234567.0), (".", ",", "12,5", 12.5)])
def test_thousands_marks_of_four_countries(tmp_path, thousands, decimal, written, means):
    delimiter = "," if decimal == "." else ";"
    found = read(tmp_path, f"t{delimiter}V{delimiter}Q\n2026-01-01 10:00:00{delimiter}{written}{delimiter}5\n",
                 thousands=thousands, decimal=decimal, delimiter=delimiter, channels={
                     "V": {"channel": "meter_total_m3", "meter": "totaliser"}, "Q": CHANNELS["Q"]})
    assert found.rows["meter_total_m3"].tolist() == [means] and len(found.quarantine) == 0


def test_three_lines_a_record_and_a_record_cut_short(tmp_path):
    # stamp, volts and flow each on a line of their own; power failed within the third record
    found = read(tmp_path, "2026-01-01T10:00:00\n140.5\n900\n2026-01-01T10:05:00\n141.5\n800\n2026-01-01T10:10:00\n",
                 format="whitespace", lines_per_record=3, columns=["t", "V", "Q"], header_lines=0)
    assert found.rows["array_voltage_v"].tolist() == [140.5, 141.5]
    assert found.rows["line"].tolist() == [1, 4]
    assert found.quarantine[["line", "rule"]].to_numpy().tolist() == [[7, "row has fewer cells than the header"]]


NOTED = ('t,V,Q,note\n2026-01-01 10:00:00,140,900,"pump box\nopened, fuse\nchanged"\n2026-01-01 10:05:00,141,800,ok\n'
         '2026-01-01 10:10:00,x,700,"two\nlines"\n')


def test_a_quoted_cell_over_several_lines_is_one_cell_and_lines_keep_their_numbers(tmp_path):
    found = read(tmp_path, NOTED, ignored_columns=["note"])
    assert found.rows["array_voltage_v"].fillna(0).tolist() == [140.0, 141.0, 0.0]
    assert found.rows["line"].tolist() == [2, 5, 6]
    assert found.quarantine[["line", "column_name", "value"]].to_numpy().tolist() == [[6, "V", "x"]]


def test_a_quoted_cell_over_lines_comes_in_by_the_ingest_as_well(fleet, ledger):
    fleet.add_profile("p", time=TIME, channels=CHANNELS, ignored_columns=["note"])
    fleet.add_site("well-1", "p", "*.csv")
    fleet.write("a.csv", NOTED)
    assert ingest_fleet(fleet, ledger).rows == 3


def test_a_quote_too_many_does_not_swallow_the_rows_after_it(tmp_path):
    found = read(tmp_path, 't,V,Q,note\n2026-01-01 10:00:00,140,900,"odd\n2026-01-01 10:05:00,141,800,ok\n'
                           '2026-01-01 10:10:00,142,700,odd"\n2026-01-01 10:15:00,143,600,ok\n',
                 ignored_columns=["note"])
    assert {141.0, 143.0} <= set(found.rows["array_voltage_v"])
    assert len(found.rows) + found.quarantine["line"].nunique() == 4


def test_the_sheet_with_readings_is_drafted_and_the_draft_reads_it(tmp_path, fleet, ledger):
    from openpyxl import Workbook

    book = Workbook()
    book.active.title = "About"
    for row in (["Station", "Hill farm"], ["Serial", 1234], ["Owner", "-"], ["Sensors", 3]):
        book.active.append(row)
    sheet = book.create_sheet("Data")
    sheet.append(["Time", "Array voltage [V]", "Flow [l/min]"])
    for minute in range(0, 60, 5):
        sheet.append([pd.Timestamp(2026, 1, 1, 10, minute).to_pydatetime(), 140 + minute, 30.0])
    book.save(tmp_path / "a.xlsx")
    found = describe_file(tmp_path / "a.xlsx")
    assert found.profile.sheet == "Data" and found.rows == 12 and any("'About'" in note for note in found.notes)
    saved = tmp_path / "own.toml"
    saved.write_text(found.draft, encoding="utf-8")
    fleet.profiles["own"] = LoggerProfile.from_toml(saved)
    fleet.add_site("well-1", "own", "*.xlsx")
    fleet.write("a.xlsx", (tmp_path / "a.xlsx").read_bytes())
    assert ingest_fleet(fleet, ledger).rows == 12
    assert ledger.read_site("well-1").values["flow_m3_s"].iloc[0] == pytest.approx(0.0005)


def test_corrections_are_added_one_by_one_and_nothing_else_in_the_file_changes(tmp_path):
    path = tmp_path / "corrections.csv"
    first = Correction.from_row({"site_id": "well-1", "kind": "shift_clock", "value": -3600.0, "author": "M. Osei",
                                 "until_utc": "2026-05-31T00:00:00Z", "reason": 'clock, "fast"',
                                 "entered_on": "2026-06-01"})
    second = Correction.from_row({"site_id": "well-2", "kind": "mask", "channel": "water_level_m", "author": "K. Lim",
                                  "reason": "probe out of the water", "entered_on": "2026-06-02"})
    add_correction(path, first)
    add_correction(path, second)
    assert read_corrections(path) == [first, second]
    with pytest.raises(DescriptionError, match="stands there already"):
        add_correction(path, first)
    with path.open(newline="") as stream:
        assert len(list(csv.reader(stream))) == 3
    path.write_text(path.read_text().replace("M. Osei", ""))
    with pytest.raises(DescriptionError, match="line 2"):
        add_correction(path, second)


def test_what_follows_the_end_of_a_section_is_left_out_however_long_the_file_is(tmp_path):
    rows = "".join(f"2026-01-01 {minute // 60:02d}:{minute % 60:02d}:00,{minute}\n" for minute in range(600))
    other = "".join(f"2026-02-01 {minute // 60:02d}:{minute % 60:02d}:00,{minute}\n" for minute in range(600))
    path = tmp_path / "long.txt"
    path.write_text(f"*before\nt,V\n{rows}*after\n{other}", encoding="utf-8")
    profile = LoggerProfile.model_validate({
        "key": "p", "header_starts_with": "t,", "section_ends_with": "*", "time": {"columns": ["t"], "zone": "UTC"},
        "channels": {"V": {"channel": "array_voltage_v"}}})
    for part_chars in (1000, 100_000):
        found = read_logger_file(path, profile, limits=IngestLimits(part_chars=part_chars))
        assert found.rows["array_voltage_v"].tolist() == list(range(600)) and found.quarantine.empty


def test_records_of_several_lines_are_never_cut_between_their_lines(tmp_path):
    path = tmp_path / "long.txt"
    path.write_text("".join(f"2026-01-01 {minute // 60:02d}:{minute % 60:02d}:00\n{minute}\n" for minute in range(600)),
                    encoding="utf-8")
    profile = LoggerProfile.model_validate({
        "key": "p", "format": "whitespace", "header_lines": 0, "columns": ["d", "t", "V"], "lines_per_record": 2,
        "time": {"columns": ["d", "t"], "zone": "UTC"}, "channels": {"V": {"channel": "array_voltage_v"}}})
    found = read_logger_file(path, profile, limits=IngestLimits(part_chars=1000))
    assert found.rows["array_voltage_v"].tolist() == list(range(600)) and found.quarantine.empty
    with pytest.raises(HostileFileError, match="records of several lines"):
        read_logger_file(path, profile, limits=IngestLimits(part_chars=1000, max_document_bytes=5000))
