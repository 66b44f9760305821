"""Overlapping files in any order give the same ledger; conflicts are kept and shown; backups come back."""

import itertools
import random
import shutil
from datetime import UTC, date, datetime, timedelta

import duckdb
import numpy as np
import pandas as pd
import pytest

from diagnostics.readings import Mask
from pipelines.errors import DescriptionError, LedgerDamagedError, LedgerError, LedgerVersionError
from pipelines.ingest import ingest_fleet
from pipelines.ledger import Ledger
from pipelines.ledger.corrections import Correction
from pipelines.ledger.keeping import backup, export, export_digest, restore, verify

PROFILE = {"time": {"columns": ["t"], "zone": "UTC"}, "sentinels": ["-99"],
           "channels": {"V": {"channel": "array_voltage_v"}, "I": {"channel": "array_current_a"}}}


def a_file(start: str, rows: int, seed: int = 0, step_min: int = 60) -> str:
    stamps = pd.date_range(start, periods=rows, freq=f"{step_min}min")
    hours = ((stamps - pd.Timestamp("2025-01-01")) / pd.Timedelta("1h")).to_numpy()
    volts = np.round(140 + 10 * np.sin(hours) + seed, 2)
    amps = np.round(3 + np.cos(hours), 2)
    return "t,V,I\n" + "".join(f"{stamp:%Y-%m-%d %H:%M:%S},{volt},{amp}\n"
                               for stamp, volt, amp in zip(stamps, volts, amps, strict=True))


def year_of_overlapping_files() -> dict[str, str]:
    """Twelve downloads of 45 days each a month apart; two of them disagree, one is damaged, one repeats its rows."""
    files = {f"m{month:02d}.csv": a_file(f"2025-{month:02d}-01", 45 * 24) for month in range(1, 13)}
    files["m05-again.csv"] = a_file("2025-05-10", 200, seed=3)
    files["m07-damaged.csv"] = a_file("2025-07-03", 100).replace("2025-07-04 00:00:00,", "2025-07-04 00:00:00,x")
    files["m09-twice.csv"] = a_file("2025-09-01", 50) + a_file("2025-09-01", 50).split("\n", 1)[1]
    return files


def digest_after(fleet, folder, order) -> str:
    """Return the export digest after files arrived one batch after another."""
    files = year_of_overlapping_files()
    with Ledger(folder) as ledger:
        for batch in order:
            for name in batch:
                fleet.write(name, files[name])
            ingest_fleet(fleet, ledger)
        return export_digest(ledger)


def a_fleet_ready(fleet):
    fleet.add_profile("p", **PROFILE)
    fleet.add_site("well-1", "p", "*.csv")
    return fleet


def test_any_order_of_arrival_gives_the_same_export(fleet, tmp_path):
    a_fleet_ready(fleet)
    names = sorted(year_of_overlapping_files())
    chance = random.Random(7)  # noqa: S311 - no secret
    digests = set()
    for turn in range(4):
        shutil.rmtree(fleet.folder / "logs")
        chance.shuffle(names)
        cuts = sorted(chance.sample(range(1, len(names)), 2))
        order = [names[:cuts[0]], names[cuts[0]:cuts[1]], names[cuts[1]:]] if turn else [names]
        digests.add(digest_after(fleet, tmp_path / f"ledger-{turn}", order))
    assert len(digests) == 1


def test_the_file_that_reaches_latest_stands_and_conflicts_are_kept(fleet, ledger):
    a_fleet_ready(fleet)
    for name, text in year_of_overlapping_files().items():
        if name.startswith("m05") or name == "m04.csv":
            fleet.write(name, text)
    ingest_fleet(fleet, ledger)
    readings = ledger.read_site("well-1")
    masks = readings.masks["array_voltage_v"]
    conflicts = ledger.conflicts("well-1")
    # m05 reaches 15 June and disagrees by 3 V with the 200 rows of the later, shorter file
    assert (masks == int(Mask.CONFLICT)).sum() == 200
    assert len(conflicts) == 200 and set(conflicts["channel"]) == {"array_voltage_v"}
    np.testing.assert_allclose(conflicts["value"] - conflicts["stands"], 3.0)
    assert (readings.masks["array_current_a"] == 0).all()
    assert readings.values.index.is_unique and len(readings.values) == 30 * 24 + 45 * 24


def test_a_sound_value_stands_before_a_bad_one(fleet, ledger):
    a_fleet_ready(fleet)
    fleet.write("early.csv", a_file("2025-01-01", 10))
    fleet.write("late.csv", a_file("2025-01-01", 20).replace(",140.0,", ",x,").replace(",4.0\n", ",-99\n"))
    ingest_fleet(fleet, ledger)
    readings = ledger.read_site("well-1")
    assert readings.values["array_voltage_v"].iloc[0] == 140.0 and (readings.masks.iloc[0] == 0).all()
    assert readings.values["array_current_a"].iloc[0] == 4.0


def test_corrections_are_a_layer(fleet, ledger):
    a_fleet_ready(fleet)
    fleet.write("a.csv", a_file("2025-01-01", 100))
    ingest_fleet(fleet, ledger)
    raw = ledger.read_site("well-1")
    given = {"site_id": "well-1", "author": "field crew", "reason": "clock", "entered_on": date(2025, 2, 1)}
    until = datetime(2025, 1, 3, tzinfo=UTC)
    ledger.replace_corrections([
        Correction(kind="shift_clock", value=-1800.0, until_utc=until, **given),
        Correction(kind="scale", channel="array_current_a", value=2.0, **given),
        Correction(kind="mask", channel="array_voltage_v", from_utc=until, **given)])
    seen = ledger.read_site("well-1")
    assert seen.values.index[0] == raw.values.index[0] - timedelta(minutes=30)
    assert seen.values.index[-1] == raw.values.index[-1]
    np.testing.assert_allclose(seen.values["array_current_a"], 2 * raw.values["array_current_a"])
    assert (seen.masks["array_voltage_v"] == int(Mask.SENSOR_DOUBT)).sum() == 100 - 49
    part = ledger.read_site("well-1", start=until - timedelta(hours=2), end=until)
    assert list(part.values.index) == [until - timedelta(minutes=90), until - timedelta(minutes=30)]
    ledger.replace_corrections([])
    pd.testing.assert_frame_equal(ledger.read_site("well-1").values, raw.values)


def test_corrections_of_the_fleet_folder_are_read_and_nonsense_is_named(fleet, ledger):
    a_fleet_ready(fleet)
    fleet.write("a.csv", a_file("2025-01-01", 10))
    path = fleet.folder / "corrections.csv"
    path.write_text("site_id,kind,channel,value,author,reason,entered_on\n"
                    "well-1,offset,array_voltage_v,-1,M. Osei,shunt replaced,2025-03-01\n", encoding="utf-8")
    ingest_fleet(fleet, ledger)
    assert ledger.read_site("well-1").values["array_voltage_v"].iloc[0] == 139.0
    path.write_text("site_id,kind,channel,value,author,reason,entered_on\nwell-1,scale,volts,2,,x,2025-03-01\n",
                    encoding="utf-8")
    with pytest.raises(DescriptionError, match=r"line 2: .*author"):
        ingest_fleet(fleet, ledger)


def test_a_gap_and_a_swap(fleet, ledger):
    a_fleet_ready(fleet)
    fleet.write("a.csv", a_file("2025-01-01", 10))
    ingest_fleet(fleet, ledger)
    ledger.replace_corrections([Correction(
        site_id="well-1", kind="swap", channel="array_voltage_v", other_channel="array_current_a", author="a",
        reason="wires", entered_on=date(2025, 1, 1))])
    assert ledger.read_site("well-1").values["array_current_a"].iloc[0] == 140.0


def test_backup_verify_and_restore(fleet, ledger, tmp_path):
    a_fleet_ready(fleet)
    files = year_of_overlapping_files()
    for name, text in itertools.islice(files.items(), 3):
        fleet.write(name, text)
    ingest_fleet(fleet, ledger)
    before = export_digest(ledger)
    assert backup(ledger, tmp_path / "safe") == 3
    assert backup(ledger, tmp_path / "safe") == 0
    found = verify(ledger, fleet)
    assert found.is_sound and found.files == 3
    assert len(export(ledger, tmp_path / "export")) == 2
    ledger.sql.execute("DELETE FROM core_rows WHERE line % 2 = 0")
    assert verify(ledger, fleet).differing_sites == ["well-1"]
    restore(tmp_path / "safe", tmp_path / "back")
    restore(tmp_path / "safe", tmp_path / "back")
    with Ledger(tmp_path / "back") as again:
        assert export_digest(again) == before
    assert (tmp_path / "back.before-restore" / "ledger.duckdb").exists()
    raw = next(path for _, path in ledger.archive.contents())
    raw.write_bytes(b"something else")
    assert verify(ledger, fleet).damaged == [raw.name]
    spoiled = next((tmp_path / "safe" / "archive").glob("??/*"))
    spoiled.write_bytes(b"something else")
    with pytest.raises(LedgerDamagedError, match="Use another backup"):
        restore(tmp_path / "safe", tmp_path / "third")
    with pytest.raises(LedgerError, match="holds no backup"):
        restore(tmp_path / "nowhere", tmp_path / "third")


def test_results_know_their_inputs(fleet, ledger):
    a_fleet_ready(fleet)
    fleet.write("a.csv", a_file("2025-01-01", 10))
    ingest_fleet(fleet, ledger)
    first = ledger.inputs_digest("well-1")
    fleet.write("b.csv", a_file("2025-01-02", 10))
    ingest_fleet(fleet, ledger)
    second = ledger.inputs_digest("well-1")
    ingest_fleet(fleet, ledger)
    assert first != second == ledger.inputs_digest("well-1") and ledger.made_by("well-1") is None


def made_older(path):
    """Bring a ledger back to the layout before, with site and logger as text in every row."""
    with duckdb.connect(str(path)) as sql:
        sql.execute("CREATE TABLE kept AS SELECT * FROM core_readings")
        sql.execute("DROP VIEW core_readings")
        for table in ("core_rows", "core_sources"):
            sql.execute(f"DROP TABLE {table}")
        sql.execute("ALTER TABLE kept RENAME TO core_readings")
        sql.execute("UPDATE ledger_facts SET value = '2' WHERE name = 'schema_version'")


def test_a_ledger_of_the_layout_before_is_brought_up_to_date_on_opening(fleet, tmp_path):
    a_fleet_ready(fleet)
    names = list(year_of_overlapping_files().items())
    for name, text in names[:4]:
        fleet.write(name, text)
    folder = tmp_path / "ledger"
    with Ledger(folder) as ledger:
        ingest_fleet(fleet, ledger)
        before = export_digest(ledger)
    made_older(folder / "ledger.duckdb")
    with pytest.raises(LedgerVersionError, match=r"older layout 2.*liftledger ingest"):
        Ledger(folder, read_only=True)
    with Ledger(folder) as ledger:
        assert export_digest(ledger) == before
        assert ingest_fleet(fleet, ledger).files_known == 4
        fleet.write(*names[4])
        assert ingest_fleet(fleet, ledger).rows > 0
        after = export_digest(ledger)
    with Ledger(tmp_path / "anew") as ledger:
        ingest_fleet(fleet, ledger)
        assert export_digest(ledger) == after
