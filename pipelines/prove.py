"""
Prove the diagnosis on plants whose faults are known, and print what came out, good and bad.

    python -m pipelines.prove --sites 60 --days 150 --seed 7
"""

import argparse
import time
from collections.abc import Sequence
from datetime import date

import numpy as np
import pandas as pd
from rich.console import Console
from rich.table import Table

from diagnostics.diagnose import diagnose_site
from diagnostics.proving.drawing_faults import DrawnPlant, draw_fleet, run_fleet
from diagnostics.proving.score import Outcome, Score, outcome_of, score
from diagnostics.proving.simulate import Plant

START_DAY = date(2025, 3, 1)
# Plants are drawn and run in lots, so that a long proof needs no more memory than a short one.
LOT = 60


def prove(sites: int, days: int, seed: int, *, families: Sequence[str] | None = None,
          regions: Sequence[str] | None = None, console: Console | None = None) -> list[Outcome]:
    """
    Draw, run and diagnose proving plants.

    Parameters
    ----------
    sites : int
        Number of plants.
    days : int
        Length of each record. [days]
    seed : int
        Of everything that is drawn.
    families, regions : sequence of str, optional
        Draw only from these.
    console : rich.console.Console, optional
        Shows progress.

    Returns
    -------
    outcomes : list of Outcome
        One a plant.
    """
    rng = np.random.default_rng(seed)
    outcomes: list[Outcome] = []
    for first in range(0, sites, LOT):
        count = min(LOT, sites - first)
        fleet = draw_fleet(rng, count, days=days, families=families, regions=regions, first_number=first)
        plants = run_fleet(fleet, start_day=START_DAY, days=days, rng=rng.spawn(1)[0])
        outcomes += [_diagnosed(one, plant) for one, plant in zip(fleet, plants, strict=True)]
        if console is not None:
            console.print(f"{len(outcomes)} of {sites} plants diagnosed")
    return outcomes


def _diagnosed(one: DrawnPlant, plant: Plant) -> Outcome:
    began = time.process_time()
    diagnosis = diagnose_site(one.drawn.site, plant.readings)
    seconds = time.process_time() - began
    return outcome_of(one.drawn.site.id, one.drawn.family, one.drawn.climate, one.drawn.sensors, plant.faults,
                      plant.truth, diagnosis, seconds=seconds)


def print_score(found: Score, outcomes: Sequence[Outcome], console: Console) -> None:
    """
    Print every figure of a score.

    Parameters
    ----------
    found : Score
        Figures.
    outcomes : sequence of Outcome
        Behind them; the misses are listed one by one.
    console : rich.console.Console
        Where to.
    """
    _print_frame(found.table.reset_index(), "By cause", console)
    _print_frame(found.bands, "By band of water lost", console)
    _print_frame(found.reliability, "Stated confidence against share right", console)
    wrong = Table("planted", "named", "times", title="Confusion")
    for (truth, said), times in sorted(found.confusion.items(), key=lambda item: -item[1]):
        if truth != said and not (truth == "sound" and said == "nothing"):
            wrong.add_row(truth, said, str(times))
    console.print(wrong)
    seconds = float(np.mean([o.seconds for o in outcomes])) if outcomes else float("nan")
    for label, value in (
            ("plants", found.plants), ("of them sound", found.sound), ("macro-F1", found.macro_f1),
            ("macro-F1, moderate and severe", found.macro_f1_strong), ("right first", found.right_first),
            ("right among rivals", found.among_rivals),
            ("findings per sound site-year", found.false_alarms_per_sound_year),
            ("of these in the pump system", found.system_false_alarms_per_sound_year),
            ("median size error", found.median_size_error),
            ("median onset error, days", found.median_onset_error_days),
            ("calibration error", found.calibration_error), ("seconds a site", seconds)):
        console.print(f"{label}: {value:.3g}" if isinstance(value, float) else f"{label}: {value}")


def _print_frame(frame: pd.DataFrame, title: str, console: Console) -> None:
    table = Table(*[str(name) for name in frame.columns], title=title)
    for row in frame.itertuples(index=False):
        table.add_row(*[f"{cell:.2f}" if isinstance(cell, float) else str(cell) for cell in row])
    console.print(table)


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
    parser = argparse.ArgumentParser(prog="python -m pipelines.prove", description=__doc__)
    parser.add_argument("--sites", type=int, default=400)
    parser.add_argument("--days", type=int, default=240)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--families", nargs="*", default=None)
    parser.add_argument("--regions", nargs="*", default=None)
    chosen = parser.parse_args(argv)
    console = Console()
    outcomes = prove(chosen.sites, chosen.days, chosen.seed, families=chosen.families, regions=chosen.regions,
                     console=console)
    print_score(score(outcomes), outcomes, console)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
