"""The whole path on files that other people measured: every station gets through, and known facts come out."""

import re
from pathlib import Path

import numpy as np
import pytest

from diagnostics.expected import expect
from pipelines.measured_arrays import compare_array, folds_of, learned_elsewhere, plain_parameters, weather_of
from pipelines.measured_report import ARRAYS, KNOWN, known_section, results_text, run_measured, with_clock_set

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
        assert bright["bias_sheet"].abs().max() < BOUND, site_id
        assert bright["current_bias"].abs().max() < BOUND, site_id


def test_aged_arrays_are_told_better_than_by_a_model_without_losses(run):
    for site_id, days, coefficients, _ in ARRAYS[2:]:
        file = run.fleet.folder / coefficients if coefficients else None
        bright = compare_array(run.fleet.sites[site_id], run.readings[site_id], days, file).query("low_w_m2 >= 400")
        assert (bright["nrmse_sheet"] < bright["nrmse_plain"]).all(), site_id


def test_the_chain_as_it_runs_is_not_worse_than_pvlibs_own_above_weak_light(run):
    """Learned on other days, or on the other half of the day: by bin of light, against ModelChain's ordinary path."""
    for site_id, days, coefficients, _ in ARRAYS:
        file = run.fleet.folder / coefficients if coefficients else None
        readings = run.readings[site_id]
        if site_id == "flat-roof":      # its clock is two hours late, which the diagnosis says
            readings = with_clock_set(readings, 1.9)
        table = compare_array(run.fleet.sites[site_id], readings, days, file)
        above = table.query("low_w_m2 >= 200")
        assert (above["nrmse_own"] <= above["nrmse_plain"]).all(), site_id
        weak = table.query("low_w_m2 < 200")
        assert (weak["nrmse_own"] <= 1.3 * weak["nrmse_plain"]).all(), site_id


def test_what_a_fold_gave_never_enters_its_own_prediction(run):
    site, readings = run.fleet.sites["roof-string-1"], run.readings["roof-string-1"]
    weather, interval_s = weather_of(readings), readings.interval_s
    sheet = expect(site, weather, interval_s)["expected_array_power_w"]
    measured = weather["array_voltage_v"] * weather["array_current_a"]
    fold = folds_of(site, weather, np.ones(len(weather), dtype=bool))
    assert set(np.unique(fold)) == {0, 1}                # one day: its two halves
    before = learned_elsewhere(site, weather, interval_s, sheet, measured, fold)
    changed = learned_elsewhere(site, weather, interval_s, sheet, measured.where(fold != 1, 3.0 * measured), fold)
    np.testing.assert_array_equal(before[fold == 1], changed[fold == 1])
    assert np.nanmax(np.abs(before[fold == 0] - changed[fold == 0])) > 1.0
    several = run.fleet.sites["bipolar-roof"], weather_of(run.readings["bipolar-roof"])
    assert len(np.unique(folds_of(*several, np.ones(len(several[1]), dtype=bool)))) == 5     # days


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
