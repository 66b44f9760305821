"""Shapes over time: when a cause was there and how much of it, as profiles between 0 and 1 over the days."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Vector = NDArray[np.float64]
KINDS = ("day_one", "step", "spell", "window", "ramp", "ramp_window", "sawtooth", "season", "intermittent")

# How each stated onset shape spreads over the kinds of profile.
SPREAD: dict[str, dict[str, float]] = {
    "step": {"step": 0.7, "window": 0.3},
    "ramp": {"ramp": 0.7, "ramp_window": 0.3},
    "ramp_resets": {"ramp": 0.3, "ramp_window": 0.35, "sawtooth": 0.35},
    "seasonal": {"season": 0.8, "window": 0.2},
    "intermittent": {"intermittent": 0.4, "window": 0.3, "spell": 0.3},
    "day_one": {"day_one": 1.0},
}
DURATIONS = (1, 2, 3, 5, 8, 13, 21, 34, 55, 89)
# A change must have this many days before it, in a record of two months and more: with fewer, one odd first day would
# be the whole of what was before, and a change so early is told as there from the first day.
LEAST_DAYS_BEFORE, LONG_RECORD_DAYS = 5, 60
LEAST_WINDOW_DAYS = 8      # shorter spells belong to what stops and starts, not to wear, dirt or sensors


@dataclass(frozen=True)
class Profiles:
    """
    All profiles of a site: plain windows [first, last) come first and are held as bounds only.

    `dense` has shape (days, profiles - windows) for the rest. `kind`, `start` and `stop` run over all profiles.
    """

    days: int
    window_first: NDArray[np.intp]
    window_last: NDArray[np.intp]
    dense: Vector
    kind: NDArray[np.object_]
    start: NDArray[np.intp]
    stop: NDArray[np.intp]

    @property
    def count(self) -> int:
        """Number of profiles."""
        return len(self.kind)

    def column(self, number: int) -> Vector:
        """Return one profile over the days."""
        windows = len(self.window_first)
        if number >= windows:
            return np.asarray(self.dense[:, number - windows], dtype=np.float64)
        profile = np.zeros(self.days)
        profile[self.window_first[number]:self.window_last[number]] = 1.0
        return profile


def build_profiles(days: int, *, events: Sequence[int] = (), washes: Sequence[int] = (),
                   flags: Vector | None = None) -> Profiles:
    """
    Lay out the profiles that onset search runs over.

    Parameters
    ----------
    days : int
        Length of the record. [days]
    events : sequence of int
        Days on which somebody worked at the site: windows may end or start there.
    washes : sequence of int
        Days on which rain or a crew washed the array.
    flags : ndarray, optional
        Days on which the site stood or cycled, as 0 or 1; one profile of an intermittent cause.

    Returns
    -------
    profiles : Profiles
        Windows as bounds, others dense.
    """
    bounds, kinds = _windows(days, events)
    columns: list[Vector] = []
    dense_kind: list[str] = []
    starts: list[int] = []
    stops: list[int] = []

    def add(profile: Vector, kind: str, start: int, stop: int) -> None:
        columns.append(profile)
        dense_kind.append(kind)
        starts.append(start)
        stops.append(stop)

    time = np.arange(days, dtype=np.float64)
    coarse = max(2, days // 60)
    for start in range(-max(coarse, days // 6), days - 5, coarse):
        lengths = {length for length in (12, 30, 60, 120, 240) if start + length < days}
        for length in [*sorted(lengths), days - start]:
            add(np.clip((time - start + 1.0) / length, 0.0, 1.0), "ramp", max(start, 0), days)
    ends = sorted(set(range(10, days, max(3, days // 40))) | {e for e in (*events, *washes) if 4 < e < days})
    earliest = _earliest(days)
    for end in ends:
        for length in (10, 20, 40, 80, 160):
            if end - length >= earliest or end in events or end in washes:
                profile = np.where(time < end, np.clip((time - (end - length) + 1.0) / length, 0.0, 1.0), 0.0)
                add(profile, "ramp_window", max(end - length, 0), end)
    for width in (60, 100, 160, 240, 330):
        if width <= 1.6 * days:
            for middle in range(0, days + 1, max(4, width // 8)):
                shape = 0.5 + 0.5 * np.cos(np.clip((time - middle) / (width / 2.0), -1.0, 1.0) * np.pi)
                add(shape, "season", max(int(middle - width / 2), 0), min(int(middle + width / 2), days))
    _sawteeth(days, washes, add)
    if flags is not None and flags.any():
        on = np.flatnonzero(flags > 0.0)
        add(flags.astype(np.float64), "intermittent", int(on[0]), int(on[-1]) + 1)
    dense = np.column_stack(columns) if columns else np.zeros((days, 0))
    first = np.array([b[0] for b in bounds], dtype=np.intp)
    last = np.array([b[1] for b in bounds], dtype=np.intp)
    return Profiles(days, first, last, dense, np.array([*kinds, *dense_kind], dtype=object),
                    np.concatenate((first, np.array(starts, dtype=np.intp))),
                    np.concatenate((last, np.array(stops, dtype=np.intp))))


def no_profiles(days: int) -> Profiles:
    """Return the empty set of profiles, for a field that only the drift is read from."""
    none = np.zeros(0, dtype=np.intp)
    return Profiles(days, none, none, np.zeros((days, 0)), np.zeros(0, dtype=object), none, none)


def _earliest(days: int) -> int:
    return LEAST_DAYS_BEFORE if days >= LONG_RECORD_DAYS else 1


def _windows(days: int, events: Sequence[int]) -> tuple[list[tuple[int, int]], list[str]]:
    bounds: list[tuple[int, int]] = [(0, days)]
    kinds = ["day_one"]
    earliest = _earliest(days)
    for start in range(earliest, days):
        bounds.append((start, days))
        kinds.append("step")
    seen = set(bounds)
    for duration in DURATIONS:
        # A fault that was there from the first day and went by itself is the baseline's own error in disguise.
        for start in range(earliest, days - duration, max(1, duration // 3)):
            if (start, start + duration) not in seen:
                seen.add((start, start + duration))
                bounds.append((start, start + duration))
                kinds.append("spell" if duration < LEAST_WINDOW_DAYS else "window")
    for event in events:
        if 0 < event < days:
            for start in range(0, event, max(1, event // 40)):
                if (start, event) not in seen:
                    seen.add((start, event))
                    bounds.append((start, event))
                    kinds.append("window")
    return bounds, kinds


def _sawteeth(days: int, washes: Sequence[int], add: "object") -> None:
    if not washes or not callable(add):
        return
    time = np.arange(days)
    resets = np.array(sorted({0, *[w for w in washes if 0 < w < days]}))
    since = (time - resets[np.searchsorted(resets, time, side="right") - 1]).astype(np.float64)
    longest = max(float(since.max()), 1.0)
    for start in range(0, max(days - 10, 1), max(5, days // 20)):
        for limit in (20.0, 45.0, longest):
            profile = np.where(time >= start, np.minimum(np.minimum(since, time - start) / limit, 1.0), 0.0)
            if profile.max() > 0.2:
                add(profile / profile.max(), "sawtooth", start, days)
