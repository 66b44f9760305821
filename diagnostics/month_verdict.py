"""The verdict on one calendar month that is over, from the same days, findings and account as the verdict of today."""

from datetime import date
from typing import Literal

import numpy as np
import pandas as pd

from diagnostics.consequence import MEASURING_CAUSES
from diagnostics.results import Finding, SiteDiagnosis, WaterAccount
from diagnostics.settings import Settings

MonthVerdict = Literal["working", "less than it should", "not working", "not enough data"]

# "Working as it should" is a claim about the whole month and needs most of its sun hours; a fault needs only to be
# seen. Below about 70 % of the sun hours no verdict on output should be given (design advice of the trade).
_SHARE_FOR_SOUND = 0.7
_STOPPED_DAYS = 3


def days_between(days: pd.DataFrame, first: date, last: date) -> pd.DataFrame:
    """
    Cut the days of a diagnosis to a span.

    Parameters
    ----------
    days : pandas.DataFrame
        Index: local days.
    first, last : date
        Both included.

    Returns
    -------
    cut : pandas.DataFrame
        Index: datetime.date.
    """
    stamps = np.asarray([pd.Timestamp(day).date() for day in days.index], dtype=object)
    within = np.asarray([first <= day <= last for day in stamps], dtype=bool)
    return days[within].set_axis(stamps[within])


def findings_between(diagnosis: SiteDiagnosis, first: date, last: date) -> list[Finding]:
    """
    Return the findings that held during a span, the costliest first, faults of the measuring last.

    Parameters
    ----------
    diagnosis : SiteDiagnosis
        Worked out on the last day of the span or later.
    first, last : date
        Both included.

    Returns
    -------
    held : list of Finding
        Begun before the end, and open still or seen within the span.
    """
    over = ("healed", "mended")
    held = [finding for finding in diagnosis.findings if finding.onset <= last
            and (finding.last_seen >= first if finding.status in over else True)]
    return sorted(held, key=lambda finding: (finding.cause in MEASURING_CAUSES, -finding.water_lost_m3_day,
                                             -finding.confidence, finding.cause))


def month_verdict(diagnosis: SiteDiagnosis, first: date, last: date, settings: Settings | None = None
                  ) -> MonthVerdict:
    """
    Judge one month.

    Parameters
    ----------
    diagnosis : SiteDiagnosis
        Worked out on the last day of the month or later.
    first, last : date
        First and last day of the month.
    settings : Settings, optional
        What counts as enough data and as a loss worth telling.

    Returns
    -------
    verdict : str
        "not working" where the month ended standing, "less than it should" where causes took more water than
        instruments can prove, "not enough data" where too few sun hours were judged to say "working".
    """
    settings = settings or Settings()
    if diagnosis.days.empty:
        return "not enough data"
    days = days_between(diagnosis.days, first, last)
    judged = days[days["judged"].to_numpy(dtype=bool)]
    hours = float(judged["judged_sun_hours"].sum())
    if hours < settings.least_judged_sun_hours:
        return "not enough data"
    held = [finding for finding in findings_between(diagnosis, first, last) if finding.cause not in MEASURING_CAUSES]
    tail = judged.tail(_STOPPED_DAYS)
    if held and len(tail) == _STOPPED_DAYS and bool((tail["main_state"] == "stopped").all()):
        return "not working"
    lost = _lost_share(diagnosis, first, held, judged)
    if lost >= settings.least_loss_ratio:
        return "less than it should"
    if any(finding.cause == "meter_stopped" for finding in findings_between(diagnosis, first, last)):
        return "not enough data"        # nobody saw the water: what may well have come is no verdict
    all_hours = float(days["sun_hours"].sum())
    return "working" if all_hours > 0.0 and hours >= _SHARE_FOR_SOUND * all_hours else "not enough data"


def _lost_share(diagnosis: SiteDiagnosis, first: date, held: list[Finding], judged: pd.DataFrame) -> float:
    """Return the share of the month's expected water that went to causes, by the account where there is one."""
    account = account_of(diagnosis, first)
    if account is not None and account.expected_m3 > 0.0:
        return sum(line.volume_m3 for line in account.lines if line.kind == "cause"
                   and line.code not in MEASURING_CAUSES) / account.expected_m3
    daily = float(judged["expected_m3"].mean()) if len(judged) else 0.0
    return sum(finding.water_lost_m3_day for finding in held) / daily if daily > 0.0 else 0.0


def account_of(diagnosis: SiteDiagnosis, first: date) -> WaterAccount | None:
    """
    Return the water account of the month that begins on a day.

    Parameters
    ----------
    diagnosis : SiteDiagnosis
        With its accounts.
    first : date
        First day of the month.

    Returns
    -------
    account : WaterAccount or None
        None where the month has none.
    """
    return next((account for account in diagnosis.accounts
                 if (account.first_day.year, account.first_day.month) == (first.year, first.month)), None)
