"""
Speed of the ingest against the engine's bare CSV-to-table rate on the same files in the same run; small files.

Run with ``python -m tests.benchmarks.bench_ingest``, which also kills 300 loads; ``--long`` adds 200 orders of arrival
and 10 000 mutations of real files. ``--kills 300``, ``--orders 200``, ``--mutations 10000`` and ``--speed`` run each of
these alone.
"""

import argparse
import importlib.util
import random
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import ModuleType, SimpleNamespace

import duckdb
import numpy as np
import pandas as pd

from diagnostics.quality import mask_readings
from pipelines.cli.jobs import WORKERS
from pipelines.ingest.load import ingest_fleet
from pipelines.ingest.profile import LoggerProfile
from pipelines.ledger import Ledger
from pipelines.ledger.keeping import export_digest
from tests.benchmarks.mutation_run import originals, run_mutations
from tests.benchmarks.small_sites import small_site

GOAL_RATIO = 1 / 3
GOAL_KNOWN_S = 5.0
CHANNELS = {"G": "poa_irradiance_w_m2", "Ta": "air_temperature_c", "Tm": "module_temperature_c", "U": "array_voltage_v",
            "I": "array_current_a", "Q": "flow_m3_s", "W": "water_level_m", "L": "tank_level_m"}
PROFILE = LoggerProfile.model_validate({
    "key": "p", "time": {"columns": ["t"], "zone": "UTC", "interval_s": 300}, "sentinels": ["-9999"],
    "channels": {column: {"channel": channel, **({"unit": "l_min"} if column == "Q" else {})}
                 for column, channel in CHANNELS.items()}})


def _clocks() -> tuple[float, float]:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return time.perf_counter(), used.ru_utime + used.ru_stime


def timed(work: Callable[[], object]) -> tuple[float, float, object]:
    """Return wall seconds, processor seconds and the result."""
    wall, cpu = _clocks()
    result = work()
    wall_after, cpu_after = _clocks()
    return wall_after - wall, cpu_after - cpu, result


def write_files(logs: Path, sites: int, files: int, rows: int, seed: int = 1) -> int:
    """Write files of one layout for some sites; return the number of rows."""
    chance = np.random.default_rng(seed)
    for site in range(sites):
        folder = logs / f"well-{site + 1}"
        folder.mkdir(parents=True, exist_ok=True)
        for part in range(files):
            index = pd.date_range("2024-01-01", periods=rows, freq="5min") + pd.Timedelta(minutes=5 * rows * part)
            light = np.clip(np.sin((index.hour + index.minute / 60 - 6) / 12 * np.pi), 0, None).to_numpy()
            noise = chance.normal(1, 0.02, (len(CHANNELS), rows))
            frame = pd.DataFrame({"t": index.strftime("%Y-%m-%d %H:%M:%S"), **{
                column: np.round(scale * light * noise[place] + base, 3) for place, (column, scale, base) in enumerate(
                    [("G", 900, 0), ("Ta", 8, 18), ("Tm", 25, 18), ("U", 140, 0), ("I", 5, 0), ("Q", 40, 0),
                     ("W", 4, 20), ("L", 0.5, 1.2)])}})
            frame.to_csv(folder / f"m{part:03d}.csv", index=False)
    return sites * files * rows


def fleet_of(folder: Path, sites: int) -> SimpleNamespace:
    """Return a fleet of so many sites that share one profile."""
    names = [f"well-{site + 1}" for site in range(sites)]
    described = {name: small_site(name, logs=[{"profile": "p", "files": f"{name}/*.csv"}]) for name in names}
    return SimpleNamespace(folder=folder, sites=described, profiles={"p": PROFILE})


def bare(files: list[str], database: Path) -> int:
    """Let the engine read typed columns into a table and do nothing else."""
    columns = {"t": "TIMESTAMP", **dict.fromkeys(CHANNELS, "DOUBLE")}
    with duckdb.connect(str(database)) as sql:
        sql.execute("CREATE TABLE a AS SELECT * FROM read_csv(?, columns=?, header=true, auto_detect=false, delim=',')",
                    [files, columns])
        found = sql.execute("SELECT count(*) FROM a").fetchone()
    return found[0] if found else 0


def speed(scratch: Path, files: int, rows_a_file: int) -> None:
    """Print the rate of the ingest as a share of the bare rate, best of three each, turn by turn."""
    rows = write_files(scratch / "logs", 4, files // 4, rows_a_file)
    fleet = fleet_of(scratch, 4)
    paths = sorted(str(path) for path in (scratch / "logs").rglob("*.csv"))
    best: dict[str, tuple[float, float]] = {}

    def note(name: str, wall: float, cpu: float) -> None:
        best[name] = (min(wall, best.get(name, (9e9, 0))[0]), min(cpu, best.get(name, (0, 9e9))[1]))

    for turn in range(3):
        wall, cpu, counted = timed(lambda turn=turn: bare(paths, scratch / f"bare-{turn}.duckdb"))
        if counted != rows:
            raise SystemExit("the bare read lost rows")
        note("bare", wall, cpu)
        with Ledger(scratch / f"ledger-{turn}") as ledger:
            wall, cpu, report = timed(lambda ledger=ledger: ingest_fleet(fleet, ledger))
            if report.rows != rows or report.quarantined:
                raise SystemExit("the ingest lost rows")
            note("ingest", wall, cpu)
            wall, cpu, read = timed(lambda ledger=ledger: [ledger.read_site(site) for site in fleet.sites])
            note("read back", wall, cpu)
            wall, cpu, _ = timed(lambda read=read: [
                mask_readings(fleet.sites[item.site_id], item.values, item.interval_s) for item in read])
            note("physics masks", wall, cpu)
            wall, cpu, _ = timed(lambda ledger=ledger: _read_and_mask(fleet, ledger))
            note("read back and physics masks, two at a time", wall, cpu)
    print(f"{rows:,} rows, {len(paths)} files, {len(CHANNELS) + 1} columns; best of three each, in turn")
    for name, (wall, cpu) in best.items():
        print(f"  {name:42s} {wall:6.2f} s  {rows / wall / 1e6:5.2f} M rows/s  {cpu:6.2f} s of processor time")
    for name, parts in (("ingest (reading, file masks, storing)", ("ingest",)),
                        ("ingest, reading back, physics masks, one site after another",
                         ("ingest", "read back", "physics masks")),
                        ("ingest, reading back, physics masks, two sites at a time as a run does",
                         ("ingest", "read back and physics masks, two at a time"))):
        wall, cpu = (sum(best[part][place] for part in parts) for place in (0, 1))
        ratio = best["bare"][0] / wall
        print(f"  {name}: {ratio:.2f} of the bare rate (processor time {best['bare'][1] / cpu:.2f}); goal "
              f"{GOAL_RATIO:.2f}: {'met' if ratio >= GOAL_RATIO else 'missed'}")


def _read_and_mask(fleet: SimpleNamespace, ledger: Ledger) -> None:
    """Mask one site while the next is read, with as many workers as a run has and the engine has threads."""
    with ThreadPoolExecutor(WORKERS) as pool:
        waiting = []
        for site_id, site in fleet.sites.items():
            item = ledger.read_site(site_id)
            waiting.append(pool.submit(mask_readings, site, item.values, item.interval_s))
        for one in waiting:
            one.result()


def small_files(scratch: Path, count: int) -> None:
    """Print what many small files cost, new and known."""
    logs = scratch / "logs" / "well-1"
    logs.mkdir(parents=True)
    header = "t," + ",".join(CHANNELS) + "\n"
    for place in range(count):
        day = (pd.Timestamp("2000-06-01") + pd.Timedelta(days=place % 9000)).strftime("%Y-%m-%d")
        hour = place // 9000
        (logs / f"d{place:06d}.csv").write_text(header + "".join(
            f"{day} {hour:02d}:{minute:02d}:00,500,20,40,140,3,30,{20 + place % 7},1.5\n"
            for minute in range(0, 60, 5)), encoding="utf-8")
    fleet = fleet_of(scratch, 1)
    profile = PROFILE.model_copy(update={"time": PROFILE.time.model_copy(update={"earliest_year": 1999})})
    fleet.profiles = {"p": profile}
    with Ledger(scratch / "ledger") as ledger:
        wall, _, report = timed(lambda: ingest_fleet(fleet, ledger))
        if report.rows != 12 * count:
            raise SystemExit(f"{12 * count - report.rows} rows of the small files are missing")
        print(f"{count:,} new files of 12 rows: {wall:.1f} s, {wall / count * 1e3:.2f} ms a file")
    wall, _, report = timed(lambda: _again(fleet, scratch / "ledger"))
    verdict = "met" if wall < GOAL_KNOWN_S else "missed"
    print(f"{count:,} known files: {wall:.2f} s; goal {GOAL_KNOWN_S:.0f} s: {verdict}")


def _again(fleet: SimpleNamespace, folder: Path) -> object:
    with Ledger(folder) as ledger:
        report = ingest_fleet(fleet, ledger)
        if report.files_new:
            raise SystemExit("a known file was taken for new")
        return report


def one_large_file(scratch: Path, rows: int) -> None:
    """Print the memory that a large file needs beyond what the process had."""
    write_files(scratch / "part", 1, 1, 100_000)
    text = (scratch / "part" / "well-1" / "m000.csv").read_text(encoding="utf-8")
    folder = scratch / "logs" / "well-1"
    folder.mkdir(parents=True)
    header, body = text.split("\n", 1)
    with (folder / "large.csv").open("w", encoding="utf-8") as stream:
        stream.write(header + "\n")
        for turn in range(rows // 100_000):
            stream.write(body.replace("2024-", f"{2024 + 4 * turn}-"))     # leap years, so that 29 Feb stays a day
    size = (folder / "large.csv").stat().st_size
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with Ledger(scratch / "ledger") as ledger:
        wall, _, report = timed(lambda: ingest_fleet(fleet_of(scratch, 1), ledger))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"one file of {size / 1e6:.0f} MB, {report.rows:,} rows: {wall:.1f} s, peak {peak / 1024:.0f} MB "
          f"({before / 1024:.0f} MB before)")


def _test_module(name: str) -> ModuleType:
    path = Path(__file__).parents[1] / "pipelines" / "ingest" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(f"bench_{name}", path)
    if spec is None or spec.loader is None:
        raise SystemExit(f"{path} is missing")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def orders_of_arrival(scratch: Path, permutations: int) -> None:
    """Print how many different exports so many orders of one year of overlapping files give."""
    arrival = _test_module("test_arrival")
    files = arrival.year_of_overlapping_files()
    chance, digests = random.Random(2), set()  # noqa: S311 - no secret
    profile = LoggerProfile.model_validate({"key": "p", **arrival.PROFILE})
    for turn in range(permutations):
        base = scratch / f"order-{turn}"
        logs = base / "logs"
        logs.mkdir(parents=True)
        names = chance.sample(sorted(files), len(files))
        cut = chance.randint(1, len(names) - 1)
        fleet = SimpleNamespace(folder=base, profiles={"p": profile}, sites={"well-1": small_site(
            "well-1", logs=[{"profile": "p", "files": "*.csv"}])})
        with Ledger(base / "ledger") as ledger:
            for batch in (names[:cut], names[cut:]):
                for name in batch:
                    (logs / name).write_text(files[name], encoding="utf-8")
                ingest_fleet(fleet, ledger)
            digests.add(export_digest(ledger))
        shutil.rmtree(base)
    print(f"{permutations} orders of arrival of {len(files)} overlapping files: {len(digests)} export(s)")
    if len(digests) != 1:
        raise SystemExit(1)


def kills(count: int) -> None:
    """Print what so many kills at random instants did."""
    # a process of its own: it forks, which a process with threads of the engine must not
    done = subprocess.run([sys.executable, "-m", "tests.benchmarks.kill_harness", "--kills", str(count), "--seed", "4"],
                          cwd=Path(__file__).parents[2], check=False)
    if done.returncode:
        raise SystemExit(1)


def mutations(count: int) -> None:
    """Print how so many damaged real files ended."""
    hostile, root = _test_module("test_hostile"), Path(__file__).parents[2]
    given = originals(root / "sample-logs" / "measured", hostile.FILES)
    started = time.perf_counter()
    found = run_mutations(count, given, hostile.mutated)
    print(f"{count:,} mutations of {len(given)} real files: {found.read_in:,} ended as readings or quarantine, "
          f"{found.refused:,} as a named error; {found.stored:,} of them taken into a ledger, {found.described:,} "
          f"described; {len(found.failed)} tracebacks, {len(found.hung)} over the limit of time; slowest turn "
          f"{found.slowest_s:.1f} s, peak {found.peak_kb / 1024:.0f} MB, {time.perf_counter() - started:.0f} s in all")
    kinds = Counter(says.strip().splitlines()[-1][:120] for says in found.failed)
    for says, times in kinds.most_common(20):
        print(f"{times} times {says}")
    for says in {says.strip().splitlines()[-1][:40]: says for says in found.failed}.values():
        print(says)
    if not found.is_clean:
        print(f"over the limit: turns {found.hung}")
        raise SystemExit(1)


def main() -> None:
    """Run from the command line or among all benchmarks."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=100)
    parser.add_argument("--rows", type=int, default=8640)
    parser.add_argument("--small", type=int, default=10_000)
    parser.add_argument("--long", action="store_true")
    parser.add_argument("--kills", type=int, default=0)
    parser.add_argument("--orders", type=int, default=0)
    parser.add_argument("--mutations", type=int, default=0)
    parser.add_argument("--speed", action="store_true")
    given = parser.parse_args()
    some_alone = bool(given.kills or given.orders or given.mutations or given.speed)
    with tempfile.TemporaryDirectory(prefix="bench-ingest-") as folder:
        scratch = Path(folder)
        # forks come first, while this process has no engine threads yet
        if given.long or given.kills or not some_alone:
            kills(given.kills or 300)
        if given.long or given.mutations:
            mutations(given.mutations or 10_000)
        if given.long or given.orders:
            orders_of_arrival(scratch / "orders", given.orders or 200)
        if some_alone and not (given.speed or given.long):
            return
        speed(scratch / "speed", given.files, given.rows)
        small_files(scratch / "small", given.small)
        one_large_file(scratch / "large", 1_900_000)


if __name__ == "__main__":
    main()
