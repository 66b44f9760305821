"""What the diagnosis would say of kept plants if each were exactly its own chain: the share that tolerances hide."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import get_args

import numpy as np
import pandas as pd

from diagnostics.causes import CAUSES
from diagnostics.data_chain import TOLD_BY_RULE
from diagnostics.detectability import CannotTellError, told_by_own_chain
from diagnostics.detectability.grounds import grounds_of
from diagnostics.expected import SiteModel
from diagnostics.health import Health
from diagnostics.proving.bands import Band, band_of, true_size
from diagnostics.proving.planting import course
from diagnostics.settings import Settings
from pipelines.proof.diagnosing import each_plant
from pipelines.proof.plants import RanPlant


@dataclass(frozen=True)
class PlantedOnOwnChain:
    """One planted cause and what could be said of it."""

    cause: str
    band: str
    sensors: str
    seen: bool              # a logged channel can show it
    opened: bool
    probability: float
    first: str


def own_chain_of_plant(ran: RanPlant) -> list[PlantedOnOwnChain]:
    """
    Weigh each planted cause of a plant alone, as the site's own chain would show it.

    Parameters
    ----------
    ran : RanPlant
        Plant, readings and truth; of the readings only noise, gaps and weather are used.

    Returns
    -------
    found : list of PlantedOnOwnChain
        Empty for a sound plant and for one without a chain; causes told by rule or before the weighing are left out.
    """
    site, faults = ran.one.drawn.site, ran.one.faults
    told = [fault for fault in faults if fault.cause in CAUSES and CAUSES[fault.cause].forms
            and fault.cause not in (*TOLD_BY_RULE, "logger_silent", "clock_shift")]
    if not told:
        return []

    @cache
    def build(health: Health) -> SiteModel:
        return SiteModel.build(site, health)

    try:
        grounds = grounds_of(site, ran.readings, build, Settings())
    except CannotTellError:
        return []
    band, share = band_of(ran.truth, faults)
    hours = 24.0 * np.arange(grounds.day_count) + 12.0
    found = []
    for fault in told:
        full = fault.start_day + (fault.ramp_days if fault.shape == "ramp" else 1.0)
        size = true_size(fault, min(full, grounds.day_count - 1.0), ran.truth, site)
        said = told_by_own_chain(grounds, fault.cause, course(fault, hours, np.random.default_rng(0)),
                                 _nearness(size, share))
        found.append(PlantedOnOwnChain(fault.cause, str(band), ran.one.drawn.sensors, said is not None,
                                       said is not None and said.opened, said.probability if said else 0.0,
                                       said.first if said else ""))
    return found


def _nearness(size: float, share: float) -> Callable[[float, float], float]:
    """Match by the size that was planted where it is told in the same unit, else by the water it costs."""
    by_size = math.isfinite(size) and size > 0.0
    return lambda told, loss: abs(abs(told) - size) if by_size else abs(loss - share)


def on_own_chain(paths: Sequence[Path], processes: int = 1) -> list[PlantedOnOwnChain]:
    """
    Go through kept plants.

    Parameters
    ----------
    paths : sequence of pathlib.Path
        Files of the cache.
    processes : int, optional
        More than one starts fresh processes.

    Returns
    -------
    found : list of PlantedOnOwnChain
        Of all planted causes that are weighed.
    """
    return [one for several in each_plant(own_chain_of_plant, paths, processes) for one in several]


def own_chain_tables(found: Sequence[PlantedOnOwnChain]) -> list[tuple[str, pd.DataFrame]]:
    """
    Sum up by band and by cause.

    Parameters
    ----------
    found : sequence of PlantedOnOwnChain
        Of many plants.

    Returns
    -------
    tables : list of (str, pandas.DataFrame)
        `named first, expected` counts a cause by its posterior where something is said, and as nought where nothing is.
    """
    rows = pd.DataFrame([{"cause": one.cause, "band": one.band, "sensors": one.sensors, "can be seen": one.seen,
                          "something said": one.opened,
                          "named first, expected": one.probability if one.opened else 0.0,
                          "taken for": one.first if one.opened and one.first != one.cause else ""} for one in found])
    if rows.empty:
        return []
    tables = []
    for by in ("band", "sensors", "cause"):
        table = rows.groupby(by, sort=by != "band").agg(
            planted=("cause", "size"), **{name: (name, "mean") for name in
                                          ("can be seen", "something said", "named first, expected")})
        if by == "band":
            table = table.reindex([band for band in get_args(Band) if band in table.index])
        if by == "cause":
            table["taken for"] = rows[rows["taken for"] != ""].groupby("cause")["taken for"].agg(
                lambda names: names.mode().iloc[0])
            table["taken for"] = table["taken for"].fillna("")
        tables.append((f"On its own chain, by {by}", table.reset_index()))
    return tables
