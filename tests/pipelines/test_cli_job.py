"""The whole job from the command line on a small fleet, and what each verb answers afterwards."""

import email
import io
import json
import re
import shutil
import subprocess
import sys
from email import policy

import numpy as np
import pandas as pd
import pytest

from pipelines.cli import main


def run(*words):
    """Run a verb and return its exit code."""
    try:
        main([str(word) for word in words])
    except SystemExit as left:
        return left.code or 0
    return 0


def test_the_job_leaves_a_page_for_the_fleet_and_for_each_site(small_run):
    pages = {path.relative_to(small_run / "pages").as_posix() for path in (small_run / "pages").rglob("*.html")}
    assert {"index.html", "sites/draw-camp.html", "sites/tule-house.html", "sites/windy-point.html"} <= pages
    index = (small_run / "pages" / "index.html").read_text(encoding="utf-8")
    assert 'href="sites/draw-camp.html"' in index
    assert "http://" not in re.sub(r"http://www\.w3\.org/[^\"' ]*", "", index)
    assert (small_run / "pages" / "assets" / "plotly.min.js").stat().st_size > 1_000_000


def test_what_was_planted_is_found_and_the_sound_site_has_no_fault_of_pump_or_array(small_fleet, small_run, capsys):
    assert run("findings", small_fleet, "--out", small_run, "--json") == 0
    found = json.loads(capsys.readouterr().out)
    causes = {(one["site_id"], one["cause"]) for one in found}
    assert ("draw-camp", "string_open") in causes
    assert ("windy-point", "logger_silent") in causes
    string = next(one for one in found if one["cause"] == "string_open")
    assert string["onset_low"] <= "2026-05-28" <= string["onset_high"]


def test_findings_can_be_asked_of_one_site_and_as_a_table(small_fleet, small_run, capsys):
    assert run("findings", small_fleet, "--out", small_run, "--site", "draw-camp", "--all") == 0
    shown = capsys.readouterr().out
    assert "draw-camp" in shown
    assert "windy-point" not in shown


def test_an_unknown_site_is_refused_with_the_nearest_one(small_fleet, small_run, capsys):
    assert run("findings", small_fleet, "--out", small_run, "--site", "draw-kamp") == 2
    assert "draw-camp" in capsys.readouterr().err


def test_the_account_of_a_month_adds_up(small_fleet, small_run, capsys):
    assert run("account", "draw-camp", "--fleet", small_fleet, "--out", small_run, "--month", "2026-06", "--json") == 0
    account = json.loads(capsys.readouterr().out)
    assert account["first_day"] == "2026-06-01"
    assert sum(line["volume_m3"] for line in account["lines"]) == pytest.approx(account["expected_m3"], abs=1e-6)


def test_a_month_without_account_names_those_there_are(small_fleet, small_run, capsys):
    assert run("account", "draw-camp", "--fleet", small_fleet, "--out", small_run, "--month", "2024-01") == 2
    assert "2026-06" in capsys.readouterr().err


def test_expected_and_delivered_can_be_had_day_by_day_and_reading_by_reading(small_fleet, small_run, capsys):
    given = ("--fleet", small_fleet, "--out", small_run)
    assert run("daily", "draw-camp", "--csv", *given) == 0
    days = pd.read_csv(io.StringIO(capsys.readouterr().out), index_col="day", parse_dates=True)
    judged = days[days["judged"]]
    assert len(judged) > 5 and (judged["expected_low_m3"] <= judged["expected_m3"]).all()
    day = judged.index[-1].date().isoformat()
    assert run("daily", "draw-camp", "--from", day, "--to", day, "--readings", "--json", *given) == 0
    rows = pd.DataFrame(json.loads(capsys.readouterr().out))
    assert set(rows["day"]) == {day}
    used = rows[rows["judged"]]
    step_s = float(np.median(pd.to_datetime(rows["interval_end_utc"]).diff().dropna().dt.total_seconds()))
    total_m3 = float((used["own_expected_flow_m3_s"] * step_s).sum())
    assert total_m3 == pytest.approx(judged["expected_m3"].iloc[-1], rel=0.02)
    assert run("daily", "draw-camp", *given) == 0
    assert "Expected" in capsys.readouterr().out
    assert run("daily", "draw-camp", "--from", "2031-01-01", *given) == 2
    assert "only" in capsys.readouterr().err
    assert run("daily", "draw-camp", "--readings", *given) == 2
    assert "--csv" in capsys.readouterr().err


def test_letters_wait_in_the_outbox_for_the_last_month_that_is_over(small_run):
    names = {path.name for path in (small_run / "outbox").glob("*.eml")}
    assert names == {f"2026-07_{site_id}.eml" for site_id in ("draw-camp", "tule-house", "windy-point")}
    mail = email.message_from_bytes((small_run / "outbox" / "2026-07_draw-camp.eml").read_bytes(),
                                    policy=policy.default)
    assert mail["To"] and mail["From"] and mail["Date"]
    assert {part.get_content_type() for part in mail.walk()} >= {"text/plain", "text/html", "image/png"}


@pytest.mark.slow
def test_doing_it_again_reads_nothing_new_and_leaves_pages_untouched(small_fleet, small_run, tmp_path, capsys):
    out = tmp_path / "out"
    fleet = shutil.copytree(small_fleet, tmp_path / "fleet")
    shutil.copytree(small_run, out)
    (out / "made-from.txt").unlink()
    pages = {path: path.stat().st_mtime_ns for path in out.rglob("*.html")}
    assert run("ingest", fleet, "--out", out) == 0
    assert "0 new file(s)" in capsys.readouterr().err
    capsys.readouterr()
    assert run("diagnose", fleet, "--out", out) == 0
    assert "0 site(s) worked out, 3 unchanged" in capsys.readouterr().out
    assert run("diagnose", fleet, "--out", out, "--workers", "1", "--again") == 0
    assert "3 site(s) worked out" in capsys.readouterr().out
    assert run("publish", fleet, "--out", out) == 0
    assert {path: path.stat().st_mtime_ns for path in out.rglob("*.html")} == pages


def test_a_page_of_a_site_that_left_the_fleet_goes_with_it(small_fleet, small_run, tmp_path):
    out = shutil.copytree(small_run, tmp_path / "out")
    (out / "made-from.txt").unlink()
    fleet = shutil.copytree(small_fleet, tmp_path / "fleet")
    (fleet / "sites" / "windy-point.toml").unlink()
    assert run("publish", fleet, "--out", out) == 0
    assert not (out / "pages" / "sites" / "windy-point.html").exists()
    assert (out / "pages" / "sites" / "draw-camp.html").exists()


@pytest.mark.slow
def test_one_failing_site_is_recorded_shown_and_does_not_stop_the_others(small_fleet, tmp_path, monkeypatch, capsys):
    from diagnostics.nights import walk as science

    sound = science.weigh_site

    def falters(site, readings, **more):
        if site.id == "draw-camp":
            raise ArithmeticError("a number nobody foresaw")
        return sound(site, readings, **more)

    monkeypatch.setattr(science, "weigh_site", falters)
    fleet = shutil.copytree(small_fleet, tmp_path / "fleet")
    assert run("run", fleet, "--out", tmp_path / "out", "--workers", "1") == 1
    told = capsys.readouterr()
    assert "draw-camp: could not be worked out" in told.err
    assert "a number nobody foresaw" in told.err
    page = (tmp_path / "out" / "pages" / "sites" / "draw-camp.html").read_text(encoding="utf-8")
    assert "a number nobody foresaw" in page
    assert (tmp_path / "out" / "pages" / "sites" / "tule-house.html").exists()


@pytest.mark.slow
def test_a_process_that_dies_costs_its_own_site_only(small_fleet, small_run, tmp_path, monkeypatch):
    """A site that eats all memory gets its process killed by the system; the others are worked out all the same."""
    from importlib import import_module

    from pipelines.stages import diagnosing
    from pipelines.stages.loading import load, open_ledger
    from pipelines.stages.outfolder import OutFolder

    out = shutil.copytree(small_run, tmp_path / "out")
    (tmp_path / "plant").mkdir()
    (tmp_path / "plant" / "dying_attempt.py").write_text(
        "import os\n"
        "from pipelines.stages.diagnosing import _attempt\n\n\n"
        "def attempt(job):\n"
        "    return os._exit(137) if job.site.id == 'draw-camp' else _attempt(job)\n", encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path / "plant")
    monkeypatch.setattr(diagnosing, "_attempt", import_module("dying_attempt").attempt)
    with open_ledger(OutFolder(out)) as ledger:
        report = diagnosing.diagnose(load(small_fleet), ledger, workers=2, again=True)
    assert [failure.site_id for failure in report.failed] == ["draw-camp"]
    assert sorted(report.done) == ["tule-house", "windy-point"]
    assert "memory" in report.failed[0].says


def test_an_installed_command_prints_our_errors_without_traceback(tmp_path):
    done = subprocess.run([sys.executable, "-c", "from pipelines.cli import main; main()", "run", tmp_path / "nowhere"],
                          capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "liftledger start" in done.stderr


def test_a_folder_above_the_fleet_is_told_where_the_fleet_is(small_fleet, capsys):
    assert run("run", small_fleet.parent) == 2
    assert str(small_fleet) in capsys.readouterr().err


def test_check_tells_everything_and_fails_on_an_error(small_fleet, tmp_path, capsys):
    assert run("check", small_fleet) == 0
    fleet = shutil.copytree(small_fleet, tmp_path / "fleet")
    sheet = fleet / "sites" / "draw-camp.toml"
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("latitude_deg", "latitude_degrees"), encoding="utf-8")
    capsys.readouterr()
    assert run("check", fleet) == 2
    said = capsys.readouterr().out
    assert "draw-camp.toml" in said
    assert "latitude_deg" in said


def test_a_broken_site_sheet_is_left_out_aloud_and_named_on_the_fleet_page(small_fleet, small_run, tmp_path, capsys):
    out = shutil.copytree(small_run, tmp_path / "out")
    (out / "made-from.txt").unlink()
    fleet = shutil.copytree(small_fleet, tmp_path / "fleet")
    (fleet / "sites" / "draw-camp.toml").write_text("name = \n", encoding="utf-8")
    assert run("publish", fleet, "--out", out) == 0
    assert "left out" in capsys.readouterr().err
    assert "draw-camp.toml" in (out / "pages" / "index.html").read_text(encoding="utf-8")


@pytest.mark.slow
def test_the_past_can_be_asked_for(small_fleet, tmp_path, capsys):
    """Judged on 20 May, before the string opened on 28 May, the same readings show no open string."""
    out = tmp_path / "out"
    assert run("run", small_fleet, "--out", out, "--as-of", "2026-05-20", "--workers", "1") == 0
    capsys.readouterr()
    assert run("findings", small_fleet, "--out", out, "--json", "--all") == 0
    found = json.loads(capsys.readouterr().out)
    assert "string_open" not in {one["cause"] for one in found}
    assert "logger_silent" not in {one["cause"] for one in found}
    assert {path.name[:7] for path in (out / "outbox").glob("*.eml")} == {"2026-04"}


def test_an_empty_ledger_is_told_how_to_be_filled(tmp_path, capsys):
    assert run("start", tmp_path / "mine") == 0
    assert run("run", tmp_path / "mine") == 2
    assert "logs/" in capsys.readouterr().err


def test_an_interval_is_explained_link_by_link_with_what_was_logged(small_fleet, small_run, capsys):
    assert run("explain", "draw-camp", "--at", "2026-05-10 12:00", "--fleet", small_fleet, "--out", small_run) == 0
    said = capsys.readouterr().out
    links = [line for line in said.splitlines() if line and not line.startswith(" ")]
    assert links[1:] == ["sun", "light", "cells", "array", "drive", "start", "well", "pipes", "pump", "meter",
                         "logged in this interval"]
    assert "expected flow" in said
    assert "Irradiance in the array plane" in said


@pytest.mark.parametrize("at", ["2031-01-01 12:00", "noon"])
def test_an_interval_that_is_not_there_is_refused(small_fleet, small_run, at, capsys):
    assert run("explain", "draw-camp", "--at", at, "--fleet", small_fleet, "--out", small_run) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_an_unknown_file_is_described_and_its_draft_saved_once(small_fleet, tmp_path, capsys):
    file = small_fleet / "logs" / "draw-camp" / "2026-W12.csv"
    assert run("describe", file, "--write", tmp_path / "draft.toml") == 0
    assert "First rows" in capsys.readouterr().out
    assert "delimiter" in (tmp_path / "draft.toml").read_text(encoding="utf-8")
    assert run("describe", file, "--write", tmp_path / "draft.toml") == 2
    assert run("describe", tmp_path / "nothing.csv") == 2


def test_backup_restore_and_verify(small_fleet, small_run, tmp_path, capsys):
    out = shutil.copytree(small_run, tmp_path / "out")
    (out / "made-from.txt").unlink()
    assert run("backup", tmp_path / "safe", "--fleet", small_fleet, "--out", out) == 0
    raw = next((out / "ledger" / "archive").glob("??/*"))
    raw.write_bytes(raw.read_bytes() + b"x")
    capsys.readouterr()
    assert run("verify", small_fleet, "--out", out) == 1
    assert "NOT sound" in capsys.readouterr().out
    assert run("restore", tmp_path / "safe", "--fleet", small_fleet, "--out", out) == 0
    assert run("verify", small_fleet, "--out", out) == 0
    assert run("restore", tmp_path / "nowhere", "--fleet", small_fleet, "--out", out) == 1
    # A backup that is not sound is refused before anything is written.
    kept = next((tmp_path / "safe" / "archive").glob("??/*"))
    kept.write_bytes(kept.read_bytes() + b"x")
    for bad in ("safe", "nowhere"):
        assert run("restore", tmp_path / bad, "--fleet", small_fleet, "--out", tmp_path / "untouched") == 1
        assert not (tmp_path / "untouched").exists()


def test_a_ledger_in_use_is_told_in_one_line(small_fleet, small_run, tmp_path, capsys):
    out = shutil.copytree(small_run, tmp_path / "out")
    (out / "made-from.txt").unlink()
    holder = subprocess.Popen([sys.executable, "-c", "import duckdb, sys, time\n"
                               f"kept = duckdb.connect({str(out / 'ledger' / 'ledger.duckdb')!r})\n"
                               "print('held', flush=True)\ntime.sleep(120)"], stdout=subprocess.PIPE, text=True)
    try:
        assert holder.stdout.readline().strip() == "held"
        assert run("ingest", small_fleet, "--out", out) == 1
    finally:
        holder.kill()
        holder.wait()
        holder.stdout.close()
    said = capsys.readouterr().err
    assert "in use by another run" in said
    assert "Traceback" not in said


@pytest.mark.slow
def test_only_the_site_whose_sheet_or_thresholds_changed_is_worked_out_again(small_fleet, small_run, tmp_path, capsys):
    out = shutil.copytree(small_run, tmp_path / "out")
    (out / "made-from.txt").unlink()
    fleet = shutil.copytree(small_fleet, tmp_path / "fleet")
    with (fleet / "service-log.csv").open("a", encoding="utf-8") as log:
        log.write("tule-house,2026-07-02T09:00,A. Crew,inspected,,ordinary visit\n")
    assert run("diagnose", fleet, "--out", out, "--workers", "1") == 0
    assert "1 site(s) worked out, 2 unchanged" in capsys.readouterr().out


@pytest.mark.slow
def test_a_run_that_was_killed_goes_on_and_ends_with_the_same_pages_and_letters(small_fleet, small_run, tmp_path):
    """Killed outright during reading, during the science and during publishing; then run to its end."""
    import hashlib
    import time

    def published(out):
        return {path.relative_to(out).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
                for folder in ("pages", "outbox") for path in (out / folder).rglob("*") if path.is_file()}

    fleet = shutil.copytree(small_fleet, tmp_path / "fleet")
    out = tmp_path / "out"
    for seconds in (4.0, 7.0, 11.0):
        job = subprocess.Popen([sys.executable, "-c", "from pipelines.cli import main; main()", "run", fleet, "--out",
                                out, "--workers", "1"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(seconds)
        job.kill()
        job.wait()
    assert run("run", fleet, "--out", out, "--workers", "1") == 0
    assert published(out) == published(small_run)


def test_a_logger_whose_clock_ran_away_does_not_move_the_moment_of_judgement(small_fleet, small_run, tmp_path):
    """One row stamped in the year 2098 and one in 1970 leave fleet and site judged at the true end."""
    from pipelines.stages.diagnosing import diagnose
    from pipelines.stages.loading import load, open_ledger
    from pipelines.stages.moments import judged_at
    from pipelines.stages.outfolder import OutFolder

    out = OutFolder(shutil.copytree(small_run, tmp_path / "out"))
    fleet = load(small_fleet)
    with open_ledger(out) as ledger:
        before = judged_at(None, fleet, ledger)
        for year in (1970, 2098):
            ledger.sql.execute("INSERT INTO core_rows SELECT r.* REPLACE (make_timestamp(?, 1, 1, 0, 0, 0.0) "
                               "AS interval_end_utc) FROM core_rows r JOIN core_sources USING (source_no) "
                               "WHERE site_id = 'tule-house' LIMIT 1", [year])
        assert judged_at(None, fleet, ledger) == before
        diagnose(fleet, ledger, site_ids=["tule-house"], as_of=before, again=True)
        result = ledger.read_diagnosis("tule-house")
    assert len(result.days) <= 1101
    assert result.verdict == "working"
    assert any("not weighed" in note for note in result.notes)


def test_a_fleet_judged_before_its_first_reading_says_so_everywhere(small_fleet, small_run, tmp_path, capsys):
    out = shutil.copytree(small_run, tmp_path / "out")
    (out / "made-from.txt").unlink()
    assert run("run", small_fleet, "--out", out, "--as-of", "2020-01-01", "--workers", "1") == 0
    assert "3 not enough data" in capsys.readouterr().out


@pytest.mark.parametrize(("option", "written"), [("--month", "2026-4"), ("--as-of", "yesterday")])
def test_an_unreadable_date_is_refused_before_any_work(small_fleet, tmp_path, option, written, capsys):
    assert run("run", small_fleet, "--out", tmp_path / "out", option, written) == 2
    assert not (tmp_path / "out" / "ledger").exists()
    assert "Write it like" in capsys.readouterr().err


def test_one_letter_that_fails_does_not_hold_up_the_others(small_fleet, small_run, tmp_path, monkeypatch, capsys):
    import dashboards.letter as writing

    sound = writing.monthly_letter

    def blots(site, *rest, **more):
        if site.id == "draw-camp":
            raise ArithmeticError("ink")
        return sound(site, *rest, **more)

    monkeypatch.setattr(writing, "monthly_letter", blots)
    out = shutil.copytree(small_run, tmp_path / "out")
    (out / "made-from.txt").unlink()
    assert run("letters", small_fleet, "--out", out, "--month", "2026-05") == 1
    assert "no letter for draw-camp" in capsys.readouterr().err
    assert {path.name for path in (out / "outbox").glob("2026-05*")} == {"2026-05_tule-house.eml",
                                                                         "2026-05_windy-point.eml"}


@pytest.mark.slow
def test_two_processes_give_what_one_gives(small_fleet, small_run, tmp_path):
    fleet, out = shutil.copytree(small_fleet, tmp_path / "fleet"), tmp_path / "out"
    assert run("run", fleet, "--out", out, "--workers", "2") == 0
    for folder in ("pages", "outbox"):
        for path in (path for path in (small_run / folder).rglob("*") if path.is_file()):
            assert (out / path.relative_to(small_run)).read_bytes() == path.read_bytes(), path.name


def test_an_error_in_the_process_beside_is_told_as_one_of_ours(small_fleet, tmp_path, capsys):
    """The company has no sender, so no letter can be written; the pages stand all the same."""
    fleet = shutil.copytree(small_fleet, tmp_path / "fleet")
    sheet = fleet / "fleet.toml"
    sheet.write_text(re.sub(r"(?m)^sender = .*$", "", sheet.read_text(encoding="utf-8")), encoding="utf-8")
    for site_id in ("windy-point", "tule-house"):
        (fleet / "sites" / f"{site_id}.toml").unlink()
    code = run("run", fleet, "--out", tmp_path / "out", "--workers", "2")
    said = capsys.readouterr().err
    assert code == 2
    assert "sender" in said
    assert "Traceback" not in said
    assert (tmp_path / "out" / "pages" / "index.html").is_file()
