"""The short form of the proof: a dozen held-out plants drawn, run, kept, diagnosed and reported."""

from pathlib import Path

import numpy as np
import pytest

from diagnostics.proving.drawing import draw_site
from diagnostics.proving.drawing_faults import DrawnPlant
from diagnostics.proving.figures import reliability_of
from diagnostics.proving.planting import PlantedFault
from diagnostics.proving.score import score
from pipelines.proof.calibrating import cross_validated, fitted, stated_findings, write_fit
from pipelines.proof.diagnosing import diagnose_kept, outcome_of_plant, until
from pipelines.proof.own_chain import own_chain_of_plant, own_chain_tables
from pipelines.proof.plants import (
    FleetRequest,
    drawn_fleet,
    kept_plants,
    lots_of,
    read_plant,
    run_lot,
    simulate_to_cache,
)
from pipelines.proof.report import as_markdown, tables
from pipelines.prove import main

REQUEST = FleetRequest(7, 45, 3, "held_out", families=("centrifugal_submersible", "helical_submersible"),
                       step_s=1800.0)
# Faults that no look at the record could miss: each takes more than a quarter of the water, from day 22.
SEVERE = (PlantedFault("drive_stopped", 22.0), PlantedFault("meter_stopped", 22.0), PlantedFault("off_mpp", 22.0, 0.6),
          PlantedFault("drive_limited", 22.0, 0.7), PlantedFault("riser_leak", 22.0, 0.6))


@pytest.fixture(scope="module")
def proved(tmp_path_factory):
    folder = simulate_to_cache(REQUEST, tmp_path_factory.mktemp("cache"), say=lambda text: None)
    paths = kept_plants(folder)
    return paths, diagnose_kept(paths, say=lambda text: None)


def test_every_plant_is_diagnosed_and_every_asked_figure_is_a_number(proved):
    paths, outcomes = proved
    found = score(outcomes)
    assert len(paths) == len(outcomes) == found.plants == 7
    for value in (found.macro_f1, found.named, found.right_first, found.among_rivals,
                  found.false_alarms_per_sound_year, found.figures["account, largest failure to close"]):
        assert np.isfinite(value)
    assert found.figures["account, largest failure to close"] < 1e-9
    # A wrong unit or a lost day in the comparison would leave nearly no day inside its interval.
    assert found.figures["days inside the 95 % interval of expected delivery"] > 0.3


def test_most_severe_faults_are_named_or_among_the_rivals():
    fleet = [DrawnPlant(draw_site(np.random.default_rng(40 + i), "centrifugal_submersible", "tracking", number=i,
                                  sensors="array, tank", step_s=1800.0, variant="held_out"), (fault,))
             for i, fault in enumerate(SEVERE)]
    outcomes = [outcome_of_plant(ran) for ran in run_lot(fleet, range(len(fleet)), REQUEST, 0)]
    assert [o.band for o in outcomes] == ["severe"] * len(SEVERE)
    assert np.mean([o.among_rivals for o in outcomes]) > 0.5


def test_what_its_own_chain_lets_be_said_is_of_the_planted_causes_alone():
    drawn = draw_site(np.random.default_rng(40), "centrifugal_submersible", "tracking", number=0,
                      sensors="array, tank", step_s=1800.0, variant="held_out")
    fleet = [DrawnPlant(drawn, ()), DrawnPlant(drawn, (PlantedFault("meter_stopped", 22.0),
                                                       PlantedFault("temperature_sensor_fault", 22.0, 20.0)))]
    sound, failing = (own_chain_of_plant(ran) for ran in run_lot(fleet, range(2), REQUEST, 0))
    assert sound == []
    stopped, warm = failing
    assert (stopped.cause, warm.cause) == ("meter_stopped", "temperature_sensor_fault")
    assert stopped.seen and stopped.opened and stopped.probability > 0.5
    by_band, _, by_cause = (table for _, table in own_chain_tables(failing))
    assert by_band["planted"].sum() == 2 and list(by_cause["cause"]) == ["meter_stopped", "temperature_sensor_fault"]
    assert by_cause["named first, expected"].iloc[0] == pytest.approx(stopped.probability)


def test_tables_print_as_markdown_with_every_cause(proved):
    outcomes = proved[1]
    text = "\n\n".join(as_markdown(title, table) for title, table in tables(score(outcomes), outcomes))
    assert "| figure | value | goal |" in text
    for outcome in outcomes:
        for fault in outcome.faults:
            assert fault.cause in text


def test_a_second_run_reads_what_was_kept(proved, tmp_path):
    paths = proved[0]
    before = {path: path.stat().st_mtime_ns for path in paths}
    simulate_to_cache(REQUEST, paths[0].parent.parent, say=lambda text: None)
    assert before == {path: path.stat().st_mtime_ns for path in kept_plants(paths[0].parent)}


def test_a_record_cut_short_ends_where_it_was_cut(proved):
    ran = read_plant(proved[0][0])
    end = ran.readings.values.index[len(ran.readings.values) // 2]
    cut = until(ran.readings, end)
    assert cut.values.index[-1] == end
    assert cut.values.equals(ran.readings.values.loc[:end])


def test_held_out_plants_are_of_other_regions_and_the_same_request_draws_the_same():
    one, other = drawn_fleet(REQUEST), drawn_fleet(REQUEST)
    assert [p.drawn.site for p in one] == [p.drawn.site for p in other]
    trained = drawn_fleet(FleetRequest(12, 45, 3, "training"))
    assert not {p.drawn.climate for p in one} & {p.drawn.climate for p in trained}
    assert all(p.drawn.truth.variant == "held_out" for p in one)
    assert sorted(i for lot in lots_of(one, lot=5) for i in lot) == list(range(7))


def test_confidence_is_never_fitted_on_held_out_plants(capsys):
    with pytest.raises(SystemExit):
        main(["--calibrate", "--variant", "held_out"])
    assert "never fitted on held-out" in capsys.readouterr().err


def _findings(rng, count):
    """Findings whose posterior boasts: the log odds stated are three times those that hold."""
    import pandas as pd

    true = rng.normal(0.5, 1.0, count)
    return pd.DataFrame({"right": rng.random(count) < 1 / (1 + np.exp(-true)), "raw": 1 / (1 + np.exp(-3 * true)),
                         "family": rng.integers(0, 6, count).astype(str),
                         "region": rng.integers(0, 5, count).astype(str), "posterior": 3 * true,
                         "days": rng.normal(size=count)})


def test_a_boasting_posterior_is_brought_down_to_what_holds():
    table = _findings(np.random.default_rng(1), 1500)
    result = cross_validated(table, "family")
    assert result.raw_error > 0.1
    assert result.error < 0.05
    assert result.brier < result.raw_brier
    fit = fitted(table)
    weight, scale = fit.traits["posterior"][2], fit.traits["posterior"][1]
    assert weight / scale == pytest.approx(1 / 3, rel=0.25)      # by construction


def test_what_hardly_varies_among_training_plants_is_not_weighed_on_records_of_another_length():
    table = _findings(np.random.default_rng(3), 400)
    table["days"] = 5.48 + 0.002 * table["days"] * table["right"]
    assert "days" not in fitted(table).traits
    table["days"] = np.where(table["right"], 5.5, 4.5)
    assert fitted(table).traits["days"][2] > 0.0


def test_the_written_fit_is_a_module_that_says_the_same(tmp_path):
    table = _findings(np.random.default_rng(2), 400)
    fit = fitted(table)
    path = write_fit(fit, "made findings", tmp_path / "fit.py")
    space: dict[str, object] = {}
    exec(path.read_text(encoding="utf-8"), space)  # noqa: S102
    assert space["INTERCEPT"] == pytest.approx(fit.intercept, abs=1e-3)
    assert set(space["TRAITS"]) == set(fit.traits)


def test_reliability_counts_what_was_stated():
    table, error = reliability_of([(0.85, True)] * 17 + [(0.85, False)] * 3 + [(0.2, False)] * 10)
    assert table["findings"].tolist() == [10, 20]
    assert error == pytest.approx((10 * 0.2 + 20 * 0.0) / 30)    # by hand


def test_findings_without_traits_stay_out_of_the_fit(proved):
    table = stated_findings(proved[1])
    assert Path(proved[0][0]).exists()
    assert len(table) == sum(bool(f.confidence_from) for o in proved[1] for f in o.findings)
