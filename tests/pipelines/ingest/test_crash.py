"""Whatever happens in the middle: the ledger opens, the next run completes, one line says what to do."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from pipelines.errors import LedgerBusyError, LedgerError
from pipelines.ingest import ingest_fleet
from pipelines.ledger import Ledger

ROOT = Path(__file__).parents[3]
PROFILE = {"time": {"columns": ["t"], "zone": "UTC"}, "channels": {"V": {"channel": "array_voltage_v"}}}
ROWS = "t,V\n" + "".join(f"2026-01-01 {hour:02d}:00:00,{100 + hour}\n" for hour in range(24))


def test_kills_at_random_instants_lose_and_double_nothing():
    # The long form of 300 kills is `python -m tests.benchmarks.kill_harness`.
    done = subprocess.run([sys.executable, "-m", "tests.benchmarks.kill_harness", "--kills", "6", "--rows", "150",
                           "--seed", "5"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "0 lost, 0 doubled, 0 changed; ledger unusable 0 time(s)" in done.stdout


@pytest.fixture
def ready(fleet):
    fleet.add_profile("p", **PROFILE)
    fleet.add_site("well-1", "p", "*.csv")
    fleet.write("a.csv", ROWS)
    return fleet


def test_a_stray_part_of_a_crash_is_cleared_away(ready, tmp_path):
    folder = tmp_path / "out"
    with Ledger(folder) as ledger:
        (folder / "archive").mkdir(exist_ok=True)
        (folder / "archive" / "part-1-abc").write_bytes(b"half a file")
        ingest_fleet(ready, ledger)
    with Ledger(folder):
        assert not list((folder / "archive").glob("part-*"))


def test_an_archived_file_that_was_never_registered_is_read_by_the_next_run(ready, tmp_path):
    with Ledger(tmp_path / "out") as ledger:
        ledger.archive.keep(ready.folder / "logs" / "a.csv")
        assert ingest_fleet(ready, ledger).rows == 24


def test_a_full_disk_is_one_line_and_the_next_run_completes(ready, tmp_path, monkeypatch):
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with Ledger(tmp_path / "out") as ledger:
        with monkeypatch.context() as patched:
            patched.setattr(os, "replace", full)
            patched.setattr(Path, "replace", full)
            with pytest.raises(LedgerError, match=r"No space left on device.*run again") as caught:
                ingest_fleet(ready, ledger)
        assert "\n" not in str(caught.value)
        assert ledger.sites() == []
        assert ingest_fleet(ready, ledger).rows == 24


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_read_only_folder_is_one_line(tmp_path):
    folder = tmp_path / "locked"
    folder.mkdir()
    folder.chmod(0o500)
    with pytest.raises(LedgerError, match="write access"):
        Ledger(folder / "out")


def test_a_vanished_file_is_told_and_the_others_come_in(ready, tmp_path, monkeypatch):
    ready.write("b.csv", ROWS.replace("01-01", "01-02"))
    real = Path.stat

    def vanished(path: Path, **given: object) -> os.stat_result:
        if path.name == "a.csv" and "logs" in path.parts:
            raise FileNotFoundError(2, "No such file or directory")
        return real(path, **given)

    with Ledger(tmp_path / "out") as ledger:
        with monkeypatch.context() as patched:
            patched.setattr(Path, "stat", vanished)
            report = ingest_fleet(ready, ledger)
        assert report.rows == 24 and any("a.csv: vanished" in says for says in report.messages)


def test_two_runs_at_once(ready, tmp_path):
    with Ledger(tmp_path / "out") as ledger:
        ingest_fleet(ready, ledger)
        code = "import sys; from pathlib import Path; from pipelines.ledger import Ledger; Ledger(Path(sys.argv[1]))"
        done = subprocess.run([sys.executable, "-c", code, str(tmp_path / "out")], cwd=ROOT, capture_output=True,
                              text=True, check=False)
        assert done.returncode == 1 and "in use by another run" in done.stderr
        assert issubclass(LedgerBusyError, LedgerError)
