"""
Kill an ingest at random instants over a growing load, run it again, and count readings lost and doubled.

Run with ``python -m tests.benchmarks.kill_harness --kills 300``. Each round writes new files and lengthens old ones
(sometimes in the middle of a line), starts an ingest, kills it with SIGKILL after a random time, runs it to its end and
compares the ledger with what was written. Ends with 1 if a reading was lost or doubled, or if a ledger did not open.
"""

import argparse
import json
import os
import random
import signal
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace

import pandas as pd

from pipelines.ingest.load import ingest_fleet
from pipelines.ingest.profile import LoggerProfile
from pipelines.ledger import Ledger
from tests.benchmarks.small_sites import small_site

PROFILE = LoggerProfile.model_validate({
    "key": "p", "time": {"columns": ["t"], "zone": "UTC", "interval_s": 60},
    "channels": {"V": {"channel": "array_voltage_v"}, "I": {"channel": "array_current_a"},
                 "Q": {"channel": "flow_m3_s", "unit": "l_min"}}})
SITES = ("well-1", "well-2", "well-3")
HEADER = "t,V,I,Q\n"


@dataclass
class Written:
    """What was written for one site: complete rows, and the half line at the end of the growing file."""

    next_minute: int = 0
    rows: int = 0
    pending: str = ""


@dataclass
class Score:
    """What the kills did."""

    kills: int = 0
    in_time: int = 0
    rows: int = 0
    lost: int = 0
    doubled: int = 0
    wrong_values: int = 0
    not_opened: int = 0
    seconds: list[float] = field(default_factory=list)

    @property
    def is_clean(self) -> bool:
        """Tell whether nothing was lost, doubled or changed."""
        return not (self.lost or self.doubled or self.wrong_values or self.not_opened)


def _row(minute: int) -> str:
    stamp = pd.Timestamp("2025-01-01") + pd.Timedelta(minutes=minute)
    return f"{stamp:%Y-%m-%d %H:%M:%S},{100 + minute % 97},{minute % 11},{minute % 31}\n"


def grow(logs: Path, written: dict[str, Written], chance: random.Random, files: int, rows: int) -> None:
    """Add new files and lengthen one growing file a site, sometimes leaving half a line at its end."""
    for site, state in written.items():
        folder = logs / site
        folder.mkdir(parents=True, exist_ok=True)
        growing = folder / "growing.csv"
        text = "" if growing.exists() else HEADER
        if state.pending:
            text, state.pending = text + state.pending, ""
            state.rows += 1
        for _ in range(chance.randint(1, rows)):
            text += _row(state.next_minute)
            state.next_minute += 1
            state.rows += 1
        if chance.random() < 0.5:
            line = _row(state.next_minute)
            cut = chance.randint(1, len(line) - 1)
            text, state.pending = text + line[:cut], line[cut:]
            state.next_minute += 1
        with growing.open("a", encoding="utf-8") as stream:
            stream.write(text)
        for _ in range(chance.randint(1, files)):
            count = chance.randint(1, rows)
            part = folder / f"m{state.next_minute:08d}.csv"
            part.write_text(HEADER + "".join(_row(state.next_minute + place) for place in range(count)),
                            encoding="utf-8")
            state.next_minute += count
            state.rows += count


def _fleet(folder: Path) -> SimpleNamespace:
    sites = {site: small_site(site, logs=[{"profile": "p", "files": f"{site}/*.csv"}]) for site in SITES}
    return SimpleNamespace(folder=folder, sites=sites, profiles={"p": PROFILE})


def _child(work: Path) -> int:
    """Start a process that ingests, and return its number."""
    number = os.fork()
    if number:
        return number
    try:
        with Ledger(work / "ledger") as ledger:
            ingest_fleet(_fleet(work / "fleet"), ledger)
        os._exit(0)
    except BaseException as error:
        (work / "child-error.txt").write_text(repr(error), encoding="utf-8")
        os._exit(1)


def _looked_at(work: Path) -> dict[str, list[int]]:
    """Return for each site (intervals, rows in the store, wrong values), found out by a process of its own."""
    answer = work / "answer.json"
    number = os.fork()
    if not number:
        try:
            with Ledger(work / "ledger", read_only=True) as ledger:
                found = {}
                for site in SITES:
                    readings = ledger.read_site(site)
                    raw = ledger.sql.execute("SELECT count(*) FROM core_readings WHERE site_id = ?", [site]).fetchone()
                    minute = ((readings.values.index - pd.Timestamp("2025-01-01", tz="UTC"))
                              / pd.Timedelta(minutes=1)).astype(int)
                    wrong = 0
                    if len(readings.values):
                        wrong = int((readings.values["array_voltage_v"].to_numpy() != 100 + minute % 97).sum()
                                    + (readings.values["array_current_a"].to_numpy() != minute % 11).sum())
                    found[site] = [len(readings.values), raw[0] if raw else 0, wrong]
            answer.write_text(json.dumps(found), encoding="utf-8")
            os._exit(0)
        except BaseException as error:
            (work / "child-error.txt").write_text(repr(error), encoding="utf-8")
            os._exit(1)
    _, status = os.waitpid(number, 0)
    return json.loads(answer.read_text(encoding="utf-8")) if status == 0 else {}


def run_kills(kills: int, *, seed: int = 1, files: int = 6, rows: int = 400, work: Path | None = None) -> Score:
    """Do the rounds; the load starts anew every 25 rounds so that it stays in bounds."""
    chance, score = random.Random(seed), Score()  # noqa: S311 - no secret
    usual_s = 0.5
    with tempfile.TemporaryDirectory(prefix="kills-") as scratch:
        for turn in range(kills):
            base = (work or Path(scratch)) / f"load-{turn // 25}"
            if turn % 25 == 0:
                written = {site: Written() for site in SITES}
            grow(base / "fleet" / "logs", written, chance, files, rows)
            child = _child(base)
            time.sleep(chance.uniform(0.0, 1.1 * usual_s))
            os.kill(child, signal.SIGKILL)
            _, status = os.waitpid(child, 0)
            score.kills += 1
            score.in_time += os.WIFSIGNALED(status)
            started = time.perf_counter()
            _, status = os.waitpid(_child(base), 0)
            usual_s = 0.7 * usual_s + 0.3 * (time.perf_counter() - started)
            found = _looked_at(base) if status == 0 else {}
            if not found:
                score.not_opened += 1
                error = base / "child-error.txt"
                print(error.read_text(encoding="utf-8") if error.exists() else "no answer", file=sys.stderr)
                continue
            for site, (intervals, raw, wrong) in found.items():
                score.lost += max(0, written[site].rows - intervals)
                score.doubled += max(0, raw - written[site].rows)
                score.wrong_values += wrong
                score.rows += intervals
            score.seconds.append(time.perf_counter() - started)
    return score


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rows", type=int, default=400)
    given = parser.parse_args()
    score = run_kills(given.kills, seed=given.seed, rows=given.rows)
    print(f"{score.kills} kills, {score.in_time} while at work; {score.rows} readings looked at: {score.lost} lost, "
          f"{score.doubled} doubled, {score.wrong_values} changed; ledger unusable {score.not_opened} time(s).")
    sys.exit(0 if score.is_clean and score.in_time > 0 else 1)


if __name__ == "__main__":
    main()
