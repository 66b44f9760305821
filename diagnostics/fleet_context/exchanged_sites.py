"""Two sites of a fleet that hold each other's readings: files in the wrong folder, or two site sheets exchanged."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.fleet_context.neighbourhood import sharing_sky
from diagnostics.fleet_context.site_sizes import SIZES, SheetSizes, sheet_sizes
from diagnostics.results import Record, SiteDiagnosis
from diagnostics.site import Site

Vector = NDArray[np.float64]

# Squares of deviations are added over the sizes known and divided by the root of their number: then 6.5 is what chance
# exceeds once in a hundred, for one size as for three, and 9 about once in a thousand (chi-square).
FITS = 6.5
CLEARLY = 9.0
# No day counts for more than this, so that a few odd days make no exchange.
_MOST_OF_A_DAY = 25.0
_FARTHEST = 36.0
LEAST_DAYS = 3
_WINDOW_DAYS = 10
# Same equipment: days of light to compare, how much closer it follows the other's neighbours, and how close at least.
LEAST_LIGHT_DAYS = 20
LIGHT_CLOSER, LIGHT_FOLLOWS = 0.4, 0.7
# First readings this near the other's installation, and this long before the site's own.
_START_NEAR_DAYS, _START_BEFORE_DAYS = 10, 14

_PHRASES = {"array_voltage_v": ("array voltage while it pumps", "{:.0f} V", 1.0),
            "array_power_per_light_m2": ("array power in full sun", "{:.0f} W", 1000.0),
            "flow_m3_s": ("flow in strong sun", "{:.3g} l/s", 1000.0)}


class ExchangedSites(Record):
    """Two sites that hold each other's readings over a span."""

    sites: tuple[str, str]
    first_day: date
    last_day: date
    from_first: bool
    told_by: Literal["sizes", "light", "start"]
    days: int
    says: str
    check: str


@dataclass(frozen=True)
class _Held:
    """All sizes on one calendar, (sites, days, sizes), and the sheets of the sites, (sites, sizes)."""

    ids: list[str]
    days: pd.Index
    sizes: Vector
    sheets: SheetSizes

    def misfit(self, data: NDArray[np.intp] | int, sheet: NDArray[np.intp] | int, sizes: Vector) -> Vector:
        """Return how far sizes are from a sheet, as `FITS` counts it; NaN where none is known."""
        with np.errstate(invalid="ignore", divide="ignore"):
            off = np.log(sizes[data] / self.sheets.usual[sheet])
            spread = np.where(off < 0.0, self.sheets.spread_low[sheet], self.sheets.spread_high[sheet])
            square = np.minimum((off / spread) ** 2, _FARTHEST)
        known = np.isfinite(square)
        count = known.sum(axis=-1)
        total = np.where(known, square, 0.0).sum(axis=-1)
        return np.asarray(np.where(count > 0, total / np.sqrt(np.maximum(count, 1)), np.nan), dtype=np.float64)


def exchanged_sites(sites: Mapping[str, Site], sizes: Mapping[str, pd.DataFrame]) -> list[ExchangedSites]:
    """
    Find pairs of sites whose readings fit each other's sheets and not their own.

    A fault makes readings less than the sheet; it makes no array give more volts than its modules have. So one of both
    sites must hold more than its equipment can give, both must fit clearly better crosswise, and crosswise they must
    fit well. Sites with like equipment cannot be told so and are left to `exchanged_by_pattern`.

    Parameters
    ----------
    sites : mapping of str to Site
    sizes : mapping of str to DataFrame
        `sizes_by_day` of each site.

    Returns
    -------
    exchanged : list of ExchangedSites
        Each site in one pair at most, the clearest first.
    """
    held = _held(sites, sizes)
    if held is None:
        return []
    found = []
    for one, other in _candidates(held):
        better = np.fmin(_better_crosswise(held, one, other), _MOST_OF_A_DAY)
        span = _best_span(np.nan_to_num(better))
        if span is None:
            continue
        inside = np.arange(span[0], span[1] + 1)
        inside = inside[np.isfinite(better[inside])]
        if len(inside) < LEAST_DAYS or not _holds(held, one, other, inside):
            continue
        found.append((float(better[inside].sum()), one, other, inside))
    taken: set[int] = set()
    told = []
    for _, one, other, inside in sorted(found, key=lambda item: -item[0]):
        if one not in taken and other not in taken:
            taken |= {one, other}
            told.append(_told(held, one, other, inside))
    return told


def _held(sites: Mapping[str, Site], sizes: Mapping[str, pd.DataFrame]) -> _Held | None:
    sheets = {one: sheet_sizes(sites[one]) for one in sizes if one in sites and len(sizes[one])}
    ids = [one for one, sheet in sheets.items() if sheet is not None]
    if len(ids) < 2:
        return None
    days = pd.Index(sorted(set().union(*(sizes[one].index for one in ids))))
    table = np.stack([sizes[one].reindex(days)[list(SIZES)].to_numpy(dtype=np.float64) for one in ids])
    rows = [sheet for sheet in sheets.values() if sheet is not None]
    return _Held(ids, days, table, SheetSizes(*(np.stack([getattr(row, name) for row in rows]) for name in (
        "usual", "spread_low", "spread_high", "most"))))


def _candidates(held: _Held) -> list[tuple[int, int]]:
    """Return pairs that fit clearly better crosswise in any stretch of days, all pairs at once."""
    count = len(held.ids)
    near: NDArray[np.bool_] = np.zeros((count, count), dtype=np.bool_)
    data, sheet = np.arange(count)[:, None], np.arange(count)[None, :]
    for start in range(0, len(held.days), _WINDOW_DAYS):
        part = held.sizes[:, start:start + _WINDOW_DAYS]
        known = np.asarray(np.isfinite(part).any(axis=1))
        middle = np.full((count, len(SIZES)), np.nan)
        middle[known] = np.nanmedian(np.where(known[:, None, :], part, 0.0), axis=1)[known]
        misfit = held.misfit(data, sheet, middle)
        own = np.diag(misfit)
        gain = own[:, None] - misfit            # of the readings of a row if they stood on the sheet of a column
        with np.errstate(invalid="ignore"):
            near = np.logical_or(near, (gain > 0.5 * CLEARLY) & (gain.T > 0.5 * CLEARLY))
    return [(int(one), int(other)) for one, other in zip(*np.nonzero(np.triu(near, 1)), strict=True)]


def _better_crosswise(held: _Held, one: int, other: int) -> Vector:
    """Return by how much both fit better crosswise each day, less half of what is clear; NaN where one is silent."""
    gains = [held.misfit(data, data, held.sizes) - held.misfit(data, sheet, held.sizes)
             for data, sheet in ((one, other), (other, one))]
    return np.asarray(np.minimum(*gains), dtype=np.float64) - CLEARLY / 2.0


def _best_span(better: Vector) -> tuple[int, int] | None:
    """Return first and last day of the span over which the sum is greatest."""
    before = np.concatenate(([0.0], np.cumsum(better)))
    lowest = np.minimum.accumulate(before)
    last = int(np.argmax(before - lowest))
    if before[last] - lowest[last] < CLEARLY:
        return None
    return int(np.argmin(before[:last + 1])), last - 1


def _holds(held: _Held, one: int, other: int, inside: NDArray[np.intp]) -> bool:
    middle = np.full((len(held.ids), len(SIZES)), np.nan)
    for site in (one, other):
        part = held.sizes[site, inside]
        known = np.isfinite(part).any(axis=0)
        middle[site, known] = np.nanmedian(part[:, known], axis=0)
    crossed = [float(held.misfit(data, sheet, middle)) for data, sheet in ((one, other), (other, one))]
    own = [float(held.misfit(data, data, middle)) for data in (one, other)]
    with np.errstate(invalid="ignore"):
        beyond = bool((middle[[one, other]] > held.sheets.most[[one, other]]).any())
        more = bool((middle[[one, other]] > held.sheets.most[[other, one]]).any())
    return beyond and not more and all(fit <= FITS and mine - fit >= CLEARLY
                                       for fit, mine in zip(crossed, own, strict=True))


def _told(held: _Held, one: int, other: int, inside: NDArray[np.intp]) -> ExchangedSites:
    names = held.ids[one], held.ids[other]
    seen = [np.isfinite(held.sizes[site]).any(axis=1) for site in (one, other)]
    first = max(int(np.flatnonzero(known)[0]) for known in seen)
    from_first = int(inside[0]) <= first + 1
    days = pd.to_datetime(pd.Index([held.days[inside[0]], held.days[inside[-1]]])).date
    rows = []
    for number, name in enumerate(SIZES):
        words, form, scale = _PHRASES[name]
        values = [float(np.median(part[np.isfinite(part)])) if np.isfinite(part).any() else np.nan
                  for part in (held.sizes[site, inside, number] for site in (one, other))]
        usual = [held.sheets.usual[site, number] for site in (one, other)]
        if np.isfinite([*values, *usual]).all() and abs(np.log(usual[0] / usual[1])) > 0.25:
            shown = [form.format(scale * value) for value in (*values, *usual)]
            rows.append(f"{words} {shown[0]} and {shown[1]}, where the sheets let expect about {shown[2]} and "
                        f"{shown[3]}")
    begun = "from their first day in common" if from_first else f"from {days[0]}"
    says = (f"Readings of {names[0]} and {names[1]} fit each other's sheets and not their own, {begun} to {days[1]}: "
            f"{'; '.join(rows)}.")
    return ExchangedSites(sites=names, first_day=days[0], last_day=days[1], from_first=from_first, told_by="sizes",
                          days=len(inside), says=says, check=_what_to_check(names, from_first=from_first))


def _what_to_check(names: tuple[str, str], *, from_first: bool) -> str:
    first = ("whether the two site sheets, or `files` and `profile` of their [[logs]], are exchanged, and "
             if from_first else
             "whether files were put into each other's folder, or the loggers exchanged, at that time, and ")
    return (f"Look {first}whether the serial number on each logger is the one in its files. Until that is settled "
            f"nothing that is said of {names[0]} and {names[1]} holds.")


def exchanged_by_pattern(sites: Mapping[str, Site], diagnoses: Mapping[str, SiteDiagnosis]) -> list[ExchangedSites]:
    """
    Find pairs of sites with like equipment that hold each other's readings: by the light that fell, or by their start.

    Parameters
    ----------
    sites : mapping of str to Site
    diagnoses : mapping of str to SiteDiagnosis
        For days, their light over a clear sky, and the first day with readings.

    Returns
    -------
    exchanged : list of ExchangedSites
        Light: each follows the neighbours of the other, under another sky, and not its own. Start: each begins with
        the other's installation, one of them before its own.
    """
    ids = [one for one in diagnoses if one in sites and len(diagnoses[one].days)]
    if len(ids) < 2:
        return []
    return [*_by_light(ids, sites, diagnoses), *_by_start(ids, sites, diagnoses)]


def _by_light(ids: list[str], sites: Mapping[str, Site], diagnoses: Mapping[str, SiteDiagnosis]
              ) -> list[ExchangedSites]:
    light = pd.DataFrame({one: diagnoses[one].days["clear_sky_ratio"].astype("float64") for one in ids
                          if "clear_sky_ratio" in diagnoses[one].days.columns})
    names = list(light.columns)
    near = sharing_sky([sites[one] for one in names])
    if not near.any():
        return []
    around = pd.DataFrame({one: light.loc[:, near[place]].median(axis=1) for place, one in enumerate(names)})
    follows, days = _correlation(light.to_numpy(dtype=np.float64), around.to_numpy(dtype=np.float64))
    own = np.diag(follows)
    with np.errstate(invalid="ignore"):
        closer = ~near & (follows >= LIGHT_FOLLOWS) & (follows - own[:, None] >= LIGHT_CLOSER)
    found = []
    for one, other in zip(*np.nonzero(np.triu(closer & closer.T, 1)), strict=True):
        both = names[one], names[other]
        says = (f"On {days[one, other]:.0f} days the light at {both[0]} and {both[1]} rose and fell with that of the "
                f"other's neighbours (correlation {follows[one, other]:.2f} and {follows[other, one]:.2f}) and not "
                f"with that of their own ({own[one]:.2f} and {own[other]:.2f}): they seem to hold each other's "
                "readings.")
        known = light.index[light[list(both)].notna().all(axis=1)]
        found.append(ExchangedSites(sites=both, first_day=known[0], last_day=known[-1], from_first=True,
                                    told_by="light", days=len(known), says=says,
                                    check=_what_to_check(both, from_first=True)))
    return found


def _correlation(one: Vector, other: Vector) -> tuple[Vector, Vector]:
    """Correlate all columns of one table with all of another over the rows that both know; NaN where these are few."""
    known, theirs = np.isfinite(one), np.isfinite(other)
    x, y = np.where(known, one, 0.0), np.where(theirs, other, 0.0)
    k, q = known.astype(np.float64), theirs.astype(np.float64)
    count = k.T @ q
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_x, mean_y = x.T @ q / count, k.T @ y / count
        spread = (x.T**2 @ q / count - mean_x**2) * (k.T @ y**2 / count - mean_y**2)
        found = (x.T @ y / count - mean_x * mean_y) / np.sqrt(spread)
    return np.where((count >= LEAST_LIGHT_DAYS) & (spread > 0.0), found, np.nan), count


def _by_start(ids: list[str], sites: Mapping[str, Site], diagnoses: Mapping[str, SiteDiagnosis]
              ) -> list[ExchangedSites]:
    """Tell that each begins with the other's installation, and one of them before there was anything to log."""
    first = np.array([diagnoses[one].days.index[0] for one in ids], dtype="datetime64[D]").astype(np.int64)
    built = np.array([sites[one].installed_on for one in ids], dtype="datetime64[D]").astype(np.int64)
    before = built - first
    begins = np.abs(first[:, None] - built[None, :]) <= _START_NEAR_DAYS
    early = before >= _START_BEFORE_DAYS
    # One that starts with its own installation as well says nothing.
    told = begins & begins.T & early[:, None] & ~np.diag(begins)[None, :]
    found = []
    for one, other in zip(*np.nonzero(told), strict=True):
        both = ids[one], ids[other]
        says = (f"Readings of {both[0]} begin {before[one]} days before it was installed, with the installation of "
                f"{both[1]}, and those of {both[1]} with the installation of {both[0]}: they seem to hold each other's "
                "readings.")
        days = [diagnoses[name].days.index for name in both]
        found.append(ExchangedSites(
            sites=both, first_day=max(days[0][0], days[1][0]), last_day=min(days[0][-1], days[1][-1]), from_first=True,
            told_by="start", days=len(days[0]), says=says, check=_what_to_check(both, from_first=True)))
    return found
