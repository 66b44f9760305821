"""Light that a site lacks, taken from its neighbours when it is worked out."""

import gzip
import re
import shutil
from pathlib import Path

import numpy as np
import pytest

from pipelines.ingest import ingest_fleet
from pipelines.ledger import Ledger
from pipelines.stages.diagnosing import diagnose
from pipelines.stages.loading import load

SAMPLE = Path(__file__).resolve().parents[2] / "sample-logs" / "fleet"
WEEKS = ("2026-W10", "2026-W11", "2026-W12", "2026-W13")
DARK = "2026-W13"                       # week without light at the twin


def text_of(week):
    path = SAMPLE / "logs" / "draw-camp" / f"{week}.csv"
    return path.read_text("utf-8") if path.is_file() else gzip.decompress(path.with_suffix(".csv.gz").read_bytes()
                                                                          ).decode("utf-8")


@pytest.fixture
def twins(tmp_path):
    """Return a fleet of a demo site and its like 11 km north, whose light sensor is silent for the last week."""
    fleet = tmp_path / "fleet"
    shutil.copytree(SAMPLE, fleet, ignore=shutil.ignore_patterns("logs", "sites", "service-log.csv"))
    (fleet / "sites").mkdir()
    sheet = (SAMPLE / "sites" / "draw-camp.toml").read_text("utf-8")
    (fleet / "sites" / "draw-camp.toml").write_text(sheet, "utf-8")
    (fleet / "sites" / "draw-twin.toml").write_text(
        sheet.replace("draw-camp", "draw-twin").replace("latitude_deg = 34.298", "latitude_deg = 34.398"), "utf-8")
    for name in ("draw-camp", "draw-twin"):
        (fleet / "logs" / name).mkdir(parents=True)
        for week in WEEKS:
            said = text_of(week)
            if name == "draw-twin" and week == DARK:
                said = re.sub(r"(?m)^([^,\n]*-0[67]:00),[^,]*,", r"\1,-9999,", said)
            (fleet / "logs" / name / f"{week}.csv").write_text(said, "utf-8")
    return fleet


def days_of(diagnosis):
    return diagnosis.intervals["day"].astype(str).str.slice(0, 10)


def worked_out(folder, out, **more):
    fleet = load(folder)
    with Ledger(out) as ledger:
        ingest_fleet(fleet, ledger)
        report = diagnose(fleet, ledger, **more)
        return report, {site_id: ledger.read_diagnosis(site_id) for site_id in fleet.sites}


def test_a_silent_sensor_is_stood_in_for_by_the_neighbours_and_said_so(twins, tmp_path):
    report, found = worked_out(twins, tmp_path / "out")
    assert not report.failed
    twin, own = found["draw-twin"], found["draw-camp"]
    dark = twin.days.index[-6:-1]
    lit = twin.intervals[days_of(twin).isin(dark.astype(str)) & (twin.intervals["sun_elevation_deg"] > 15.0)]
    assert set(lit["irradiance_source"].astype(str)) == {"neighbour"}
    early = twin.intervals[days_of(twin).isin(twin.days.index[2:12].astype(str))
                           & (twin.intervals["sun_elevation_deg"] > 15.0)]
    assert (early["irradiance_source"].astype(str) == "plane_sensor").mean() > 0.95
    assert twin.days.loc[dark, "judged"].all()
    # The two plants are one: what the twin expects by borrowed light is held against what the sensor itself gives.
    ratio = twin.days.loc[dark, "expected_m3"] / own.days.loc[dark, "expected_m3"]
    assert np.abs(ratio - 1.0).max() < 0.03, ratio
    width = (twin.days["expected_high_m3"] - twin.days["expected_low_m3"]) / twin.days["expected_m3"]
    assert width.loc[dark].median() > 1.1 * width.iloc[2:12].median()
    assert any("draw-camp (11 km) stands in" in note for note in twin.notes)
    assert not any("stands in" in note for note in own.notes)


def test_more_readings_of_the_neighbour_work_out_the_dark_site_again_and_not_the_lit_one(twins, tmp_path):
    worked_out(twins, tmp_path / "out")
    again, _ = worked_out(twins, tmp_path / "out")
    assert sorted(again.unchanged) == ["draw-camp", "draw-twin"]
    (twins / "logs" / "draw-twin" / "2026-W09.csv").write_text(text_of("2026-W09"), "utf-8")
    report, _ = worked_out(twins, tmp_path / "out")
    assert report.done == ["draw-twin"]             # the lit one does not hang on it
    (twins / "logs" / "draw-camp" / "2026-W14.csv").write_text(text_of("2026-W14"), "utf-8")
    report, _ = worked_out(twins, tmp_path / "out")
    assert sorted(report.done) == ["draw-camp", "draw-twin"]


def test_a_company_can_forbid_it(twins, tmp_path):
    with (twins / "fleet.toml").open("a", encoding="utf-8") as sheet:
        sheet.write('\n[thresholds.neighbour_light_km]\nvalue = 0\nwhy = "Our hills each have their own cloud."\n')
    _, found = worked_out(twins, tmp_path / "out")
    twin = found["draw-twin"]
    assert not (twin.intervals["irradiance_source"].astype(str) == "neighbour").any()
    assert not twin.days["judged"].iloc[-6:-1].any()
