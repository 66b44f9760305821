"""Every measured file leads to a draft that reads it, once a person has added only what the file does not say."""

from pathlib import Path

import pytest

from pipelines.ingest.column_words import likely_channel, split_column_name
from pipelines.ingest.describe import describe_file
from pipelines.ingest.describe_cells import SampleTable
from pipelines.ingest.describe_time import time_guess
from pipelines.ingest.one_file import read_logger_file
from pipelines.ingest.profile import LoggerProfile

DATA = Path(__file__).parent.parent / "data" / "files"
LOGS = Path(__file__).parents[3] / "sample-logs" / "measured" / "logs"
GHI = "global_horizontal_irradiance_w_m2"

# File, rows that its source's README counts or that it shows to the eye, the column a person has to name because the
# file names no quantity (with its channel), and a piece of each question that the description must ask.
FILES = [
    ("dialects/8137_PBF.csv.gz", 76_168, {}, ("time zone", "lines above the data speak of 'Stijghoogte")),
    ("dialects/B31H0759001.csv", None, {}, ("time zone", "depth below ground")),
    ("dialects/P58A0001.csv", None, {}, ("time zone", "depth below ground")),
    ("Barodiver_220427183008_BY222.csv.gz", 15_226, {}, ("brought to sea level",)),
    ("dialects/PB01A_moni_AV319_220427183019_AV319.csv.gz", 15_222, {}, ("is absolute", "level_logger_depth_m")),
    ("PB02A_plain.csv.gz", None, {}, ("time zone", "is absolute")),
    ("dialects/WsNoo_dp366_BUB_20231222_slug1m.xle", 587, {"ch1": "water_level_m"}, ("time zone", "'ch1' (10.2")),
    ("dialects/Zwiepse_Horstweg_Barchem_1024_FT1_WNS9040_MomentaanO.csv.gz", 28_797, {},
     ("lines above the data speak of 'Grondwaterstand",)),
    ("neerslaggeg_ESBEEK_831.txt.gz", None, {"RD": "rain_mm_rain"}, ("'RD' (",)),
    ("usgs_waterservices_iv.txt", None, {"00060": "flow_m3_s"}, ("'00060', '00065'",)),
    ("usgs_waterservices_dv.txt", None, {"00060": "flow_m3_s"}, ("time zone", "'00060'")),
    ("sky-payerne/bsrn-pay0616-first-2-days.dat.gz", 2 * 1440, {"column 3": GHI}, ("time zone", "'column 3' (")),
    ("sky-alamosa/surfrad-slv16001.dat.gz", 1440, {"column 9": GHI}, ("time zone", "'column 9' (")),
    ("sky-wind-site/midc_20181014.txt.gz", 1440, {}, ("start or the end",)),
    ("dialects/midc_raw_20181018.txt.gz", 1440, {}, ("start or the end",)),
    ("midc_raw_short_header_20191115.txt.gz", 1440, {}, ("start or the end",)),
    ("sky-eugene/SRML-day-EUPO1801.txt", 1440, {"column 3": GHI}, ("time zone", "'column 3' (")),
    ("abq19056.dat", None, {"column 9": GHI}, ("time zone", "'column 9' (")),
    ("msn19056.dat", None, {"column 9": GHI}, ("time zone", "'column 9' (")),
    ("CRNS0101-05-2019-AZ_Tucson_11_W.txt", None, {"column 9": "air_temperature_c"}, ("time zone", "'column 9' (")),
    ("CRN_with_problems.txt", None, {"column 9": "air_temperature_c"}, ("time zone", "'column 9' (")),
    ("sky-denver/srrl_1min_2019-03-10_2019-03-17.csv.gz", 11_520, {}, ("start or the end",)),
    ("roof-strings/Baseline6kW_2015_11_11.dat.gz", 1351, {}, ("time zone", "day or the month comes first")),
    ("roof-strings/MET_2015_11_11.dat.gz", 1351, {}, ("time zone", "day or the month comes first")),
    ("TAEFC1044741.csv.gz", 34_582, {}, ("time zone",)),
    ("ZT162185000441C1203.csv.gz", 32_840, {}, ("time zone",)),
    ("timeseries.csv.gz", 31_298, {}, ("time zone", "unit of column 'ac_power_01'")),
]


def place(name):
    return LOGS / name if "/" in name else DATA / name


@pytest.mark.parametrize(("name", "rows", "added", "asked"), FILES, ids=[file[0].rsplit("/", 1)[-1] for file in FILES])
def test_a_measured_file_is_read_by_its_draft(name, rows, added, asked, tmp_path):
    found = describe_file(place(name))
    said = " ".join(found.cannot_know)
    assert all(piece in said for piece in asked), said
    assert bool(added) == (found.profile is None)
    draft = found.draft + "".join(f'\n[channels."{column}"]\nchannel = "{channel}"\n'
                                  for column, channel in added.items())
    saved = tmp_path / "draft.toml"
    saved.write_text(draft, encoding="utf-8")
    read = read_logger_file(place(name), LoggerProfile.from_toml(saved))
    assert len(read.rows) > 0 and not read.rows.duplicated(["logger_id", "interval_end_utc"]).any()
    assert rows is None or len(read.rows) == rows
    assert set(read.channels) >= set(added.values())


@pytest.mark.parametrize("name", ["two_year_signal_fixed.csv.gz", "two_year_signal_with_shift.csv.gz"])
def test_a_file_without_any_stamp_is_told_so(name):
    found = describe_file(DATA / name)
    assert found.profile is None and any("no column holds a date or a time" in says for says in found.cannot_know)


@pytest.mark.parametrize(("column", "unit", "channel"), [
    ("Solar", "w_m2", GHI), ("TankFull", None, "tank_full_ratio"), ("tank_full", None, "tank_full_ratio"),
    ("Tank level", "m", "tank_level_m"), ("Barometer", "hpa", "air_pressure_pa"),
    ("Atmospheric pressure", "kpa", "air_pressure_pa"), ("Outlet pressure", "bar", "outlet_pressure_pa")])
def test_words_over_columns(column, unit, channel):
    assert likely_channel(column, unit) == channel


@pytest.mark.parametrize(("column", "unit"), [
    ("Pressure_mBar_Avg", "mbar"), ("Temp_C_Avg", "c"), ("WS_ms_Mean", "m_s"), ("Rain_mm_Tot", "mm"),
    ("Stand (cm above datum)", "cm"), ("Value[mNAP]", "m"), ("Global_Wm2_Avg", "w_m2"), ("Flow [l/min]", "l_min")])
def test_units_in_column_names(column, unit):
    assert split_column_name(column)[1] == unit


@pytest.mark.parametrize(("top", "column", "zone"), [
    ("UTC offset: -1 day, 19:00", "Time", "-05:00"), ("UTC offset: -1 day, 14:30:00", "Time", "-09:30"),
    ("Time zone: UTC+2", "Time", "+02:00"), ("", "Time UTC", "UTC"), ("", "DATE_MST", "-07:00"),
    ("", "EAT", "+03:00"), ("", "Time", "site"), ("", "LATEST", "site")])
def test_the_zone_a_file_speaks_of(top, column, zone):
    # letters of zones and their offsets: common practice; Python writes minus five hours as "-1 day, 19:00"
    table = SampleTable([column, "x"], [[f"2026-01-01 10:0{minute}", "1.5"] for minute in range(8)])
    assert time_guess(table, top).settings["zone"] == zone


def test_a_value_in_hundreds_is_not_taken_for_a_time_of_day():
    rows = [[f"{day:02d}-03-1980", str(1000 + 7 * day), str(950 + 7 * day)] for day in range(1, 28)]
    guess = time_guess(SampleTable(["Peildatum", "Stand (cm)", "Peil (cm)"], rows), "")
    assert guess.columns == ["Peildatum"]
