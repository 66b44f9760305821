"""The store: what is written is what is read, one writer at a time, nothing half-written."""

import subprocess
import sys
from datetime import UTC, date, datetime
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest

from diagnostics.results import (
    AccountLine,
    EvidenceRow,
    Finding,
    RepairProof,
    Rival,
    SiteDiagnosis,
    StateSpan,
    WaterAccount,
)
from pipelines.errors import LedgerBusyError, LedgerDamagedError, LedgerError, LedgerVersionError
from pipelines.ledger import Ledger


def a_diagnosis(site_id: str = "well-1") -> SiteDiagnosis:
    days = pd.DataFrame({"judged": [True, False], "reason": ["", "no flow"], "expected_m3": [12.5, np.nan],
                         "count": [3, 4], "main_state": ["working", None]},
                        index=pd.Index([date(2026, 1, 1), date(2026, 1, 2)], name="day"))
    stamps = pd.date_range("2026-01-01T10:00", periods=3, freq="5min", tz="UTC", name="interval_end_utc")
    intervals = pd.DataFrame({"expected_flow_m3_s": [0.1, 0.2, np.nan], "expected_state": pd.Categorical(
        ["night", "running", "running"])}, index=stamps)
    finding = Finding(
        site_id=site_id, cause="worn_pump", confidence=0.8, group=["worn_pump", "riser_leak"], onset=date(2026, 1, 1),
        onset_low=date(2025, 12, 1), onset_high=date(2026, 1, 2), onset_shape="ramp", last_seen=date(2026, 1, 2),
        size=0.2, size_low=0.1, size_high=float("nan"), size_unit="1", size_means="share of head lost",
        water_lost_m3_day=3.0, water_lost_low_m3_day=1.0, water_lost_high_m3_day=5.0,
        evidence=[EvidenceRow(check="c", says="O'Brien's <b>well</b>", value=None, healthy=1.0, unit="1",
                              outcome="supports", n_samples=3)],
        rivals=[Rival(cause="riser_leak", probability=0.1)], next_test="Shut the valve.")
    account = WaterAccount(site_id=site_id, first_day=date(2026, 1, 1), last_day=date(2026, 1, 31), expected_m3=10,
                           expected_low_m3=9, expected_high_m3=11, days=31, judged_days=20, seen_m3=7.5, lines=[
                               AccountLine(kind="delivered", code="delivered", volume_m3=7, low_m3=6, high_m3=8)])
    return SiteDiagnosis(
        site_id=site_id, days=days, summaries=pd.DataFrame({"Vmp": [1.0, 2.0]}, index=days.index), intervals=intervals,
        findings=[finding], states=[StateSpan(site_id=site_id, state="tank_full", first_day=date(2026, 1, 1),
                                              last_day=date(2026, 1, 1), volume_m3=1.0, says="full")],
        accounts=[account], proofs=[RepairProof(site_id=site_id, when_utc=datetime(2026, 1, 1, 9, tzinfo=UTC),
                                                what="washed", cause="soiled_array", outcome="worked", says="yes")],
        verdict="less than it should", verdict_says="It gives less.", notes=["one", "two"])


def test_a_diagnosis_comes_back_as_it_was_written(tmp_path: Path):
    written = a_diagnosis()
    with Ledger(tmp_path) as ledger:
        ledger.write_diagnosis(a_diagnosis("other"))
        ledger.write_diagnosis(a_diagnosis())
        ledger.write_diagnosis(written)
    with Ledger(tmp_path, read_only=True) as ledger:
        read = ledger.read_diagnosis("well-1")
        assert len(ledger.findings()) == 2 and ledger.read_diagnosis("nobody") is None
        made_at, software, digest = ledger.made_by("well-1")
        assert made_at.tzinfo is not None and software.startswith("liftledger") and len(digest) == 64
    for frame in ("days", "summaries", "intervals"):
        pd.testing.assert_frame_equal(getattr(read, frame), getattr(written, frame), check_freq=False)
    # NaN is not equal to itself, so findings are compared as text
    assert [repr(item) for item in read.findings] == [repr(item) for item in written.findings]
    assert (read.states, read.accounts, read.proofs) == (written.states, written.accounts, written.proofs)
    assert (read.verdict, read.verdict_says, read.notes) == (written.verdict, written.verdict_says, written.notes)


def test_columns_may_change_their_kind_and_empty_tables_come_back(tmp_path: Path):
    first = a_diagnosis()
    empty = pd.DataFrame(index=pd.Index([], name="day", dtype=object))
    other = SiteDiagnosis(site_id="dry", days=empty, summaries=pd.DataFrame({"Vmp": ["text", None]},
                          index=first.days.index), intervals=first.intervals.iloc[:0], findings=[], states=[],
                          accounts=[])
    with Ledger(tmp_path) as ledger:
        ledger.write_diagnosis(first)
        ledger.write_diagnosis(other)
        read = ledger.read_diagnosis("dry")
        assert ledger.read_diagnosis("well-1").summaries["Vmp"].tolist() == [1.0, 2.0]
    assert len(read.days) == 0 and read.summaries["Vmp"].iloc[0] == "text" and read.intervals.index.tz is not None


def test_a_second_process_gets_one_clear_line(tmp_path: Path):
    with Ledger(tmp_path):
        code = ("import sys\nfrom pathlib import Path\nfrom pipelines.ledger import Ledger\n"
                "from pipelines.errors import LedgerBusyError\n"
                "try:\n    Ledger(Path(sys.argv[1]))\nexcept LedgerBusyError as error:\n    print(error)\n")
        done = subprocess.run([sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=True)
    assert "in use by another run" in done.stdout and done.stdout.count("\n") == 1 and done.stderr == ""
    assert issubclass(LedgerBusyError, LedgerError)


def test_errors_name_the_mend(tmp_path: Path):
    with pytest.raises(LedgerError, match="no ledger here yet"):
        Ledger(tmp_path / "none", read_only=True)
    broken = tmp_path / "broken"
    broken.mkdir()
    (broken / "ledger.duckdb").write_bytes(b"this is no database, and it is long enough to have a header" * 100)
    with pytest.raises(LedgerDamagedError, match="Restore it from a backup"):
        Ledger(broken)
    Ledger(tmp_path / "new").close()
    connection = duckdb.connect(str(tmp_path / "new" / "ledger.duckdb"))
    connection.execute("UPDATE ledger_facts SET value = '99'")
    connection.close()
    with pytest.raises(LedgerVersionError, match="Update the program"):
        Ledger(tmp_path / "new")


def test_a_failing_write_leaves_nothing_behind(tmp_path: Path):
    with Ledger(tmp_path) as ledger:
        ledger.write_diagnosis(a_diagnosis())
        with pytest.raises(RuntimeError), ledger.transaction() as sql:
            sql.execute("DELETE FROM out_findings")
            raise RuntimeError("in the middle")
        assert len(ledger.findings()) == 1


def test_an_unknown_site_reads_as_an_empty_table(tmp_path: Path):
    with Ledger(tmp_path) as ledger:
        readings = ledger.read_site("nobody")
        assert len(readings.values) == 0 and ledger.newest_reading() is None
