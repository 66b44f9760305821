"""An unknown file is looked at: the draft reads it, and what no file can tell is named."""

from pathlib import Path

import pandas as pd
import pytest

from pipelines.errors import LoggerFileError
from pipelines.ingest.describe import describe_file, profile_that_fits
from pipelines.ingest.profile import LoggerProfile

DATA = Path(__file__).parent.parent / "data" / "files"
MEASURED = Path(__file__).parents[3] / "sample-logs" / "measured" / "logs"

OWN_FILE = """Pump logger 7
Serial;0042

Datum;Uhrzeit;Durchfluss (m³/h);Uarray;Iarray;G;Tank
;;m³/h;V;A;W/m²;cm
28.03.2026;11:40;1,25;140,5;3,1;812;150
28.03.2026;11:50;1,30;141;3,2;820;151
28.03.2026;12:00;-9999;141;3,2;825;152
28.03.2026;12:10;1,30;141;---;830;153
28.03.2026;12:20;1,31;141;3,2;835;154
"""


def test_a_file_of_ones_own_is_drafted_and_read(tmp_path):
    path = tmp_path / "own.csv"
    path.write_bytes(OWN_FILE.encode("latin-1"))
    found = describe_file(path)
    profile = found.profile
    assert (profile.delimiter, profile.decimal, profile.encoding) == (";", ",", "latin-1")
    assert profile.time.columns == ["Datum", "Uhrzeit"] and profile.time.format == "%d.%m.%Y %H:%M"
    assert profile.time.zone == "site" and profile.time.interval_s == 600
    assert {column: rule.channel for column, rule in profile.channels.items()} == {
        "Durchfluss (m³/h)": "flow_m3_s", "Uarray": "array_voltage_v", "Iarray": "array_current_a",
        "G": "global_horizontal_irradiance_w_m2", "Tank": "tank_level_m"}
    assert profile.channels["Durchfluss (m³/h)"].unit == "m3_h" and profile.channels["Tank"].unit == "cm"
    assert "-9999" in profile.sentinels
    assert (found.rows, found.quarantined) == (5, 0)
    assert found.first_rows["flow_m3_s"].iloc[0] == pytest.approx(1.25 / 3600)
    assert found.first_rows["tank_level_m"].iloc[0] == pytest.approx(1.5)
    said = " ".join(found.cannot_know)
    assert "time zone" in said and "start or the end" in said
    saved = tmp_path / "loggers" / "own.toml"
    saved.parent.mkdir()
    saved.write_text(found.draft, encoding="utf-8")
    assert LoggerProfile.from_toml(saved).channels == profile.channels


# what each file is, was found by reading it with the eye; rows are those of the files' own README
@pytest.mark.parametrize(("file", "rows", "time", "channels"), [
    (DATA / "Barodiver_220427183008_BY222.csv.gz", 15226, ["Date/time"], {"air_temperature_c"}),
    (DATA / "TAEFC1044741.csv.gz", 34582, ["ts"], {"array_power_w"}),
    (MEASURED / "sky-wind-site" / "midc_20181014.txt.gz", 1440, ["DATE (MM/DD/YYYY)", "MST"],
     {"global_horizontal_irradiance_w_m2"}),
    (MEASURED / "roof-strings" / "Baseline6kW_2015_11_11.dat.gz", 1351, ["TIMESTAMP"],
     {"array_voltage_v", "string_1_current_a", "poa_irradiance_w_m2"}),
    (MEASURED / "sky-denver" / "srrl_1min_2019-03-10_2019-03-17.csv.gz", 11520, ["DATE (MM/DD/YYYY)_MST"],
     {"global_horizontal_irradiance_w_m2", "poa_irradiance_w_m2", "air_temperature_c", "wind_speed_m_s"}),
    (MEASURED / "water-main" / "water-flow.csv", 1268, ["Time"], {"flow_m3_s"}),
])
def test_measured_files_are_drafted(file, rows, time, channels):
    found = describe_file(file)
    assert found.profile is not None and (found.rows, found.quarantined) == (rows, 0)
    assert found.profile.time.columns == time
    assert channels <= {rule.channel for rule in found.profile.channels.values()}


def test_dates_that_read_both_ways_are_not_decided_in_silence():
    found = describe_file(MEASURED / "roof-strings" / "MET_2015_11_11.dat.gz")
    assert any("day or the month" in says for says in found.cannot_know)
    assert found.confidence["time"] < 0.8


def test_parts_of_dates_are_found_by_name_and_by_range():
    by_name = describe_file(MEASURED / "dialects" / "midc_raw_20181018.txt.gz")
    assert by_name.profile.time.parts == {"year": "Year", "day_of_year": "DOY", "hhmm": "MST"}
    by_range = describe_file(MEASURED / "sky-alamosa" / "surfrad-slv16001.dat.gz")
    assert 'year = "column 1"' in by_range.draft.replace('"year"', "year") and by_range.profile is None
    assert any("map them under [channels]" in says for says in by_range.notes)


@pytest.mark.parametrize("content", [b"", b"\x00\x01\x02" * 500, b"one word", b"a" * 100_000,
                                     b'{"a": ' + b"[" * 5000 + b"]" * 5000 + b"}", b"<a><b></a>",
                                     b'<!DOCTYPE x [<!ENTITY a "b">]><x><r><a>1</a><b>2</b></r></x>'])
def test_what_is_no_table_is_said_so(tmp_path, content):
    path = tmp_path / "odd.dat"
    path.write_bytes(content)
    with pytest.raises(LoggerFileError):
        describe_file(path)


def test_a_spreadsheet_is_described_and_read(tmp_path):
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    sheet.append(["Site export", None, None])
    sheet.append(["Time", "Flow [l/min]", "Array voltage [V]"])
    for minute in range(8):
        sheet.append([pd.Timestamp(2026, 1, 1, 10, minute * 5).to_pydatetime(), 30.0 + minute, 140])
    sheet["C5"] = "=1+1"
    book.save(tmp_path / "a.xlsx")
    found = describe_file(tmp_path / "a.xlsx")
    assert found.profile.format == "spreadsheet" and found.rows == 8
    assert found.first_rows["flow_m3_s"].iloc[0] == pytest.approx(0.0005)
    # a formula is never worked out; without a saved value the cell is empty
    assert pd.isna(found.first_rows["array_voltage_v"].iloc[2])


def test_profiles_are_ranked_by_what_they_read(tmp_path):
    path = tmp_path / "own.csv"
    path.write_bytes(OWN_FILE.encode("latin-1"))
    right = describe_file(path).profile
    wrong = right.model_copy(update={"decimal": "."})
    other = LoggerProfile.model_validate({"time": {"columns": ["t"], "zone": "UTC"},
                                          "channels": {"x": {"channel": "flow_m3_s"}}})
    assert [item[0] for item in profile_that_fits(path, {"wrong": wrong, "right": right, "other": other})] == [
        "right", "wrong"]
