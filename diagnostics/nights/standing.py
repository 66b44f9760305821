"""What stands after a weighing, and what it lets one expect of the days that follow."""

import hashlib
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.account import DayBooks
from diagnostics.chain.learned import SHEET, Learned
from diagnostics.diagnose import Weighing
from diagnostics.evidence.features import FEATURE_NAMES, FEATURES
from diagnostics.inference.lost_water import CauseShares, cause_shares
from diagnostics.results import Finding, SiteDiagnosis
from diagnostics.site import Site

Vector = NDArray[np.float64]

# Days from one weighing by the calendar to the next: what creeps is told a week later at most.
WEEK_DAYS = 7
# A younger record is weighed every night: that is cheap, and its tolerances are still being learned.
YOUNG_DAYS = 30
# Days whose median is the level that a summary is expected to keep.
LEVEL_DAYS = 14
# Days whose scatter says how far a sound day may leave that level.
SCATTER_DAYS = 90
# The newest days do not widen what is allowed to the next ones: they may be the begin of what is looked for.
UNTRUSTED_DAYS = 5
LEAST_KNOWN_DAYS = 10
# Standard deviations by which the mean of the last one, two and three days may leave the level. Of some 25 summaries a
# normal one passes 4.5 once in 6000 site-nights; 2 of 25 means of two days that weather ties together pass 3.2 a year.
Z_BOUNDS = (4.5, 3.2, 2.7)
# Weather has heavier tails: so much beyond the third worst of the last ninety days of the same site.
BEYOND_OWN_WORST = 1.25
WORST_PLACE = 3
# The median of the record changes from window to window, and with it this summary; no single night can tell it.
NOT_BY_NIGHT = ("night_temperature", "silent_share")
NO_SHARES = CauseShares([], [], {})
TAKEN = np.array([name not in NOT_BY_NIGHT for name in FEATURE_NAMES])


@dataclass(frozen=True)
class Night:
    """
    What is kept of a site from one night to the next.

    Until the next weighing the causes stand as they were on `weighed_on`; `days` have been reckoned up to `day`, and
    `books` has one row for each. `level`, `scatter` and `bounds` (three rows: means of one, two and three days) are by
    summary; `off` holds the deviations of the last two days weighed and of all days since, in standard deviations.
    `every_night` says why no night before the next weighing by the calendar can be told by its new day alone; empty
    where it can.
    """

    site_id: str
    weighed_on: date
    day: date
    every_night: str
    days: pd.DataFrame
    books: pd.DataFrame
    findings: list[Finding] = field(default_factory=list)
    sound_ratio: float = 1.0
    learned: Learned = SHEET
    dry_counts: bool = False
    shares: CauseShares = NO_SHARES
    level: Vector = field(default_factory=lambda: np.zeros(0))
    scatter: Vector = field(default_factory=lambda: np.zeros(0))
    bounds: Vector = field(default_factory=lambda: np.zeros((0, 0)))
    off: Vector = field(default_factory=lambda: np.zeros((0, 0)))

    def as_weighed(self) -> "Night":
        """Return the night of the last weighing itself."""
        if self.day == self.weighed_on:
            return self
        since = (self.day - self.weighed_on).days
        upto = np.array([day <= self.weighed_on for day in self.days.index])
        return replace(self, day=self.weighed_on, days=self.days[upto], books=self.books[upto], off=self.off[:-since])


def end_of(site: Site, day: date) -> pd.Timestamp:
    """Return the midnight that ends a local day."""
    return pd.Timestamp(day + timedelta(days=1)).tz_localize(site.timezone).tz_convert("UTC")


def weighs_by_calendar(site_id: str, day: date) -> bool:
    """
    Tell whether a site is weighed on a local day whatever that day brings.

    Parameters
    ----------
    site_id : str
        Spreads the sites of a fleet over the week, the same way on every machine.
    day : date
        Local day that is over.

    Returns
    -------
    weighed : bool
        True on every seventh day.
    """
    place = int.from_bytes(hashlib.sha256(site_id.encode()).digest()[:4], "big")
    return (day.toordinal() + place) % WEEK_DAYS == 0


def night_after(diagnosis: SiteDiagnosis, day: date, weighing: Weighing | None, every_night: str) -> Night:
    """
    Return what is kept after a weighing.

    Parameters
    ----------
    diagnosis : SiteDiagnosis
        What was told.
    day : date
        Last day that was weighed.
    weighing : Weighing or None
        What it worked with.
    every_night : str
        Why the next nights have to be weighed too, if they have.

    Returns
    -------
    night : Night
    """
    if weighing is None or every_night:
        return Night(diagnosis.site_id, day, day, every_night or "Nothing of it can be weighed.", diagnosis.days,
                     pd.DataFrame(), diagnosis.findings)
    shares = cause_shares(weighing.accepted, weighing.signatures).standing_on(-1, 1)
    shift = np.zeros(len(FEATURE_NAMES))
    moved = np.zeros(weighing.noise.values.shape)
    for item in weighing.accepted:
        shift += item.shift * item.course[-1]
        moved += item.shift[None, :] * item.course[:, None]
    own = weighing.noise.values - moved
    level, scatter, bounds, off = _expectation(own, weighing.summaries.errors.to_numpy(dtype=np.float64))
    days = diagnosis.days
    return Night(diagnosis.site_id, day, day, "", days, books_frame(weighing.books, days.index), diagnosis.findings,
                 float(weighing.sound_ratio[-1]), weighing.learned, weighing.dry_counts, shares, level + shift, scatter,
                 bounds, off)


def _expectation(own: Vector, error: Vector) -> tuple[Vector, Vector, Vector, Vector]:
    """Return level, scatter, bounds and the newest deviations of every summary, standing causes taken off."""
    frame = pd.DataFrame(own[-(SCATTER_DAYS + LEVEL_DAYS + UNTRUSTED_DAYS):])
    error = error[-len(frame):]
    before = frame.rolling(LEVEL_DAYS, min_periods=3).median().shift(1).to_numpy(dtype=np.float64)
    gone = frame.to_numpy(dtype=np.float64) - before
    level = np.nan_to_num(frame.tail(LEVEL_DAYS).median().to_numpy(dtype=np.float64))
    trusted = gone[:-UNTRUSTED_DAYS]
    known = np.isfinite(trusted).sum(axis=0)
    prior = np.array([np.hypot(FEATURES[name].drift, FEATURES[name].slack) for name in FEATURE_NAMES])
    middle = pd.DataFrame(np.abs(trusted)).median().to_numpy(dtype=np.float64)
    scatter = np.where(known >= LEAST_KNOWN_DAYS, 1.4826 * np.nan_to_num(middle), prior)
    off = gone / np.hypot(scatter, error)
    bounds = []
    for length, least in enumerate(Z_BOUNDS, start=1):
        mean = pd.DataFrame(off[:-UNTRUSTED_DAYS]).rolling(length).mean().abs().fillna(0.0).to_numpy(dtype=np.float64)
        worst = np.sort(mean, axis=0)[-WORST_PLACE] if len(mean) >= WORST_PLACE else np.zeros(len(level))
        bounds.append(np.maximum(least, BEYOND_OWN_WORST * worst))
    return level, scatter, np.array(bounds), off[-(len(Z_BOUNDS) - 1):]


def deviations(night: Night, values: Vector, errors: Vector) -> Vector:
    """Return how far the summaries of a new day lie from what stands, in standard deviations; NaN where not known."""
    return np.asarray((values - night.level) / np.hypot(night.scatter, errors), dtype=np.float64)


def left_by(night: Night, off: Vector) -> str:
    """
    Name the summary that leaves what the last weighing lets one expect, or nothing.

    Parameters
    ----------
    night : Night
        The night before.
    off : ndarray, shape (features,)
        Deviations of the new day.

    Returns
    -------
    why : str
        The summary, over how many days, and how far; empty where every summary stays.
    """
    rows = np.vstack([night.off, off])
    for length in range(1, len(Z_BOUNDS) + 1):
        if len(rows) < length:
            break
        mean = np.abs(rows[-length:].mean(axis=0))
        with np.errstate(invalid="ignore"):
            beyond = TAKEN & (mean > night.bounds[length - 1])
        if beyond.any():
            worst = int(np.argmax(np.where(beyond, mean, 0.0)))
            return f"{FEATURE_NAMES[worst]} over {length} day(s), {mean[worst]:.1f} standard deviations"
    return ""


def books_frame(books: DayBooks, days: pd.Index) -> pd.DataFrame:
    """Return the volumes by day as one table: states and causes under their own prefix. [m3]"""
    table = {"expected": books.expected, "expected_low": books.expected_low, "expected_high": books.expected_high,
             "delivered": books.delivered, "seen": books.seen, "judged": books.judged}
    table |= {f"state {code}": volume for code, volume in books.states.items()}
    table |= {f"cause {code}": volume for code, volume in books.causes.items()}
    return pd.DataFrame(table, index=days)


def books_of(table: pd.DataFrame, spread: dict[str, float]) -> DayBooks:
    """Return the volumes by day from their table."""
    def column(name: str) -> Vector:
        return table[name].to_numpy(dtype=np.float64)

    def under(prefix: str) -> dict[str, Vector]:
        return {str(name)[len(prefix):]: column(str(name)) for name in table.columns if str(name).startswith(prefix)}

    return DayBooks(column("expected"), column("expected_low"), column("expected_high"), column("delivered"),
                    column("seen"), under("state "), under("cause "), spread, table["judged"].to_numpy(dtype=bool))
