"""A site's sun beside that of its neighbours: a sensor that leaves them on clear days is the sensor, not the sky."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import norm

from diagnostics.fleet_context.neighbourhood import distances_km, sharing_sky
from diagnostics.results import Record, SiteDiagnosis
from diagnostics.site import Site
from diagnostics.statistics import level_change

Vector = NDArray[np.float64]
# The neighbours themselves must agree that day.
MOST_DISAGREEMENT = 0.06
LEAST_NEIGHBOURS = 2
LEAST_CLEAR_DAYS = 10
LEAST_SIGNIFICANCE = 0.01
# Two sound sensors of the trade differ by calibration, levelling and dirt: one standard deviation between a sensor and
# the median of its neighbours.
SENSOR_SPREAD = 0.03
LEAST_CHANGE = 0.05


class SunCheck(Record):
    """What a site's neighbours say of its sun sensor."""

    site_id: str
    neighbours: list[str]
    nearest_km: float
    clear_days: int
    ratio: float
    ratio_low: float
    ratio_high: float
    before: float | None
    since: date | None
    outcome: Literal["agrees", "reads high", "reads low", "not enough data"]
    says: str


def sun_checks(sites: Mapping[str, Site], diagnoses: Mapping[str, SiteDiagnosis]) -> list[SunCheck]:
    """
    Compare each site's share of the clear-sky sun with the median of its neighbours, on days that were clear for all.

    Shares of the clear sky in each sensor's own plane are compared, so that tilt and azimuth drop out.

    Parameters
    ----------
    sites : mapping of str to Site
    diagnoses : mapping of str to SiteDiagnosis

    Returns
    -------
    checks : list of SunCheck
        One a site with at least two neighbours under the same sky.
    """
    ids = [site_id for site_id in diagnoses if site_id in sites and len(diagnoses[site_id].days)]
    if len(ids) <= LEAST_NEIGHBOURS:
        return []
    described = [sites[site_id] for site_id in ids]
    ratios = pd.DataFrame({site_id: _clear_ratio(diagnoses[site_id]) for site_id in ids})
    shared, away = sharing_sky(described), distances_km(described)
    found = []
    for place, site_id in enumerate(ids):
        near = [ids[other] for other in np.flatnonzero(shared[place]) if ratios[ids[other]].notna().any()]
        if len(near) >= LEAST_NEIGHBOURS and ratios[site_id].notna().any():
            nearest = float(min(away[place][ids.index(other)] for other in near))
            found.append(_check(site_id, ratios, near, nearest))
    return found


def _clear_ratio(diagnosis: SiteDiagnosis) -> "pd.Series[float]":
    """Return irradiance over clear sky on days that this site itself saw clear; nothing on others."""
    if "clear_sky" not in diagnosis.summaries.columns:
        return pd.Series(dtype="float64", index=pd.DatetimeIndex([]))
    known = 1.0 + diagnosis.summaries["clear_sky"].astype(float)
    return known.set_axis(pd.DatetimeIndex(pd.to_datetime(pd.Index(known.index))))


def _check(site_id: str, ratios: pd.DataFrame, near: Sequence[str], nearest: float) -> SunCheck:
    others = ratios[list(near)]
    middle = others.median(axis=1)
    spread = 1.4826 * others.sub(middle, axis=0).abs().median(axis=1)
    clear = ((spread < MOST_DISAGREEMENT) & ratios[site_id].notna()
             & (others.notna().sum(axis=1) >= LEAST_NEIGHBOURS))
    beside = (ratios[site_id] / middle)[clear]
    if len(beside) < LEAST_CLEAR_DAYS:
        return SunCheck(site_id=site_id, neighbours=list(near), nearest_km=nearest, clear_days=len(beside),
                        ratio=float("nan"), ratio_low=float("nan"), ratio_high=float("nan"), before=None, since=None,
                        outcome="not enough data", says=f"Only {len(beside)} days were clear at it and its neighbours.")
    values = np.log(beside.to_numpy(dtype=np.float64))
    start = _change(values)
    now = values[start:] if start is not None else values
    level = float(np.median(now))
    scatter = 1.4826 * float(np.median(np.abs(now - level))) if len(now) > 2 else MOST_DISAGREEMENT
    before = float(np.median(values[:start])) if start is not None else None
    # A change is held against the sensor's own past; a lasting difference against what sound sensors differ by.
    spread_of = float(np.hypot(scatter / np.sqrt(len(now)), 0.01 if before is not None else SENSOR_SPREAD))
    gone = level - (before or 0.0)
    reach = float(norm.ppf(0.975)) * spread_of
    doubt = abs(gone) > max(reach, LEAST_CHANGE)
    outcome: Literal["agrees", "reads high", "reads low"] = (
        "agrees" if not doubt else "reads high" if gone > 0 else "reads low")
    since = pd.Timestamp(beside.index[start]).date() if start is not None and doubt else None
    return SunCheck(
        site_id=site_id, neighbours=list(near), nearest_km=nearest, clear_days=len(beside), ratio=float(np.exp(level)),
        ratio_low=float(np.exp(level - reach)), ratio_high=float(np.exp(level + reach)),
        before=None if before is None or not doubt else float(np.exp(before)), since=since, outcome=outcome,
        says=_says(outcome, len(near), len(beside), float(np.exp(level)), before if doubt else None, since))


def _change(values: Vector) -> int | None:
    """Return where one lasting change of level begins, if it is larger than instruments differ from day to day."""
    found = level_change(values, least_side=LEAST_CLEAR_DAYS)
    if found is None or found.p_value > LEAST_SIGNIFICANCE:
        return None
    start = found.first_after
    step = abs(float(np.median(values[start:]) - np.median(values[:start])))
    return start if step > 0.6 * LEAST_CHANGE else None


def _says(outcome: str, near: int, days: int, ratio: float, before: float | None, since: date | None) -> str:
    text = f"On {days} days clear at it and {near} neighbours its sun sensor showed {ratio:.0%} of their median"
    if before is not None and since is not None:
        text += f" since {since}, {np.exp(before):.0%} before"
    return text + {"agrees": ": the sensor agrees with them.", "reads high": ": the sensor reads high, not the sky.",
                   "reads low": ": the sensor reads low, not the sky."}[outcome]
