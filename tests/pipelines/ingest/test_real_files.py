"""Every measured file comes in by a profile, with the counts that were taken from the files by hand."""

import gzip
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from diagnostics.readings import Mask
from pipelines.ingest import ingest_fleet
from pipelines.ingest.profile import LoggerProfile

DATA = Path(__file__).parent.parent / "data"
MEASURED = Path(__file__).parents[3] / "sample-logs" / "measured"


def brought_in(fleet, ledger, profile: Path, file: Path, logger_id: str | None = None):
    """Load one file by one profile and return readings and report."""
    fleet.profiles[profile.stem] = LoggerProfile.from_toml(profile)
    logs = [{"profile": profile.stem, "files": "*", "logger_id": logger_id}]
    fleet.add_site("well-1", "", "", logs=logs)
    fleet.write(file.name, file.read_bytes())
    report = ingest_fleet(fleet, ledger)
    return ledger.read_site("well-1"), report


# rows: counted in the files with wc and grep; quarantined: lines that are no readings, counted the same way
@pytest.mark.parametrize(("profile", "file", "rows", "quarantined", "first", "last"), [
    ("barologger", "Barodiver_220427183008_BY222.csv.gz", 15226, 0, "2020-07-04 04:00", "2022-03-30 13:00"),
    ("plain-with-trailer", "PB02A_plain.csv.gz", 14003, 0, "2020-07-04 04:00", "2022-02-07 14:00"),
    ("rain-days", "neerslaggeg_ESBEEK_831.txt.gz", 24227, 0, "1951-01-01 08:00", "2017-04-30 08:00"),
    ("solrad-short", "abq19056.dat", 4, 0, "2019-02-25 00:00", "2019-02-25 00:03"),
    ("solrad-long", "msn19056.dat", 4, 0, "2019-02-25 00:00", "2019-02-25 00:03"),
    ("climate-network", "CRNS0101-05-2019-AZ_Tucson_11_W.txt", 4, 0, "2019-01-01 16:10", "2019-01-01 16:25"),
    ("climate-network", "CRN_with_problems.txt", 3, 0, "2020-07-06 12:00", "2020-07-06 13:10"),
    ("short-header", "midc_raw_short_header_20191115.txt.gz", 1440, 0, "2019-11-15 06:00", "2019-11-16 05:59"),
    ("long-power", "TAEFC1044741.csv.gz", 34582, 0, "2016-03-05 19:45", "2017-07-08 01:45"),
    ("long-power", "ZT162185000441C1203.csv.gz", 32840, 0, "2018-11-07 23:15", "2019-06-20 23:45"),
    ("two-columns", "timeseries.csv.gz", 31298, 0, "2015-04-09 17:25", "2015-10-19 01:20"),
    ("power-with-truth", "ac_power_inv_2173_stale_data.csv.gz", 3000, 0, None, None),
    ("power-with-truth", "ac_power_inv_2173_interpolated_data.csv.gz", 3000, 0, None, None),
])
def test_measured_file_comes_in_whole(fleet, ledger, profile, file, rows, quarantined, first, last):
    name = file.split(".")[0] if profile == "long-power" else None
    readings, report = brought_in(fleet, ledger, DATA / "profiles" / f"{profile}.toml", DATA / "files" / file, name)
    assert (len(readings.values), report.quarantined, report.files_unreadable) == (rows, quarantined, 0)
    if first:
        assert readings.values.index[0] == pd.Timestamp(first, tz="UTC")
        assert readings.values.index[-1] == pd.Timestamp(last, tz="UTC")


@pytest.mark.parametrize(("profile", "file", "rows", "first", "last"), [
    ("tab-keys-above", "dialects/8137_PBF.csv.gz", 76168, "2007-02-01", "2018-07-02"),
    ("semicolon-hash", "dialects/Zwiepse_Horstweg_Barchem_1024_FT1_WNS9040_MomentaanO.csv.gz", 28797,
     "2009-12-31 23:00", "2019-07-04 11:10"),
    ("pressure-with-trailer", "dialects/PB01A_moni_AV319_220427183019_AV319.csv.gz", 15222, "2020-07-04 04:00",
     "2022-03-30 09:00"),
    ("two-tables", "dialects/B31H0759001.csv", None, None, None),
    ("small-tables", "dialects/P58A0001.csv", None, None, None),
    ("sky-denver", "sky-denver/srrl_1min_2019-03-10_2019-03-17.csv.gz", 11520, "2019-03-10 07:00", "2019-03-18 06:59"),
    ("sky-alamosa", "sky-alamosa/surfrad-slv16001.dat.gz", 1440, "2016-01-01 00:00", "2016-01-01 23:59"),
    ("sky-wind-site", "sky-wind-site/midc_20181014.txt.gz", 1440, None, None),
    ("sky-eugene", "sky-eugene/SRML-day-EUPO1801.txt", 1440, None, None),
    ("toa5-weather", "roof-strings/MET_2015_11_11.dat.gz", 1351, "2015-11-11 07:00", "2015-11-12 05:30"),
    ("toa5-strings-1", "roof-strings/Baseline6kW_2015_11_11.dat.gz", 1351, "2015-11-11 07:00", "2015-11-12 05:30"),
    ("water-main", "water-main/water-flow.csv", 1268, None, None),
])
def test_measured_file_of_the_measured_fleet_comes_in_whole(fleet, ledger, profile, file, rows, first, last):
    readings, report = brought_in(fleet, ledger, MEASURED / "loggers" / f"{profile}.toml", MEASURED / "logs" / file)
    assert report.files_unreadable == 0 and report.quarantined == 0
    assert len(readings.values) == (rows or len(readings.values)) and len(readings.values) > 300
    if first:
        assert str(readings.values.index[0]).startswith(first) and str(readings.values.index[-1]).startswith(last)


def test_three_sentinels_of_a_million_and_the_range_without_them(fleet, ledger):
    readings, _ = brought_in(fleet, ledger, DATA / "profiles" / "long-power.toml",
                             DATA / "files" / "TAEFC1044741.csv.gz", "TAEFC1044741")
    power, masks = readings.values["array_power_w"], readings.masks["array_power_w"]
    at = masks.index[masks == int(Mask.SENTINEL)]
    assert [str(stamp)[:16] for stamp in at] == ["2016-04-05 13:30", "2016-07-19 12:55", "2016-08-17 13:10"]
    assert (power.min(), round(power.max() / 1000, 2)) == (0.0, 7.03)


def test_missing_single_samples_leave_their_interval_at_five_minutes(fleet, ledger):
    readings, _ = brought_in(fleet, ledger, DATA / "profiles" / "long-power.toml",
                             DATA / "files" / "ZT162185000441C1203.csv.gz", "ZT162185000441C1203")
    steps = readings.values.index.to_series().diff().dt.total_seconds()
    assert (steps == 600).sum() == 149
    assert readings.values["array_power_w"].max() == pytest.approx(30100, abs=50)
    assert (readings.interval_s == 300).mean() > 0.99


def test_json_of_two_rivers_becomes_two_sites(fleet, ledger):
    profile = LoggerProfile.from_toml(DATA / "profiles" / "river-json.toml")
    fleet.profiles["river"] = profile
    for site, code in (("river-1", "01491000"), ("river-2", "01645000")):
        fleet.add_site(site, "", "", logs=[{"profile": "river", "files": "*", "logger_id": code}])
    fleet.write("iv.txt", (DATA / "files" / "usgs_waterservices_iv.txt").read_bytes())
    report = ingest_fleet(fleet, ledger)
    one = ledger.read_site("river-1")
    assert report.rows == 10 and report.files_unreadable == 0
    # 974 ft3/s and 6.48 ft at midnight of UTC-5; 1 ft3 = 0.028316846592 m3 and 1 ft = 0.3048 m exactly
    assert one.values.index[0] == pd.Timestamp("2019-02-14T05:00Z")
    np.testing.assert_allclose(one.values["tank_level_m"].iloc[0], 6.48 * 0.3048)
    np.testing.assert_allclose(one.values["draw_flow_m3_s"].iloc[0], 974 * 0.028316846592)


def test_xml_of_a_slug_test_comes_in(fleet, ledger):
    readings, report = brought_in(fleet, ledger, MEASURED / "loggers" / "slug-test.toml",
                                  MEASURED / "logs" / "dialects" / "WsNoo_dp366_BUB_20231222_slug1m.xle")
    assert report.files_unreadable == 0
    assert ledger.files()["rows"].iloc[0] == 587
    assert len(readings.values) > 70


def test_pressure_minus_air_pressure_is_the_water_column(fleet, ledger):
    # 30 Mar 2022 11:00 as the loggers write it: well 1284.392 cm, air 1023.750 cm, so 260.642 cm of water
    readings, _ = brought_in(fleet, ledger, DATA / "profiles" / "barologger.toml",
                             DATA / "files" / "Barodiver_220427183008_BY222.csv.gz")
    air_pa = readings.values["air_pressure_pa"].loc["2022-03-30T09:00Z"]
    with gzip.open(MEASURED / "logs" / "dialects" / "PB01A_moni_AV319_220427183019_AV319.csv.gz", "rt",
                   encoding="latin-1") as stream:
        line = next(line for line in stream if line.startswith("2022/03/30 11:00:00"))
    well_cm = float(line.split(",")[1])
    assert well_cm - air_pa / 98.0665 == pytest.approx(260.642, abs=1e-3)
