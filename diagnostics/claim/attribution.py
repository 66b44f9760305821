"""Whose is the missing water: when it began, what took it, and who owns each cause."""

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
import pandas as pd

from diagnostics.causes import CAUSES
from diagnostics.claim.conditions import CountedDays
from diagnostics.claim.records import CauseShare, Start
from diagnostics.consequence import MEASURING_CAUSES
from diagnostics.results import Finding, SiteDiagnosis
from diagnostics.statistics import level_change, monotonic_trend

NOBODY = "nobody"
NOT_KNOWN = "not known"
_LEAST_DAYS = 14
_SURE = 0.01        # of Pettitt's test: one wrong step in a hundred steady records


def start_of_shortfall(counted: CountedDays, *, limit_ratio: float) -> Start:
    """
    Say when delivered over due changed: by a step, slowly, or not within the counted days.

    Parameters
    ----------
    counted : CountedDays
    limit_ratio : float
        Below it the promise is not met beyond doubt. [1]

    Returns
    -------
    start : Start
    """
    if len(counted) < _LEAST_DAYS:
        return Start(kind="not enough data", says=f"{len(counted)} counted days; {_LEAST_DAYS} are needed to date a "
                                                  "change.")
    daily = counted.delivered_m3 / counted.due_m3
    when = np.array([day.toordinal() for day in counted.days], dtype=np.float64)
    change = level_change(daily, least_side=4)
    trend = monotonic_trend(when, daily)
    if change is not None and change.p_value < _SURE:
        stepped = np.where(np.arange(len(daily)) < change.first_after, change.mean_before, change.mean_after)
        sloped = 0.0 if trend is None else trend.intercept + trend.slope * when
        if float(np.sum((daily - stepped) ** 2)) <= float(np.sum((daily - sloped) ** 2)):
            day, low, high = (counted.days[n] for n in (change.first_after, change.low, change.high))
            way = "fell" if change.mean_after < change.mean_before else "rose"
            return Start(kind="step", first_day=day, low=low, high=high,
                         says=f"Delivered over due {way} from {change.mean_before:.2f} to {change.mean_after:.2f} with "
                              f"{day} (95 % between {low} and {high}).")
    if trend is not None and trend.p_value < _SURE:
        return Start(kind="ramp", first_day=counted.days[0], low=counted.days[0], high=counted.days[-1],
                     says=f"Delivered over due changed slowly by {30 * trend.slope:+.3f} in 30 days (95 % "
                          f"{30 * trend.slope_low:+.3f} to {30 * trend.slope_high:+.3f}).")
    if float(np.median(daily)) < limit_ratio:
        return Start(kind="from the first day", first_day=counted.days[0], low=counted.days[0], high=counted.days[0],
                     says=f"No change within the counted days: delivered over due stood near {np.median(daily):.2f} "
                          "from the first of them.")
    return Start(kind="no change found", says="Delivered over due stood steady.")


def shares_of_missing_water(diagnosis: SiteDiagnosis, first_day: date, last_day: date) -> list[CauseShare]:
    """
    Book the judged days of a period: what states and causes took of the water the described system could have given.

    Parameters
    ----------
    diagnosis : SiteDiagnosis
    first_day, last_day : date
        Both included.

    Returns
    -------
    shares : list of CauseShare
        States, causes (largest first) and the unexplained rest; with the delivered water they add up to the expected.
    """
    days = diagnosis.days
    day_of = np.array([pd.Timestamp(day).date() for day in days.index], dtype=object)
    chosen = np.array([first_day <= day <= last_day for day in day_of], dtype=bool)
    judged = chosen & days["judged"].to_numpy(dtype=bool) if len(days) else chosen
    expected, delivered, full = (float(np.nansum(days[name].to_numpy(dtype=np.float64)[judged])) if len(days) else 0.0
                                 for name in ("expected_m3", "delivered_m3", "tank_full_m3"))
    shares: list[CauseShare] = []
    if full > 0:
        shares.append(CauseShare(cause="tank_full", label="Tank full, water not called for", owner=NOBODY,
                                 kind="state", volume_m3=full, low_m3=full, high_m3=full))
    causes = [_share(finding, day_of[judged]) for finding in diagnosis.findings
              if finding.cause not in MEASURING_CAUSES and finding.onset <= last_day
              and finding.last_seen >= first_day]
    shares += sorted((share for share in causes if share.volume_m3 > 0), key=lambda share: -share.volume_m3)
    rest = expected - delivered - sum(share.volume_m3 for share in shares)
    half = sum((share.high_m3 - share.low_m3) / 2 for share in shares)
    shares.append(CauseShare(cause="unexplained", label="Not explained, or ordinary scatter", owner=NOT_KNOWN,
                             kind="unexplained", volume_m3=rest, low_m3=rest - half, high_m3=rest + half))
    return shares


def _share(finding: Finding, judged_days: Sequence[date]) -> CauseShare:
    """Multiply a finding's loss a day by the judged days it stood."""
    days = sum(finding.onset <= day <= finding.last_seen for day in judged_days)
    cause = CAUSES.get(finding.cause)
    return CauseShare(
        cause=finding.cause, label=cause.label if cause else finding.cause, kind="cause",
        owner=finding.owner_of_cause or (cause.owner_of_cause if cause else "") or NOT_KNOWN,
        volume_m3=finding.water_lost_m3_day * days, low_m3=finding.water_lost_low_m3_day * days,
        high_m3=finding.water_lost_high_m3_day * days, confidence=finding.confidence, onset=finding.onset,
        onset_low=finding.onset_low, onset_high=finding.onset_high,
        evidence=finding.evidence, rivals=finding.rivals)


def owners_of_missing_water(shares: Sequence[CauseShare]) -> dict[str, float]:
    """
    Add the shares up by owner; where rivals remain, each owner gets as much as the rival is probable.

    Parameters
    ----------
    shares : sequence of CauseShare

    Returns
    -------
    owners : dict
        Owner -> water, largest first; adds up to the shares. [m3]
    """
    owners: dict[str, float] = {}

    def book(owner: str, volume_m3: float) -> None:
        owners[owner] = owners.get(owner, 0.0) + volume_m3

    for share in shares:
        left = 1.0
        if share.confidence is not None:
            rivals = {rival.cause: rival.probability for rival in share.rivals if rival.cause != share.cause}
            scale = min(1.0, (1.0 - share.confidence) / sum(rivals.values())) if sum(rivals.values()) > 0 else 0.0
            for name, probability in rivals.items():
                known = CAUSES.get(name)
                part = probability * scale
                book((known.owner_of_cause if known else "") or NOT_KNOWN, share.volume_m3 * part)
                left -= part
            unsure = max(0.0, left - share.confidence)
            if unsure > 0:
                book(NOT_KNOWN, share.volume_m3 * unsure)
                left -= unsure
        book(share.owner, share.volume_m3 * left)
    return dict(sorted(owners.items(), key=lambda item: -item[1]))


def counted_span(first_day: date, last_day: date) -> int:
    """Return the number of days of a period, both ends included."""
    return (last_day - first_day + timedelta(days=1)).days
