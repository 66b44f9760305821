"""Unvented level loggers from file to level: a barometer of its own, as a column, or none."""

import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipelines.ingest import ingest_fleet
from pipelines.ingest.profile import LoggerProfile

DATA = Path(__file__).parent.parent / "data"
MEASURED = Path(__file__).parents[3] / "sample-logs" / "measured" / "logs" / "dialects"
LOGGER = {"encoding": "latin-1", "header_starts_with": "Date/time", "trailer_starts_with": "END OF DATA",
          "ignored_columns": ["*"],
          "time": {"columns": ["Date/time"], "format": "%Y/%m/%d %H:%M:%S", "zone": "+02:00"}}
WELL = {"static_water_level_m": 3.0, "pump_setting_depth_m": 9.0, "water_temperature_c": 4.0}


def a_pair(fleet, *, air=True, depth_m=5.0, altitude_m=30.0):
    """Put the real pair of a well logger and a barometer into a fleet."""
    fleet.profiles["well"] = LoggerProfile.model_validate({
        "key": "well", **LOGGER, "channels": {"Pressure[cmH2O]": {"channel": "submerged_pressure_pa",
                                                                  "unit": "cm_h2o"}}})
    fleet.profiles["air"] = LoggerProfile.model_validate({
        "key": "air", **LOGGER, "channels": {"Pressure[cmH2O]": {"channel": "air_pressure_pa", "unit": "cm_h2o"}}})
    logs = [{"profile": "well", "files": "PB01A*"}, *([{"profile": "air", "files": "Baro*"}] if air else [])]
    fleet.add_site("well-1", "", "", logs=logs, altitude_m=altitude_m,
                   well={**WELL, **({} if depth_m is None else {"level_logger_depth_m": depth_m})})
    for file in (next(MEASURED.glob("PB01A*")), next((DATA / "files").glob("Barodiver*"))):
        shutil.copy(file, fleet.folder / "logs" / file.name)


def test_the_real_pair_gives_the_level_of_its_worked_hour(fleet, ledger):
    # zawadzkim/gensor, testdata: 30 March 2022 11:00 local, 1284.392 less 1023.750 cmH2O: 2.606 m above the sensor
    a_pair(fleet)
    report = ingest_fleet(fleet, ledger)
    readings = ledger.read_site("well-1")
    at = datetime(2022, 3, 30, 9, tzinfo=UTC)
    assert readings.values.loc[at, "water_level_m"] == pytest.approx(5.0 - 2.6065, abs=1e-3)
    assert readings.sound("water_level_m").notna().sum() > 15_000
    assert not [says for says in report.messages if "absolute" in says or "air pressure" in says]
    # the weather is gone: from one day to the next the raw pressure moves with the air's, the level far less
    day = readings.values.diff(24).abs().median()
    assert day["water_level_m"] < 0.5 * day["submerged_pressure_pa"] / 9806.65


def test_without_a_barometer_no_level_is_made_up_and_the_mend_is_named(fleet, ledger):
    a_pair(fleet, air=False)
    report = ingest_fleet(fleet, ledger)
    assert "water_level_m" not in ledger.read_site("well-1").values
    assert any("well-1" in says and "air_pressure_pa" in says and "[[logs]]" in says for says in report.messages)


def test_without_its_depth_no_level_is_made_up_and_the_key_is_named(fleet, ledger):
    a_pair(fleet, depth_m=None)
    report = ingest_fleet(fleet, ledger)
    assert "water_level_m" not in ledger.read_site("well-1").values
    assert any("level_logger_depth_m" in says for says in report.messages)


def test_a_barometer_of_another_height_is_not_believed(fleet, ledger):
    a_pair(fleet, altitude_m=1800.0)
    report = ingest_fleet(fleet, ledger)
    assert not ledger.read_site("well-1").has("water_level_m")
    assert any("cannot be that at 1800 m" in says for says in report.messages)


def test_air_pressure_as_a_column_beside_it(fleet, ledger):
    fleet.add_profile("p", time={"columns": ["t"], "zone": "UTC"}, channels={
        "well": {"channel": "submerged_pressure_pa", "unit": "kpa"}, "baro": {"channel": "air_pressure_pa",
                                                                              "unit": "hpa"}})
    fleet.add_site("well-1", "p", "*.csv", altitude_m=0.0, well={**WELL, "level_logger_depth_m": 25.0})
    fleet.write("a.csv", "t,well,baro\n2026-01-01 10:00:00,202.65,1013.25\n2026-01-01 10:05:00,199.65,983.25\n")
    ingest_fleet(fleet, ledger)
    # one atmosphere of water is 10.33 m (common practice), so the water stands at 25 - 10.33 m
    assert ledger.read_site("well-1").values["water_level_m"].to_numpy() == pytest.approx(14.67, abs=0.005)
