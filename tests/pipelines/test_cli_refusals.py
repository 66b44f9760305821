"""What a newcomer gets wrong at first is told with what, where and the mend, and without the names of classes."""

import shutil

import pytest
from pydantic import ValidationError

from pipelines.cli import main
from pipelines.fleet import write_starter_fleet
from pipelines.ingest.profile import ColumnRule


def run(*words):
    """Run a verb and return its exit code."""
    try:
        main([str(word) for word in words])
    except SystemExit as left:
        return left.code or 0
    return 0


@pytest.mark.parametrize(("channel", "unit", "says"), [
    ("flow_m3_s", "gpm", "Did you mean gpm_us or gpm_imp?"), ("flow_m3_s", "m3/h", "Did you mean m3_h?"),
    ("flow_m3_s", "lps", "Did you mean l_s?"), ("air_temperature_c", "degC", "Did you mean c?"),
    ("array_curent_a", "", "array_current_a"), ("poa_irradiance", "", "Did you mean poa_irradiance_w_m2?")])
def test_a_word_that_is_not_known_brings_the_few_it_may_be(channel, unit, says):
    with pytest.raises(ValidationError) as caught:
        ColumnRule(channel=channel, unit=unit)
    assert says in str(caught.value) and len(caught.value.errors()[0]["msg"]) < 200


def test_files_that_give_no_reading_are_told_before_the_run_gives_up(tmp_path, capsys):
    write_starter_fleet(tmp_path / "fleet")
    (tmp_path / "fleet" / "logs" / "acacia-bend" / "march.csv").write_text(
        "time;irradiance;flow;volts;amps\n2026-03-01 12:00:00;700;30;200;4\n", encoding="utf-8")
    assert run("run", tmp_path / "fleet", "--out", tmp_path / "out") == 2
    told = capsys.readouterr().err
    assert "delimiter" in told and told.index("delimiter") < told.index("The ledger holds no readings")
    assert "Error: The ledger" in told and "MomentError" not in told


def test_a_site_much_of_whose_rows_cannot_be_read_is_warned_of(tmp_path, capsys):
    rows = [f"2026-03-{day:02d} {hour:02d}:00:00,700,30,200,4" for day in (1, 2, 3, 4) for hour in range(24)]
    rows[10:20] = [row.replace("200,4", "200,x4") for row in rows[10:20]]
    write_starter_fleet(tmp_path / "fleet")
    log = tmp_path / "fleet" / "logs" / "acacia-bend" / "march.csv"
    log.write_text("\n".join(["time,irradiance,flow,volts,amps", *rows, ""]), encoding="utf-8")
    assert run("ingest", tmp_path / "fleet", "--out", tmp_path / "out") == 0
    assert "WARNING, site acacia-bend: 10 of 96 rows of its new files (10%)" in capsys.readouterr().err
    assert run("ingest", tmp_path / "fleet", "--out", tmp_path / "out") == 0
    assert "WARNING" not in capsys.readouterr().err


def test_letters_of_a_month_without_any_reading_are_refused(small_fleet, small_run, tmp_path, capsys):
    out = shutil.copytree(small_run, tmp_path / "out")
    (out / "made-from.txt").unlink()
    before = sorted(path.name for path in (out / "outbox").iterdir())
    assert run("letters", small_fleet, "--out", out, "--month", "2025-01") == 2
    told = capsys.readouterr().err
    assert "2025-01" in told and "2026-03 to 2026-0" in told and "Error: " in told
    assert sorted(path.name for path in (out / "outbox").iterdir()) == before


@pytest.mark.parametrize("verb", ["backup", "verify"])
def test_without_a_ledger_there_is_nothing_to_keep_and_none_is_made(verb, tmp_path, capsys):
    write_starter_fleet(tmp_path / "fleet")
    fleet, out = tmp_path / "fleet", tmp_path / "out"
    words = [tmp_path / "safe", "--fleet", fleet] if verb == "backup" else [fleet]
    assert run(verb, *words, "--out", out) != 0
    told = capsys.readouterr().err
    assert "no ledger here yet" in told and "liftledger run" in told and told.count("\n") == 1
    assert not out.exists() and not (tmp_path / "safe").exists()
