"""The whole path on files that other people measured: every station gets through, and known facts come out."""

import re
from pathlib import Path

import numpy as np
import pytest

from pipelines.measured_arrays import compare_array, plain_parameters
from pipelines.measured_report import ARRAYS, KNOWN, known_section, results_text, run_measured

MEASURED = Path(__file__).resolve().parents[2] / "sample-logs" / "measured"

# Facts that do not come out as the sources have them; each is explained in RESULTS.md's neighbour, the report itself.
# River dam: the source takes 1 January 2012, the head rises four weeks before.
KNOWN_MISSES = {"River dam"}


@pytest.fixture(scope="module")
def run():
    return run_measured(MEASURED)


def test_folder_is_free_of_problems_and_every_station_gets_a_result(run):
    assert run.fleet.problems == []
    assert run.report.files_unreadable == 0
    assert run.report.unclaimed == []
    assert set(run.diagnoses) == set(run.fleet.sites)
    assert all(len(readings.values) for readings in run.readings.values())


def test_no_station_without_pump_is_given_a_verdict_on_pumping(run):
    for site_id, diagnosis in run.diagnoses.items():
        assert diagnosis.verdict == "not enough data", site_id
        assert "it measures, it does not pump" in diagnosis.verdict_says, site_id
        assert "Judged: " in diagnosis.verdict_says, site_id
        assert diagnosis.accounts == [], site_id


# Sources of every fact: sample-logs/measured/SOURCES.md; the facts themselves stand in the report's table.
@pytest.mark.parametrize("known", KNOWN, ids=lambda known: known.what)
def test_known_fact_comes_out(run, known):
    said, fits = known.came_out(run)
    assert fits == (known.what not in KNOWN_MISSES), f"{known.truth} -> {said}"


# Standard uncertainties, percent: healthy irradiance sensors at one site differ by 4 to 5 (six reference cells and a
# pyranometer of the NIST ground array, 1 July 2015), a label's power tolerance is 3, losses of wiring, mismatch and age
# 2, cell temperature 1; twice their root sum of squares is 11.7. Above 1000 W/m2 cloud edges pass between the two.
BOUND = 2 * np.sqrt(4.5**2 + 3.0**2 + 2.0**2 + 1.0**2) / 100


def test_power_of_sound_arrays_is_predicted_within_what_label_and_sensor_allow(run):
    for site_id, days, coefficients, _ in ARRAYS:
        file = run.fleet.folder / coefficients if coefficients else None
        table = compare_array(run.fleet.sites[site_id], run.readings[site_id], days, file)
        bright = table.query("low_w_m2 >= 400 and high_w_m2 <= 1000")
        assert len(bright) >= 1, site_id
        assert bright["power_bias_ours"].abs().max() < BOUND, site_id
        assert bright["current_bias_ours"].abs().max() < BOUND, site_id


def test_aged_arrays_are_told_better_than_by_a_model_without_losses(run):
    for site_id, days, coefficients, _ in ARRAYS[2:]:
        file = run.fleet.folder / coefficients if coefficients else None
        bright = compare_array(run.fleet.sites[site_id], run.readings[site_id], days, file).query("low_w_m2 >= 400")
        assert (bright["power_nrmse_ours"] < bright["power_nrmse_plain"]).all(), site_id


def test_a_label_pvlib_cannot_fit_is_said_so_and_not_guessed(run):
    assert plain_parameters(run.fleet.sites["flat-roof"].array.module) is not None
    assert plain_parameters(run.fleet.sites["roof-string-1"].array.module) is None


def test_results_file_beside_the_data_tells_what_comes_out_now(run):
    written = (MEASURED / "RESULTS.md").read_text(encoding="utf-8")
    lines, good = known_section(run)
    assert f"{good} of {len(KNOWN)} known facts" in written, "run `make measured` and commit RESULTS.md"
    text = results_text(run)
    stations = re.findall(r"^\| ([a-z0-9-]+) \| (\d+) \|", text, flags=re.MULTILINE)
    assert stations == re.findall(r"^\| ([a-z0-9-]+) \| (\d+) \|", written, flags=re.MULTILINE)
    assert len(lines) > len(KNOWN)


def test_every_file_of_the_folder_has_its_licence_beside_it():
    sources = (MEASURED / "SOURCES.md").read_text(encoding="utf-8")
    for licence in re.findall(r"`([a-z0-9-]+\.txt)`", sources):
        assert (MEASURED / "licences" / licence).read_text(encoding="utf-8").strip()
    for folder in (MEASURED / "logs").iterdir():
        assert f"`{folder.name}/" in sources, folder.name
    assert sum(path.stat().st_size for path in MEASURED.rglob("*") if path.is_file()) < 4e6
