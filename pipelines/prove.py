"""
Prove the diagnosis on plants whose faults are known, and print what came out, good and bad.

    python -m pipelines.prove --sites 60 --days 150 --seed 7
    python -m pipelines.prove --cache prove-cache --markdown
    python -m pipelines.prove --calibrate --cache prove-cache
    python -m pipelines.prove --own-chain --cache prove-cache

Plants of the proof are of held-out physics, regions, loggers and fault courses (`diagnostics.proving.variants`); the
calibration is fitted on training plants and never on those.
"""

import argparse
import tempfile
import time
from collections.abc import Iterable, Sequence
from pathlib import Path

import pandas as pd
from rich.console import Console

from diagnostics.proving.drawing import SENSORS
from diagnostics.proving.score import Outcome, score
from pipelines.proof.calibrating import cross_validated, fitted, stated_findings, write_fit
from pipelines.proof.diagnosing import DetectionDelay, detection_delays, diagnose_kept
from pipelines.proof.own_chain import on_own_chain, own_chain_tables
from pipelines.proof.plants import FleetRequest, kept_plants, read_plant, simulate_to_cache
from pipelines.proof.report import as_markdown, as_text, tables

TRAINING_SITES, TRAINING_SEED = 260, 512


def prove(request: FleetRequest, cache: Path, *, processes: int = 1, with_delays: bool = False,
          deadline_s: float = float("inf"), console: Console | None = None
          ) -> tuple[list[Outcome], list[DetectionDelay]]:
    """
    Run and diagnose proving plants.

    Parameters
    ----------
    request : FleetRequest
        Which plants.
    cache : pathlib.Path
        Folder in which plants that ran are kept.
    processes : int, optional
        Processes for the diagnoses.
    with_delays : bool, optional
        Also cut a sample of records short night by night.
    deadline_s : float, optional
        Begin nothing new after this reading of `time.monotonic`. [s]
    console : rich.console.Console, optional
        Shows progress.

    Returns
    -------
    outcomes, delays : tuple
        One outcome a plant; delays of the sample.
    """
    say = (lambda text: console.print(text, style="dim")) if console is not None else (lambda text: None)
    paths = kept_plants(simulate_to_cache(request, cache, deadline_s=deadline_s, say=say))
    outcomes = diagnose_kept(paths, processes=processes, deadline_s=deadline_s, say=say)
    delays: list[DetectionDelay] = []
    if with_delays:
        delays = detection_delays((read_plant(path) for path in paths[:len(outcomes)]), outcomes,
                                  deadline_s=deadline_s)
    return outcomes, delays


def main(argv: Sequence[str] | None = None) -> int:
    """
    Run a proof from the command line.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments; those of the process where not given.

    Returns
    -------
    code : int
        0 always: figures are reported, not judged.
    """
    chosen = _arguments(argv)
    progress, console = Console(stderr=True), Console(width=200, highlight=False)
    deadline = time.monotonic() + 60.0 * chosen.minutes if chosen.minutes else float("inf")
    with tempfile.TemporaryDirectory() as passing:
        cache = chosen.cache or Path(passing)
        request = FleetRequest(chosen.sites, chosen.days, chosen.seed, chosen.variant, tuple(chosen.families or ()),
                               tuple(chosen.regions or ()), sensors=chosen.sensors)
        if chosen.own_chain:
            kept = kept_plants(simulate_to_cache(request, cache, deadline_s=deadline, say=progress.print))
            _print(console, own_chain_tables(on_own_chain(kept, chosen.processes)), markdown=chosen.markdown)
            return 0
        outcomes, delays = prove(request, cache, processes=chosen.processes, with_delays=chosen.delays,
                                 deadline_s=deadline, console=progress)
    validations = []
    if chosen.calibrate:
        found = stated_findings(outcomes)
        validations = [cross_validated(found, by) for by in ("family", "region")]
        where = write_fit(fitted(found), f"{len(found)} findings on {len(outcomes)} training plants, seed "
                                         f"{request.seed}")
        progress.print(f"written to {where.name}")
    _print(console, tables(score(outcomes), outcomes, delays, validations), markdown=chosen.markdown)
    return 0


def _print(console: Console, found: Iterable[tuple[str, pd.DataFrame]], *, markdown: bool) -> None:
    for title, table in found:
        console.print(as_markdown(title, table) if markdown else as_text(title, table), markup=False, soft_wrap=True)
        console.print()


def _arguments(argv: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m pipelines.prove", description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sites", type=int, default=None, help="plants; 400, or 260 to calibrate")
    parser.add_argument("--days", type=int, default=240)
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--variant", choices=("held_out", "training"), default=None)
    parser.add_argument("--families", nargs="*", default=None)
    parser.add_argument("--regions", nargs="*", default=None)
    parser.add_argument("--sensors", choices=tuple(SENSORS), default=None,
                        help="give all plants these sensors, to see what missing ones cost")
    parser.add_argument("--cache", type=Path, default=None, help="keep plants that ran in this folder")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=None, help="begin nothing new after so many minutes")
    parser.add_argument("--delays", action="store_true", help="also seek the night that first named a cause")
    parser.add_argument("--calibrate", action="store_true", help="fit the confidence on training plants")
    parser.add_argument("--own-chain", action="store_true",
                        help="what would be said if every plant were exactly its own chain, instead of diagnoses")
    parser.add_argument("--markdown", action="store_true")
    chosen = parser.parse_args(argv)
    if chosen.calibrate and chosen.variant == "held_out":
        parser.error("the confidence is never fitted on held-out plants; leave out --variant.")
    chosen.variant = chosen.variant or ("training" if chosen.calibrate else "held_out")
    chosen.sites = chosen.sites or (TRAINING_SITES if chosen.calibrate else 400)
    chosen.seed = chosen.seed if chosen.seed is not None else TRAINING_SEED if chosen.calibrate else 2026
    return chosen


if __name__ == "__main__":
    raise SystemExit(main())
