"""
Damage real files at random and read them: each must end as readings, as quarantine or as a named error, in time.

Run with ``python -m tests.benchmarks.bench_ingest --mutations 10000``. The files are read by a process of its own that
goes through many of them; the one that started it looks on, and kills it over a file that takes longer than the limit.
Every turn draws from a generator of its own, so that any turn can be looked at again by its number.
"""

import gzip
import multiprocessing
import os
import random
import resource
import shutil
import signal
import tempfile
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from pipelines.errors import ProjectError
from pipelines.ingest.claims import claims_of
from pipelines.ingest.describe import describe_file
from pipelines.ingest.limits import IngestLimits
from pipelines.ingest.load import ingest_fleet
from pipelines.ingest.one_file import read_logger_file
from pipelines.ingest.profile import LoggerProfile
from pipelines.ledger import Ledger
from pipelines.stages.loading import load
from tests.benchmarks.small_sites import small_site

LIMITS = IngestLimits(max_line_chars=2000, part_chars=2_000_000, max_unpacked_bytes=20_000_000, max_unpacking_ratio=50,
                      least_plain_bytes=0)
TIME_LIMIT_S = 30.0
BODY_BYTES = 6000               # of a text file; enough for the longest preamble and some days of rows
WHOLE_BYTES = 60_000            # files up to this size are damaged as a whole
DESCRIBED = 10                  # every so many turns a file is described as well
STORED = 50                     # every so many turns the files since then go into a ledger together
TURN, READ_IN, REFUSED, DESCRIPTIONS, STORED_FILES, PEAK_KB, SLOWEST_MS, FAILED = range(8)


@dataclass
class Original:
    """A real file, or the beginning of one, with its profile."""

    name: str
    profile: LoggerProfile
    body: bytes


@dataclass
class Outcome:
    """What became of the mutations."""

    read_in: int = 0
    refused: int = 0
    described: int = 0
    stored: int = 0
    peak_kb: int = 0
    slowest_s: float = 0.0
    hung: list[int] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)

    @property
    def is_clean(self) -> bool:
        """Tell whether every file ended in one of the ways it may."""
        return not (self.hung or self.failed)


def originals(measured: Path, more: list[tuple[str, Path, Path]]) -> list[Original]:
    """Return the files of the measured fleet, each with the profile that claims it, and some more."""
    made = []
    for claimed in claims_of(load(measured)).files:
        made.append(Original(claimed.name.replace("/", "-"), claimed.claims[0].profile, _beginning(claimed.path)))
    for key, folder, file in more:
        made.append(Original(file.name, LoggerProfile.from_toml(folder / f"{key}.toml"), _beginning(file)))
    return made


def _beginning(path: Path) -> bytes:
    body = path.read_bytes()
    packed = path.suffix == ".gz"
    body = gzip.decompress(body) if packed else body
    if len(body) > WHOLE_BYTES and path.suffix.lower() not in (".xml", ".xle", ".json", ".xlsx"):
        body = body[:BODY_BYTES]
    return gzip.compress(body, mtime=0) if packed else body


def damaged(original: Original, chance: random.Random, mutated: Callable[[bytes, random.Random], bytes]) -> bytes:
    """Return a file damaged; a packed one mostly in its content, at times as it lies on the disk."""
    if not original.body.startswith(b"\x1f\x8b") or chance.random() < 0.2:
        return mutated(original.body, chance)
    return gzip.compress(mutated(gzip.decompress(original.body), chance), compresslevel=1, mtime=0)


def _work(counts: Any, base: Path, given: list[Original], rounds: int, seed: int, first: int,
          mutated: Callable[[bytes, random.Random], bytes]) -> None:
    """Go through the turns from `first` on, and leave in `counts` how far it came."""
    since: list[tuple[Original, Path]] = []
    for turn in range(first, rounds):
        counts[TURN] = turn
        started = time.perf_counter()
        chance = random.Random(f"{seed}-{turn}")  # noqa: S311 - no secret
        original = given[turn % len(given)]
        path = base / "logs" / f"{turn % len(given):02d}" / f"{turn:06d}-{original.name}"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(damaged(original, chance, mutated))
        since.append((original, path))
        try:
            try:
                read_logger_file(path, original.profile, site_zone="Africa/Nairobi", limits=LIMITS)
                counts[READ_IN] += 1
            except ProjectError:
                counts[REFUSED] += 1
            if turn % DESCRIBED == 0:
                _describe(path)
                counts[DESCRIPTIONS] += 1
            if len(since) == STORED or turn == rounds - 1:
                counts[STORED_FILES] += _store(base, since, given)
                since = []
        except Exception:
            counts[FAILED] += 1
            (base / f"failed-{turn}.txt").write_text(traceback.format_exc(), encoding="utf-8")
            since = []
            shutil.rmtree(base / "logs", ignore_errors=True)
        counts[SLOWEST_MS] = max(counts[SLOWEST_MS], int(1000 * (time.perf_counter() - started)))
        counts[PEAK_KB] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    counts[TURN] = rounds
    os._exit(0)


def _describe(path: Path) -> None:
    try:
        describe_file(path, limits=LIMITS)
    except ProjectError as error:
        if "\n" in str(error):
            raise ValueError(f"an error of several lines: {error}") from error


def _store(base: Path, since: list[tuple[Original, Path]], given: list[Original]) -> int:
    """Take files into a ledger of their own, all in one go; each must be in its registry afterwards."""
    sites = {f"well-{place}": small_site(f"well-{place}", logs=[{"profile": f"p{place}", "files": f"{place:02d}/*"}])
             for place in range(len(given))}
    profiles = {f"p{place}": item.profile.model_copy(update={"key": f"p{place}"}) for place, item in enumerate(given)}
    with Ledger(base / "ledger") as ledger:
        report = ingest_fleet(SimpleNamespace(folder=base, sites=sites, profiles=profiles), ledger, limits=LIMITS)
        kept = len(ledger.files())
    if report.files_new + report.files_known + report.files_unreadable < len(since) or kept == 0:
        raise ValueError(f"of {len(since)} files only {report.files_new} came in: {report.messages}")
    shutil.rmtree(base / "ledger")
    shutil.rmtree(base / "logs")
    return len(since)


def run_mutations(rounds: int, given: list[Original], mutated: Callable[[bytes, random.Random], bytes], *,
                  seed: int = 8, limit_s: float = TIME_LIMIT_S, say_every: int = 1000) -> Outcome:
    """Read so many damaged files under a limit of time for each; nothing is read in this process itself."""
    forking = multiprocessing.get_context("fork")
    counts = forking.Array("q", 8, lock=False)
    outcome, first, said = Outcome(), 0, 0
    with tempfile.TemporaryDirectory(prefix="mutations-") as scratch:
        base = Path(scratch)
        while first < rounds:
            counts[TURN] = first
            worker = forking.Process(target=_work, args=(counts, base, given, rounds, seed, first, mutated))
            worker.start()
            at, since = first, time.monotonic()
            while worker.is_alive():
                worker.join(0.5)
                if counts[TURN] != at:
                    at, since = counts[TURN], time.monotonic()
                elif time.monotonic() - since > limit_s:
                    os.kill(worker.pid or 0, signal.SIGKILL)
                    worker.join()
                if at - said >= say_every:
                    said = at
                    print(f"  {at} mutations so far, {counts[FAILED]} tracebacks, {len(outcome.hung)} over the limit "
                          "of time", flush=True)
            if worker.exitcode == 0:
                break
            outcome.hung.append(counts[TURN])
            first = counts[TURN] + 1
        outcome.failed = [path.read_text(encoding="utf-8") for path in sorted(base.glob("failed-*.txt"))]
    outcome.read_in, outcome.refused, outcome.described, outcome.stored = (
        counts[place] for place in (READ_IN, REFUSED, DESCRIPTIONS, STORED_FILES))
    outcome.peak_kb, outcome.slowest_s = counts[PEAK_KB], counts[SLOWEST_MS] / 1000.0
    return outcome
