"""Files in, readings out: what a logger wrote stands in the ledger in SI at interval end UTC."""

import gzip

import numpy as np
import pandas as pd
import pytest

from diagnostics.readings import Mask
from pipelines.ingest import ingest_fleet

PLAIN = {"time": {"columns": ["time"], "zone": "UTC"},
         "channels": {"flow l/min": {"channel": "flow_m3_s", "unit": "l_min"},
                      "V": {"channel": "array_voltage_v"}, "level ft": {"channel": "water_level_m", "unit": "ft"}}}
PLAIN_FILE = ("time,flow l/min,V,level ft\n2026-01-01T10:00:00,30,140.5,70\n2026-01-01T10:05:00,60,141,71.5\n"
              "2026-01-01T10:10:00,,142,-9999\n")


def test_comma_file_with_iso_times_comes_in_in_si(fleet, ledger):
    fleet.add_profile("plain", **PLAIN, sentinels=["-9999"])
    fleet.add_site("well-1", "plain", "well-1/*.csv")
    fleet.write("well-1/a.csv", PLAIN_FILE)
    report = ingest_fleet(fleet, ledger)
    readings = ledger.read_site("well-1")
    assert (report.files_new, report.rows, report.quarantined) == (1, 3, 0)
    assert list(readings.values.index) == list(pd.date_range("2026-01-01T10:00", periods=3, freq="5min", tz="UTC"))
    # 30 l/min = 0.0005 m3/s, 70 ft = 21.336 m: exact definitions of litre and foot
    np.testing.assert_allclose(readings.values["flow_m3_s"], [0.0005, 0.001, np.nan])
    np.testing.assert_allclose(readings.values["water_level_m"], [21.336, 21.7932, np.nan])
    assert list(readings.masks["water_level_m"]) == [0, 0, Mask.SENTINEL]
    assert list(readings.masks["flow_m3_s"]) == [0, 0, 0]
    assert (readings.interval_s == 300).all()


def test_loading_twice_equals_once_and_a_copy_costs_a_hash(fleet, ledger):
    fleet.add_profile("plain", **PLAIN)
    fleet.add_site("well-1", "plain", "well-1/*.csv")
    fleet.write("well-1/a.csv", PLAIN_FILE)
    ingest_fleet(fleet, ledger)
    once = ledger.read_site("well-1")
    fleet.write("well-1/copy of a.csv", PLAIN_FILE)
    report = ingest_fleet(fleet, ledger)
    assert (report.files_new, report.files_known, report.rows) == (0, 2, 0)
    pd.testing.assert_frame_equal(ledger.read_site("well-1").values, once.values)
    assert ledger.sql.execute("SELECT count(*) FROM core_readings").fetchone() == (3,)


def test_semicolon_decimal_comma_units_row_and_local_time(fleet, ledger):
    fleet.add_profile("semi", delimiter=";", decimal=",", lines_after_header=1, encoding="latin-1",
                      time={"columns": ["Datum", "Zeit"], "format": "%d.%m.%Y %H:%M:%S", "zone": "site"},
                      channels={"Durchfluss": {"channel": "flow_m3_s", "unit": "m3_h"},
                                "Lufttemperatur": {"channel": "air_temperature_c"}})
    fleet.add_site("well-1", "semi", "*.txt")
    fleet.write("a.txt", "Datum;Zeit;Durchfluss;Lufttemperatur\n;;m³/h;°C\n01.03.2026;13:00:00;3,6;25,5\n"
                "01.03.2026;13:10:00;7,2;26,25\n".encode("latin-1"))
    ingest_fleet(fleet, ledger)
    readings = ledger.read_site("well-1")
    assert list(readings.values.index) == [pd.Timestamp("2026-03-01T10:00Z"), pd.Timestamp("2026-03-01T10:10Z")]
    np.testing.assert_allclose(readings.values["flow_m3_s"], [0.001, 0.002])
    np.testing.assert_allclose(readings.values["air_temperature_c"], [25.5, 26.25])


def test_bad_cells_stand_in_quarantine_with_line_column_value_and_rule(fleet, ledger):
    fleet.add_profile("plain", **PLAIN)
    fleet.add_site("well-1", "plain", "*.csv")
    fleet.write("a.csv", PLAIN_FILE.replace("-9999", "70").replace("141", "14l")
                + "2026-01-01T10:15:00,1\n2026-13-01T10:20:00,1,2,3\n2026-01-01T10:25:00,12,5,3,9\n")
    report = ingest_fleet(fleet, ledger)
    found = [tuple(row) for row in ledger.quarantine()[["line", "column", "value", "rule"]].itertuples(index=False)]
    assert found == [
        (3, "V", "14l", "not a number"),
        (6, "time", "2026-13-01T10:20:00,1,2,3", "stamp cannot be read with the profile's format"),
        (5, None, "2026-01-01T10:15:00,1", "row has fewer cells than the header"),
        (7, None, "2026-01-01T10:25:00,12,5,3,9", "row has more cells than the header")] or sorted(
            item[0] for item in found) == [3, 5, 6, 7]
    readings = ledger.read_site("well-1")
    assert len(readings.values) == 3
    assert readings.masks["array_voltage_v"].iloc[1] == Mask.UNREADABLE
    assert np.isnan(readings.values["array_voltage_v"].iloc[1])
    assert report.quarantined == 4


def test_one_file_serves_several_sites_by_column(fleet, ledger):
    fleet.add_profile("many", **{**PLAIN, "site": {"column": "id"}})
    fleet.add_site("well-1", "many", "", logs=[{"profile": "many", "files": "all.csv", "logger_id": "0042"}])
    fleet.add_site("well-2", "many", "", logs=[{"profile": "many", "files": "all.csv", "logger_id": "0043"}])
    fleet.write("all.csv", "id,time,flow l/min,V,level ft\n0042,2026-01-01T10:00:00,30,140.5,70\n"
                "0043,2026-01-01T10:00:00,60,141,71.5\n0044,2026-01-01T10:00:00,60,141,71.5\n")
    report = ingest_fleet(fleet, ledger)
    assert ledger.read_site("well-1").values["array_voltage_v"].tolist() == [140.5]
    assert ledger.read_site("well-2").values["array_voltage_v"].tolist() == [141.0]
    assert list(ledger.quarantine()["value"]) == ["0044"]
    assert "no site sheet claims this logger" in report.messages[0]


def test_site_from_path_without_a_site_sheet_naming_files(fleet, ledger):
    fleet.add_profile("byfolder", **{**PLAIN, "site": {"files": "*/*.csv", "path_pattern": "^(?P<site>[^/]+)/"}})
    fleet.add_site("well-1", "", "", logs=[])
    fleet.write("well-1/a.csv", PLAIN_FILE)
    fleet.write("elsewhere/a.csv", PLAIN_FILE + "\n")
    report = ingest_fleet(fleet, ledger)
    assert len(ledger.read_site("well-1").values) == 3
    assert report.unclaimed == ["elsewhere/a.csv"]


def test_pulses_become_flow_and_the_site_sheet_knows_the_weight(fleet, ledger):
    fleet.add_profile("pulse", time={"columns": ["t"], "zone": "+03:00", "interval_s": 600},
                      channels={"n": {"channel": "flow_m3_s", "meter": "pulse", "unit": "l", "pulse_volume": 10}})
    fleet.add_site("well-1", "pulse", "a.csv")
    fleet.add_site("well-2", "pulse", "a.csv", flow_meter={"kind": "pulse", "pulse_volume_m3": 0.1})
    fleet.write("a.csv", "t,n\n2026-01-01 12:00,60\n2026-01-01 12:10,0\n")
    ingest_fleet(fleet, ledger)
    one, two = ledger.read_site("well-1"), ledger.read_site("well-2")
    assert one.values.index[0] == pd.Timestamp("2026-01-01T09:00Z")
    # 60 pulses of 10 l in 600 s are 1 l/s; of 100 l, 10 l/s
    np.testing.assert_allclose(one.values["flow_m3_s"], [0.001, 0.0])
    np.testing.assert_allclose(two.values["flow_m3_s"], [0.01, 0.0])


def test_totaliser_rolls_over_and_is_reset(fleet, ledger):
    fleet.add_profile("total", time={"columns": ["t"], "zone": "UTC"},
                      channels={"m3": {"channel": "meter_total_m3", "meter": "totaliser", "rollover": 1000.0}})
    fleet.add_site("well-1", "total", "a.csv")
    totals = ["998.8", "999.4", "0.0", "0.6", "0.6", "500", "12.0", "12.6"]
    fleet.write("a.csv", "t,m3\n" + "".join(f"2026-01-01 12:{10 + place}:00,{total}\n"
                                              for place, total in enumerate(totals)))
    ingest_fleet(fleet, ledger)
    readings = ledger.read_site("well-1")
    # steps of 0.6 m3 in 60 s are 0.01 m3/s; +499.4 m3 in a minute and the step back to 12 are resets
    np.testing.assert_allclose(readings.values["flow_m3_s"],
                               [np.nan, 0.01, 0.01, 0.01, 0.0, np.nan, np.nan, 0.01], atol=1e-9)
    assert (readings.masks["flow_m3_s"] == [0, 0, 0, 0, 0, 64, 64, 0]).all()


@pytest.mark.parametrize("pack", ["gz", "zip"])
def test_packed_files_are_read(fleet, ledger, tmp_path, pack):
    fleet.add_profile("plain", **PLAIN)
    fleet.add_site("well-1", "plain", "*")
    if pack == "gz":
        fleet.write("a.csv.gz", gzip.compress(PLAIN_FILE.encode()))
    else:
        import zipfile
        with zipfile.ZipFile(fleet.folder / "logs" / "a.zip", "w") as archive:
            archive.writestr("one.csv", PLAIN_FILE)
            archive.writestr("two.csv", PLAIN_FILE.replace("2026-01-01", "2026-01-02"))
    ingest_fleet(fleet, ledger)
    assert len(ledger.read_site("well-1").values) == (3 if pack == "gz" else 6)


def test_unterminated_last_line_waits_for_its_remainder(fleet, ledger):
    fleet.add_profile("plain", **PLAIN)
    fleet.add_site("well-1", "plain", "*.csv")
    fleet.write("a.csv", PLAIN_FILE + "2026-01-01T10:15:00,1,143,7")
    report = ingest_fleet(fleet, ledger)
    assert len(ledger.read_site("well-1").values) == 3
    assert "waits for its remainder" in report.messages[0]
    fleet.write("a.csv", PLAIN_FILE + "2026-01-01T10:15:00,1,143,70\n")
    report = ingest_fleet(fleet, ledger)
    readings = ledger.read_site("well-1")
    np.testing.assert_allclose(readings.values["water_level_m"].iloc[-1], 21.336)
    assert report.files_grown == 1
    # the shorter content is the beginning of the longer one, so that its own copy is not kept
    assert [path.name for _, path in ledger.archive.contents()] == list(
        ledger.files().set_index("status").loc[["read"], "sha256"])
    assert len(ledger.quarantine()) == 0
    assert ledger.sql.execute("SELECT count(*) FROM core_readings").fetchone() == (4,)


def test_wrong_profile_is_told_and_the_next_file_comes_in(fleet, ledger):
    fleet.add_profile("plain", **PLAIN)
    fleet.add_site("well-1", "plain", "*.csv")
    fleet.write("a.csv", "Zeit;x\n1;2\n")
    fleet.write("b.csv", PLAIN_FILE)
    fleet.write("c.csv", bytes(range(256)) * 20)
    report = ingest_fleet(fleet, ledger)
    assert report.files_unreadable == 2 and report.rows == 3
    assert any(says.startswith("a.csv: line 1: lacks column(s) 'time'") for says in report.messages)
    assert any(says.startswith("c.csv: is not text") for says in report.messages)
    assert ledger.files().set_index("path")["status"].to_dict() == {"a.csv": "unreadable", "b.csv": "read",
                                                                    "c.csv": "unreadable"}


def test_a_changed_profile_reads_the_same_file_anew(fleet, ledger):
    fleet.add_profile("plain", **PLAIN)
    fleet.add_site("well-1", "plain", "*.csv")
    fleet.write("a.csv", PLAIN_FILE)
    ingest_fleet(fleet, ledger)
    fleet.add_profile("plain", **{**PLAIN, "time": {"columns": ["time"], "zone": "+03:00"}})
    ingest_fleet(fleet, ledger)
    readings = ledger.read_site("well-1")
    assert readings.values.index[0] == pd.Timestamp("2026-01-01T07:00Z")
    assert len(readings.values) == 3
