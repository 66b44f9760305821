"""Proving plants run in lots and kept on disk, so that a changed diagnosis needs no new simulation."""

import hashlib
import pickle
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from diagnostics import proving
from diagnostics.proving.drawing import Variant
from diagnostics.proving.drawing_faults import DrawnPlant, draw_fleet, like_members
from diagnostics.proving.simulate import simulate_many
from diagnostics.readings import SiteReadings
from diagnostics.site import Site

# Plants that are stepped and held in memory together.
LOT = 60
START_OF: dict[Variant, date] = {"training": date(2025, 3, 1), "held_out": date(2024, 9, 1)}
# Modules that judge plants and do not make them.
_JUDGING = ("score.py", "bands.py", "timing.py", "figures.py")


@dataclass(frozen=True)
class FleetRequest:
    """Which plants: everything that decides what is drawn and run."""

    sites: int
    days: int
    seed: int
    variant: Variant = "held_out"
    families: tuple[str, ...] = ()
    regions: tuple[str, ...] = ()
    step_s: float | None = None
    sound_share: float = 0.42
    sensors: str | None = None

    @property
    def key(self) -> str:
        """Name of its folder in a cache."""
        chosen = () if self.sensors is None else (self.sensors,)
        rest = repr((self.families, self.regions, self.step_s, self.sound_share, *chosen))
        return (f"{self.variant}-{self.seed}-{self.sites}x{self.days}-"
                f"{hashlib.sha256(rest.encode()).hexdigest()[:6]}")


@dataclass(frozen=True)
class RanPlant:
    """A drawn plant with what its logger wrote and what really happened."""

    one: DrawnPlant
    readings: SiteReadings
    truth: pd.DataFrame


def simulator_digest() -> str:
    """
    Digest of the modules that make plants, so that a cache says what it was made by.

    Returns
    -------
    digest : str
        First 12 hexadecimal digits.
    """
    total = hashlib.sha256()
    for path in sorted(Path(str(proving.__file__)).parent.glob("*.py")):
        if path.name not in _JUDGING:
            total.update(path.read_bytes())
    return total.hexdigest()[:12]


def drawn_fleet(request: FleetRequest) -> list[DrawnPlant]:
    """
    Draw the fleet of a request; the same request draws the same fleet.

    Parameters
    ----------
    request : FleetRequest
        What is asked for.

    Returns
    -------
    fleet : list of DrawnPlant
        In the order of their numbers.
    """
    return draw_fleet(np.random.default_rng(request.seed), request.sites, days=request.days,
                      families=request.families or None, regions=request.regions or None, step_s=request.step_s,
                      sound_share=request.sound_share, sensors=request.sensors, variant=request.variant)


def lots_of(fleet: Sequence[DrawnPlant], lot: int = LOT) -> list[list[int]]:
    """
    Split a fleet into lots that are cheap to step together, the cheapest kind first.

    Parameters
    ----------
    fleet : sequence of DrawnPlant
        Drawn plants.
    lot : int, optional
        Plants in one lot at most.

    Returns
    -------
    lots : list of list of int
        Positions in the fleet.
    """
    return [members[first:first + lot] for members in like_members(fleet) for first in range(0, len(members), lot)]


def run_lot(fleet: Sequence[DrawnPlant], members: Sequence[int], request: FleetRequest, number: int) -> list[RanPlant]:
    """
    Run the plants of one lot; a lot's chance depends on the request and its number alone.

    Parameters
    ----------
    fleet : sequence of DrawnPlant
        Drawn plants.
    members : sequence of int
        Positions of this lot.
    request : FleetRequest
        Seed, days and variant.
    number : int
        Number of the lot.

    Returns
    -------
    ran : list of RanPlant
        In the order of `members`.
    """
    part = [fleet[i] for i in members]
    plants = simulate_many([one.drawn.truth for one in part], start_day=START_OF[request.variant], days=request.days,
                           rng=np.random.default_rng([request.seed, 77, number]), faults=[one.faults for one in part],
                           dull_days=[one.dull_days for one in part], inner_step_s=300.0)
    return [RanPlant(one, plant.readings, _small(plant.truth)) for one, plant in zip(part, plants, strict=True)]


def _small(truth: pd.DataFrame) -> pd.DataFrame:
    out = truth.astype({"healthy_flow_m3_s": "float32", "true_flow_m3_s": "float32", "water_level_m": "float32",
                        "light_ratio": "float32"})
    out["state"] = pd.Categorical(truth["state"])
    return out


def simulate_to_cache(request: FleetRequest, cache: Path, *, deadline_s: float = float("inf"),
                      say: Callable[[str], None] = print) -> Path:
    """
    Run what is not yet in the cache.

    Parameters
    ----------
    request : FleetRequest
        Which plants.
    cache : pathlib.Path
        Folder of all kept fleets.
    deadline_s : float, optional
        Start no further lot after this reading of `time.monotonic`. [s]
    say : callable, optional
        Told what is going on.

    Returns
    -------
    folder : pathlib.Path
        One file a plant, and `made-by.txt`.
    """
    folder = cache / request.key
    folder.mkdir(parents=True, exist_ok=True)
    note, digest = folder / "made-by.txt", simulator_digest()
    if not note.is_file():
        note.write_text(digest + "\n", encoding="utf-8")
    elif note.read_text(encoding="utf-8").strip() != digest:
        say(f"{folder.name}: kept plants were made by an earlier simulator; delete the folder to run them again")
    fleet = drawn_fleet(request)
    for number, members in enumerate(lots_of(fleet)):
        missing = [i for i in members if not _file(folder, i).is_file()]
        if not missing:
            continue
        if time.monotonic() > deadline_s:
            say(f"time is up: {len(members)} plants of lot {number} were not run")
            continue
        began = time.process_time()
        for i, ran in zip(members, run_lot(fleet, members, request, number), strict=True):
            path = _file(folder, i)
            waiting = path.with_suffix(".part")
            waiting.write_bytes(pickle.dumps(ran, protocol=5))
            waiting.replace(path)
        say(f"lot {number}: {len(members)} plants run in {time.process_time() - began:.0f} CPU seconds")
    return folder


def kept_plants(folder: Path) -> list[Path]:
    """
    List the plants of a cache folder in the order of their numbers.

    Parameters
    ----------
    folder : pathlib.Path
        As `simulate_to_cache` returned it.

    Returns
    -------
    paths : list of pathlib.Path
        One a plant.
    """
    return sorted(folder.glob("plant-*.pickle"))


def read_plant(path: Path) -> RanPlant:
    """
    Read one kept plant. Only files that this program wrote itself are read.

    Parameters
    ----------
    path : pathlib.Path
        From `kept_plants`.

    Returns
    -------
    ran : RanPlant
        Plant, readings and truth.

    Raises
    ------
    TypeError
        If the file holds something else.
    """
    ran = pickle.loads(path.read_bytes())  # noqa: S301
    if not isinstance(ran, RanPlant):
        raise TypeError(f"{path.name} holds no proving plant; delete the cache folder to have it made again.")
    # A sheet kept from before a field was added gets that field's default.
    site = Site.model_validate(ran.one.drawn.site.model_dump(warnings="none"))
    return replace(ran, one=replace(ran.one, drawn=replace(ran.one.drawn, site=site)))


def _file(folder: Path, number: int) -> Path:
    return folder / f"plant-{number:04d}.pickle"
