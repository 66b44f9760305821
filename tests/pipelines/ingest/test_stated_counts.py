"""
What the sources of the measured files, or people who counted in them, state: held against what the ingest has read.

The facts were counted from the files themselves by hand, apart from this program; where the file kept here is a part
of the source's, the test says so and holds what the part must show.
"""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from diagnostics.readings import Mask
from pipelines.ingest import ingest_fleet
from pipelines.ledger import Ledger
from pipelines.stages.loading import load

MEASURED = Path(__file__).parents[3] / "sample-logs" / "measured"
GHI, POA = "global_horizontal_irradiance_w_m2", "poa_irradiance_w_m2"


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """The whole measured fleet in one ledger."""
    fleet = load(MEASURED)
    with Ledger(tmp_path_factory.mktemp("counts") / "ledger") as ledger:
        report = ingest_fleet(fleet, ledger)
        assert (report.files_unreadable, report.quarantined, report.unclaimed) == (0, 0, [])
        yield ledger


def local(readings, channel, zone):
    return readings.values[channel].dropna().tz_convert(zone)


def rows_of(ledger, name):
    files = ledger.files()
    return int(files.loc[files["path"].str.endswith(name), "rows"].iloc[0])


# the file of the two strings is read for both of them, each row twice
@pytest.mark.parametrize(("name", "rows"), [
    ("8137_PBF.csv.gz", 76_168), ("MomentaanO.csv.gz", 28_797), ("AV319.csv.gz", 15_222), ("slug1m.xle", 587),
    ("Baseline6kW_2015_11_11.dat.gz", 2 * 1351), ("MET_2015_11_11.dat.gz", 1351), ("TAEFC1044741.csv.gz", 34_582),
    ("stale_data.csv.gz", 3000), ("interpolated_data.csv.gz", 3000), ("as_rows.csv.gz", 96 * 730),
    ("srrl_1min_2019-03-10_2019-03-17.csv.gz", 11_520), ("serf_west_15min.csv", 480), ("nrel_RSF_II.csv", 480),
    ("irradiance_RMIS_NREL.csv", 1440), ("bsrn-pay0616-first-2-days.dat.gz", 2 * 1440),
    ("surfrad-slv16001.dat.gz", 1440), ("midc_20181014.txt.gz", 1440), ("midc_raw_20181018.txt.gz", 1440),
    ("SRML-day-EUPO1801.txt", 1440), ("head_wellex.csv.gz", 3869), ("mur_dam_head.csv.gz", 3508),
    ("Observation_well.csv.gz", 2846), ("water-flow.csv", 1268)])
def test_rows(measured, name, rows):
    assert rows_of(measured, name) == rows


def test_the_water_main(measured):
    flow = 1000.0 * local(measured.read_site("water-main"), "flow_m3_s", "Europe/Rome")
    assert [round(value, 1) for value in flow.quantile([0.25, 0.75])] == [101.4, 103.1]
    assert (round(flow.max(), 2), f"{flow.idxmax():%d %b %H:%M}") == (109.68, "03 Apr 06:00")
    low = flow[flow < 25.0]
    runs = (low.index.to_series().diff() > pd.Timedelta("12h")).cumsum()
    spans = [(f"{part.index[0]:%d %b %H:%M}", f"{part.index[-1]:%d %b %H:%M}") for _, part in low.groupby(runs)]
    assert len(spans) == 3 and all(24.2 < part.median() < 24.3 for _, part in low.groupby(runs))
    offsets = pd.Series([stamp.utcoffset().total_seconds() / 3600 for stamp in flow.index])
    assert offsets.value_counts().to_dict() == {2.0: 1109, 1.0: 159}
    steps = flow.index.to_series().diff().dropna() / pd.Timedelta("1h")
    gaps = steps[steps > 1.0]
    assert [(f"{stamp:%d %b %H:%M}", hours) for stamp, hours in gaps.items()] == [
        ("29 Mar 05:00", 2), ("19 Apr 05:00", 2), ("25 Apr 10:00", 32), ("26 Apr 07:00", 11), ("10 May 20:00", 7),
        ("11 May 22:00", 23), ("12 May 20:00", 22), ("13 May 14:00", 16), ("13 May 17:00", 2), ("16 May 20:00", 4)]


def test_two_young_strings(measured):
    one, two = (measured.read_site(f"roof-string-{place}").values.tz_convert("Etc/GMT+7") for place in (1, 2))
    assert f"{one.index[-1]:%d %H:%M}" == "11 22:30"
    noon = {name: table.between_time("11:30", "12:30").mean() for name, table in (("one", one), ("two", two))}
    assert [round(noon[name]["array_current_a"], 1) for name in noon] == pytest.approx([8.1, 8.2], abs=0.06)
    assert one["string_2_current_a"].abs().max() < 0.03 and two["string_2_current_a"].abs().max() < 0.03
    assert [round(noon[name]["array_voltage_v"]) for name in noon] == [361, 364]
    watts = [noon[name]["array_voltage_v"] * noon[name]["array_current_a"] / 1000 for name in noon]
    assert watts == pytest.approx([2.94, 2.99], abs=0.015)
    assert max(one[POA].max(), two[POA].max()) == pytest.approx(1270, abs=1)


def test_a_clock_that_jumped_and_days_without_power(measured):
    power = measured.read_site("clock-power").values["array_power_w"]
    days = power.to_numpy().reshape(730, 96)
    dead = np.flatnonzero(np.nansum(days, axis=1) == 0)
    assert dead.tolist() == [71, *range(506, 527)]


def test_codes_for_no_value_and_what_they_did_to_the_mean(measured):
    readings = measured.read_site("sentinel-power")
    power, masks = readings.values["array_power_w"] / 1000, readings.masks["array_power_w"]
    assert (masks == int(Mask.SENTINEL)).sum() == 3
    assert (power.dropna().min(), round(power.max(), 2)) == (0.0, 7.03)
    with_codes = (power.sum() - 3 * 1e6) / len(power)
    assert round(with_codes) == -84
    by_hour = power.groupby(power.index.hour).mean()
    assert by_hour.idxmax() == 20


def test_a_winter_week_by_a_clock_without_summer_time(measured):
    readings = measured.read_site("sky-denver")
    assert (readings.values.index.to_series().diff().dropna() == pd.Timedelta("1min")).all()
    assert round(readings.values[POA].max()) == 1320 and round(readings.values[GHI].max()) == 1063


def test_an_outage_day(measured):
    # 6 Jan 2022: DC and AC at zero while the sun shone, after four good ones
    values = measured.read_site("flat-roof").values.tz_convert("Etc/GMT+7")
    daily = values["array_power_w"].clip(lower=0).groupby(values.index.date).sum()
    sun = values[POA].clip(lower=0).groupby(values.index.date).sum()
    day = datetime(2022, 1, 6, tzinfo=UTC).date()
    before = [date for date in daily.index if date < day]
    assert daily[day] < 0.005 * daily[before].median() and sun[day] > 0.2 * sun[before].median()


def test_a_sensor_whose_scale_changed(measured):
    # of the source's five years four months are kept: the readings above 1500 W/m2 begin on 25 May 2023
    values = measured.read_site("plane-jump").values[POA]
    high = values[values > 1500]
    assert f"{high.index[0].tz_convert('Etc/GMT+7'):%Y-%m-%d}" == "2023-05-25"
    assert round(values.max()) == 5627


def test_levels_that_rose_and_fell(measured):
    # heads as depths below a plane; the profiles say which, so that differences are the heads'
    level = -measured.read_site("river-dam").values["water_level_m"]
    halves = [level["2011-01":"2011-06"].mean(), level["2011-07":"2011-12"].mean(), level["2012-01":"2012-06"].mean(),
              level["2012-07":"2012-12"].mean()]
    assert np.diff(halves) == pytest.approx([329.87 - 329.73, 330.79 - 329.87, 330.94 - 330.79], abs=0.02)
    decline = -measured.read_site("slow-decline").values["water_level_m"]
    five = decline.groupby((decline.index.year // 5) * 5).mean()
    assert five[1960] - five[1975] > 3.0 and five[2015] - five[1975] > 1.0


def test_a_record_whose_step_changes_twice(measured):
    # a single pair of rows an hour apart stands on 16 June 2010; hourly throughout it is from February 2013 on, every
    # five minutes in 2017 alone, and hourly again in 2018
    index = measured.read_site("tabs-well").values.index
    steps = index.to_series().diff()
    hours = steps[steps == pd.Timedelta("1h")]
    assert f"{hours.index[0].tz_convert('Etc/GMT-1'):%d %b %Y %H:%M}" == "16 Jun 2010 12:00"
    spans = [("2007-03", "2010-05", "1D"), ("2010-07", "2013-01", "1D"), ("2013-03", "2016-05", "1h"),
             ("2017-03", "2017-06", "5min"), ("2018-03", "2018-06", "1h")]
    assert [steps[first:last].median() for first, last, _ in spans] == [pd.Timedelta(step) for _, _, step in spans]


def test_stuck_and_drawn_spans_have_the_lengths_their_source_gives():
    # pvlib/pvanalytics: the truth column of each file
    logs = MEASURED / "logs" / "power-records"
    stuck = pd.read_csv(logs / "ac_power_inv_2173_stale_data.csv.gz")["stale_data_mask"].to_numpy()
    drawn = pd.read_csv(logs / "ac_power_inv_2173_interpolated_data.csv.gz")["interpolated_data_mask"].to_numpy()
    lengths = []
    for truth in (stuck, drawn):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], truth.astype(int), [0]])))
        lengths.append((edges[1::2] - edges[::2]).tolist())
    assert lengths[0] == [60, 100, 85]
    assert (len(lengths[1]), max(lengths[1])) == (12, 347)
