"""
The water account: expected = delivered + states + each cause + unexplained, per day and month, closing to rounding.

Losses of concurrent causes are shared by the Shapley value of the delivered share: with v(S) the delivered share when
the causes of S are present, each cause gets the mean of its marginal effect over all orders (L. S. Shapley, "A value
for n-person games", 1953). v(S) is taken as the product of the shares of its members, which is exact for causes in
series that scale the flow and a documented approximation otherwise; time not run is taken out first.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import factorial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.results import AccountLine, WaterAccount

Vector = NDArray[np.float64]


@dataclass(frozen=True)
class DayBooks:
    """Volumes by day over judged intervals. [m3]"""

    expected: Vector
    expected_low: Vector
    expected_high: Vector
    delivered: Vector
    seen: Vector
    states: Mapping[str, Vector]
    causes: Mapping[str, Vector]
    cause_spread: Mapping[str, float]       # relative half-width of each cause's volume
    judged: NDArray[np.bool_]

    @property
    def unexplained(self) -> Vector:
        """What no state and no cause accounts for; may be negative."""
        named = sum(self.states.values(), np.zeros_like(self.expected))
        named = named + sum(self.causes.values(), np.zeros_like(self.expected))
        return np.asarray(self.expected - self.delivered - named)


def shapley_shares(kept: Sequence[Vector]) -> list[Vector]:
    """
    Share a loss among causes that each leave a share of the water.

    Parameters
    ----------
    kept : sequence of ndarray, shape (n,)
        Share that each cause alone leaves. [1]

    Returns
    -------
    lost : list of ndarray, shape (n,)
        Share lost to each; they add up to 1 minus the product. [1]
    """
    count = len(kept)
    lost = []
    for mine in range(count):
        others = [kept[i] for i in range(count) if i != mine]
        total = np.zeros_like(kept[mine])
        for size in range(count):
            weight = factorial(size) * factorial(count - size - 1) / factorial(count)
            for chosen in combinations(others, size):
                before = np.prod(np.array(chosen), axis=0) if chosen else np.ones_like(kept[mine])
                total = total + weight * before * (1.0 - kept[mine])
        lost.append(total)
    return lost


def accounts_by_month(site_id: str, days: pd.Index, books: DayBooks) -> list[WaterAccount]:
    """
    Add the days up to one account a calendar month.

    Parameters
    ----------
    site_id : str
        Site.
    days : pandas.Index
        Local dates.
    books : DayBooks
        Volumes by day.

    Returns
    -------
    accounts : list of WaterAccount
        Months without any expected water are kept: they say so.
    """
    stamps = pd.DatetimeIndex(pd.to_datetime(days))
    month = stamps.year.to_numpy() * 12 + stamps.month.to_numpy()
    return [account_of(site_id, days, books, month == number) for number in np.unique(month)]


def account_of(site_id: str, days: pd.Index, books: DayBooks, chosen: NDArray[np.bool_]) -> WaterAccount:
    """
    Add chosen days up to one account.

    Parameters
    ----------
    site_id : str
        Site.
    days : pandas.Index
        Local dates.
    books : DayBooks
        Volumes by day.
    chosen : ndarray of bool
        Days of the period.

    Returns
    -------
    account : WaterAccount
        Lines add up to the expected volume exactly: the unexplained line is what remains.
    """
    position = np.flatnonzero(chosen)
    expected = _total(books.expected, chosen)
    low, high = _total(books.expected_low, chosen), _total(books.expected_high, chosen)
    delivered = _total(books.delivered, chosen)
    meter = 0.025 * delivered * 1.96
    lines = [AccountLine(kind="delivered", code="delivered", volume_m3=delivered, low_m3=delivered - meter,
                         high_m3=delivered + meter)]
    rest = expected - delivered
    for code, volume in books.states.items():
        total = _total(volume, chosen)
        if total != 0.0:
            spread = abs(total) * max(0.1, (high - low) / max(2.0 * expected, 1e-9))
            lines.append(AccountLine(kind="state", code=code, volume_m3=total, low_m3=total - spread,
                                     high_m3=total + spread))
            rest -= total
    for code, volume in books.causes.items():
        total = _total(volume, chosen)
        if total != 0.0:
            spread = abs(total) * books.cause_spread.get(code, 0.3)
            lines.append(AccountLine(kind="cause", code=code, volume_m3=total, low_m3=total - spread,
                                     high_m3=total + spread))
            rest -= total
    half = 0.5 * (high - low)
    lines.append(AccountLine(kind="unexplained", code="unexplained", volume_m3=rest, low_m3=rest - half,
                             high_m3=rest + half))
    return WaterAccount(
        site_id=site_id, first_day=pd.Timestamp(days[position[0]]).date(),
        last_day=pd.Timestamp(days[position[-1]]).date(), expected_m3=expected, expected_low_m3=low,
        expected_high_m3=high, lines=lines, days=len(position), judged_days=int(books.judged[chosen].sum()),
        seen_m3=_total(books.seen, chosen))


def _total(volume: Vector, chosen: NDArray[np.bool_]) -> float:
    return float(np.nansum(volume[chosen]))
