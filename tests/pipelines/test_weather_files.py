"""Files of light as their networks publish them, read through pvlib, against what the files themselves say."""

from pathlib import Path

import pandas as pd
import pytest

from diagnostics.site import WeatherFile
from pipelines.errors import LoggerFileError
from pipelines.fleet.weather_files import FORMATS, read_weather_file

FILES = Path(__file__).parent / "data" / "files"        # sources and licences stand in data/README.md


def read(name, reader, column=""):
    return read_weather_file(FILES / name, WeatherFile(file=name, reader=reader, column=column))


def test_a_minute_file_of_a_network_stands_where_and_when_it_says():
    found = read("abq19056.dat", "solrad")
    assert found.interval_s == 60.0
    assert (found.latitude_deg, found.longitude_deg, found.altitude_m) == (35.03796, -106.62211, 1617.0)
    assert found.global_horizontal_w_m2.iloc[:2].tolist() == [104.5, 102.6]         # first two lines of the file
    assert found.global_horizontal_w_m2.index[0] == pd.Timestamp("2019-02-25 00:00", tz="UTC")


def test_five_minutes_are_stamped_at_their_end_and_the_code_for_no_value_is_none():
    found = read("CRNS0101-05-2019-AZ_Tucson_11_W.txt", "crn")
    assert found.interval_s == 300.0
    assert found.global_horizontal_w_m2.iloc[0] == 296.0
    assert found.global_horizontal_w_m2.index[0] == pd.Timestamp("2019-01-01 16:10", tz="UTC")


def test_typical_months_keep_their_years_and_are_stamped_at_the_end_of_the_hour():
    import pvlib

    name = "723170TYA.CSV"                              # Greensboro, comes with pvlib
    path = Path(pvlib.__file__).parent / "data" / name
    found = read_weather_file(path, WeatherFile(file=name, reader="tmy3"))
    series = found.global_horizontal_w_m2
    assert (found.latitude_deg, found.longitude_deg) == (36.1, -79.95)
    assert series.index.year.nunique() > 5
    # The first line is 01/01/1988 01:00 local, of the hour that ends there.
    assert pd.Timestamp("1988-01-01 06:00", tz="UTC") in series.index


def test_west_counted_positive_in_an_old_header_is_west(tmp_path):
    old = (FILES / "abq19056.dat").read_text("ascii").replace("-106.62211", " 106.62211")
    (tmp_path / "old.dat").write_text(old, "ascii")
    assert read_weather_file(tmp_path / "old.dat", WeatherFile(file="old.dat", reader="solrad")
                             ).longitude_deg == -106.62211


def test_a_format_that_names_no_column_asks_for_it_and_tells_those_there_are(tmp_path):
    (tmp_path / "day.txt").write_text("DATE (MM/DD/YYYY),MST,Global PSP [W/m^2]\n10/14/2018,12:00,612.5\n"
                                      "10/14/2018,12:01,613.5\n", "ascii")
    with pytest.raises(LoggerFileError, match=r"Global PSP \[W/m\^2\]"):
        read_weather_file(tmp_path / "day.txt", WeatherFile(file="day.txt", reader="midc"))
    found = read_weather_file(tmp_path / "day.txt", WeatherFile(file="day.txt", reader="midc",
                                                                column="Global PSP [W/m^2]"))
    assert found.global_horizontal_w_m2.tolist() == [612.5, 613.5]
    assert found.global_horizontal_w_m2.index[0] == pd.Timestamp("2018-10-14 19:00", tz="UTC")


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")    # a reader of pvlib leaves it open
@pytest.mark.parametrize("reader", sorted(FORMATS))
def test_a_foreign_file_is_refused_in_words(tmp_path, reader):
    (tmp_path / "x.txt").write_text("nothing of the kind\nat all\n", "ascii")
    with pytest.raises(LoggerFileError, match=r"x\.txt"):
        read_weather_file(tmp_path / "x.txt", WeatherFile(file="x.txt", reader=reader))


def test_every_format_a_sheet_may_name_has_a_reader_of_pvlib():
    from typing import get_args

    from pvlib import iotools

    assert set(get_args(WeatherFile.model_fields["reader"].annotation)) == set(FORMATS)
    assert all(hasattr(iotools, form.function) for form in FORMATS.values())
