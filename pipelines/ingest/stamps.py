"""From local wall-clock stamps to UTC: hours that do not exist, and hours that occur twice."""

from enum import IntEnum

import numpy as np
import pandas as pd
from numpy.typing import NDArray


class StampRule(IntEnum):
    """What was found about a stamp; everything but SOUND and TWICE keeps the row out of the readings."""

    SOUND = 0
    UNREADABLE = 1
    NOT_ON_CLOCK = 2
    TWICE = 3
    TOO_EARLY = 4


STAMP_SAYS: dict[int, str] = {
    StampRule.UNREADABLE: "stamp cannot be read with the profile's format",
    StampRule.NOT_ON_CLOCK: "this local time does not exist: clocks went forward over it",
    StampRule.TWICE: "this local hour occurs twice and the file does not show which one it is",
    StampRule.TOO_EARLY: "stamp lies before the logger can have existed: its clock was reset",
}


def to_utc(local: pd.DatetimeIndex, groups: NDArray[np.int64], zone: str) -> tuple[pd.DatetimeIndex, NDArray[np.int8]]:
    """
    Bring naive local stamps in the order of the file to UTC.

    In an hour that occurs twice the rows before the stamp steps back are summer time, those after it standard time.
    Where no step back is seen the file cannot tell; the rows are taken as summer time and marked `TWICE`.
    """
    rules = np.zeros(len(local), dtype=np.int8)
    if not len(local):
        return pd.DatetimeIndex([], tz="UTC"), rules
    first = local.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
    unclear = np.asarray(first.isna() & local.notna())
    utc = first.tz_convert("UTC")
    if not unclear.any():
        return utc, rules
    as_summer = local.tz_localize(zone, ambiguous=np.ones(len(local), dtype=bool), nonexistent="NaT")
    missing = np.asarray(as_summer.isna() & local.notna())
    rules[missing] = StampRule.NOT_ON_CLOCK
    twice = unclear & ~missing
    if not twice.any():
        return utc, rules
    summer, doubtful = _which_pass(local, groups, twice)
    as_decided = local[twice].tz_localize(zone, ambiguous=summer).tz_convert("UTC")
    stamps = utc.to_series(index=range(len(utc)))
    stamps.iloc[np.flatnonzero(twice)] = as_decided
    rules[np.flatnonzero(twice)[doubtful]] = StampRule.TWICE
    return pd.DatetimeIndex(stamps), rules


def _which_pass(local: pd.DatetimeIndex, groups: NDArray[np.int64],
                twice: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return, for the rows of an hour that occurs twice, whether they are summer time and whether that is in doubt."""
    frame = pd.DataFrame({"local": local, "group": groups})
    part = frame[twice]
    # A night's doubled hour may start at half past; rows of one night belong together whatever the hour.
    block = part["group"].astype(str) + "/" + part["local"].dt.normalize().astype(str)
    steps_back = (part["local"] <= part.groupby(block)["local"].shift()).astype(int)
    passes = steps_back.groupby(block).cumsum()
    seen_both = passes.groupby(block).transform("max") > 0
    summer = ~seen_both | (passes == 0)
    return summer.to_numpy(dtype=bool), (~seen_both).to_numpy(dtype=bool)
