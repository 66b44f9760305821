"""Kept plants diagnosed, in this process or in several, and set beside their truth."""

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import timedelta
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

import numpy as np
import pandas as pd

from diagnostics.diagnose import diagnose_site
from diagnostics.proving.bands import STATES
from diagnostics.proving.score import Outcome, outcome_of
from diagnostics.readings import SiteReadings
from pipelines.proof.plants import RanPlant, read_plant

Result = TypeVar("Result")
# Plants whose true detection delay is sought, at most, by shape of onset; each takes about six diagnoses.
DELAY_SAMPLE = {"step": 10, "ramp": 8}
# Days after the true onset at which a night's run is tried, until the cause is named.
NIGHTS_TRIED = (1, 2, 3, 4, 6, 8, 11, 14, 20, 28, 40, 60, 90)


@dataclass(frozen=True)
class DetectionDelay:
    """Days from the true onset to the first night on which the run of that night named the cause."""

    cause: str
    shape: str
    band: str
    days: float                 # infinite: not within the nights tried


def outcome_of_plant(ran: RanPlant) -> Outcome:
    """
    Diagnose one plant and set the diagnosis beside its truth.

    Parameters
    ----------
    ran : RanPlant
        Plant, readings and truth.

    Returns
    -------
    outcome : Outcome
        With the CPU seconds of the diagnosis.
    """
    drawn = ran.one.drawn
    began = time.process_time()
    # A night's run knows until when readings should have come: silence at the end is seen only so.
    diagnosis = diagnose_site(drawn.site, ran.readings, as_of_utc=ran.truth.index[-1])
    seconds = time.process_time() - began
    return outcome_of(drawn.site.id, drawn.family, drawn.climate, drawn.sensors, ran.one.faults, ran.truth, diagnosis,
                      seconds=seconds, site=drawn.site, step_s=drawn.truth.logger_step_s)


def diagnose_kept(paths: Sequence[Path], *, processes: int = 1, deadline_s: float = float("inf"),
                  say: Callable[[str], None] = print) -> list[Outcome]:
    """
    Diagnose kept plants.

    Parameters
    ----------
    paths : sequence of pathlib.Path
        Files of the cache.
    processes : int, optional
        More than one starts fresh processes, each with one thread for its linear algebra.
    deadline_s : float, optional
        Diagnose no further plant after this reading of `time.monotonic`. [s]
    say : callable, optional
        Told what is going on.

    Returns
    -------
    outcomes : list of Outcome
        One a plant, as far as time allowed.
    """
    outcomes: list[Outcome] = []
    for outcome in each_plant(outcome_of_plant, paths, processes):
        outcomes.append(outcome)
        if len(outcomes) % 25 == 0:
            say(f"{len(outcomes)} of {len(paths)} plants diagnosed")
        if time.monotonic() > deadline_s:
            say(f"time is up: {len(outcomes)} of {len(paths)} plants were diagnosed")
            break
    return outcomes


def each_plant(work: Callable[[RanPlant], Result], paths: Sequence[Path], processes: int) -> Iterator[Result]:
    """
    Do one piece of work with every kept plant, in order.

    Parameters
    ----------
    work : callable
        Of a module, so that other processes can find it.
    paths : sequence of pathlib.Path
        Files of the cache.
    processes : int
        More than one starts fresh processes, each with one thread for its linear algebra.

    Yields
    ------
    result
        Of each plant.
    """
    done = partial(_with_one_thread, work)
    if processes <= 1:
        yield from map(done, paths)
        return
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        yield from pool.map(done, paths)


def _with_one_thread(work: Callable[[RanPlant], Result], path: Path) -> Result:
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1):
        return work(read_plant(path))


def detection_delays(plants: Iterable[RanPlant], outcomes: Sequence[Outcome], *,
                     deadline_s: float = float("inf")) -> list[DetectionDelay]:
    """
    Find for a sample of named causes on which night the run would first have named them, by cutting the record short.

    Parameters
    ----------
    plants : iterable of RanPlant
        Diagnosed plants.
    outcomes : sequence of Outcome
        Of the same plants, in the same order.
    deadline_s : float, optional
        Begin with no further plant after this reading of `time.monotonic`. [s]

    Returns
    -------
    delays : list of DetectionDelay
        Only causes of moderate, severe or no-water size that the whole record named: the others have no delay.
    """
    left = dict(DELAY_SAMPLE)
    out: list[DetectionDelay] = []
    for ran, outcome in zip(plants, outcomes, strict=True):
        named = [f for f in outcome.faults if f.named and f.band != "mild"]
        if len(outcome.faults) != 1 or not named or left.get(named[0].shape, 0) <= 0:
            continue
        if time.monotonic() > deadline_s:
            break
        left[named[0].shape] -= 1
        out.append(DetectionDelay(named[0].cause, named[0].shape, named[0].band, _first_night(ran)))
    return out


def _first_night(ran: RanPlant) -> float:
    fault = next(f for f in ran.one.faults if f.cause not in STATES)
    begins = pd.Timestamp(ran.truth.index[0])
    for night in NIGHTS_TRIED:
        end = begins + timedelta(days=float(np.floor(fault.start_day)) + night)
        cut = until(ran.readings, end)
        truth = ran.truth.loc[:end]
        found = diagnose_site(ran.one.drawn.site, cut, as_of_utc=end)
        outcome = outcome_of("", "", "", "", ran.one.faults, truth, found, site=ran.one.drawn.site)
        if any(f.named for f in outcome.faults):
            return float(night)
    return float("inf")


def until(readings: SiteReadings, end: pd.Timestamp) -> SiteReadings:
    """
    Cut a record short.

    Parameters
    ----------
    readings : SiteReadings
        Whole record.
    end : pandas.Timestamp
        Last stamp that is kept.

    Returns
    -------
    readings : SiteReadings
        What the logger had sent by then.
    """
    kept = readings.values.index <= end
    return SiteReadings(site_id=readings.site_id, values=readings.values.loc[kept], masks=readings.masks.loc[kept],
                        interval_s=readings.interval_s.loc[kept])
