"""The verdict on one calendar month that is over, by the rules, days, findings and account of the verdict of today."""

from datetime import date

import numpy as np
import pandas as pd

from diagnostics.consequence import MEASURING_CAUSES
from diagnostics.results import Finding, SiteDiagnosis, WaterAccount
from diagnostics.settings import Settings
from diagnostics.verdict import Verdict, stands, sums_of_days, weighed

# "Working as it should" is a claim about the whole month and needs most of its sun hours; a fault needs only to be
# seen. Below about 70 % of the sun hours no verdict on output should be given (design advice of the trade).
_SHARE_FOR_SOUND = 0.7


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


def month_verdict(diagnosis: SiteDiagnosis, first: date, last: date, settings: Settings | None = None, *,
                  may_rest: bool = True, on_demand: bool = False) -> Verdict:
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
    may_rest, on_demand : bool
        As for `diagnostics.verdict.verdict_of`. [1]

    Returns
    -------
    verdict : str
        As `diagnostics.verdict.weighed` judges the month; "not enough data" also where too few sun hours were judged,
        or too few of the month's to say "working".
    """
    settings = settings or Settings()
    if diagnosis.days.empty:
        return "not enough data"
    days = days_between(diagnosis.days, first, last)
    judged = days[days["judged"].to_numpy(dtype=bool)]
    hours = float(judged["judged_sun_hours"].sum())
    if hours < settings.least_judged_sun_hours:
        return "not enough data"
    held = findings_between(diagnosis, first, last)
    spent = sums_of_days(days, _lost_to_causes(diagnosis, first, last, held, len(judged)))
    verdict, _ = weighed(spent, held, settings, standing=stands(days),
                         standing_days=int((days["main_state"] == "stopped").sum()), may_rest=may_rest,
                         on_demand=on_demand)
    all_hours = float(days["sun_hours"].sum())
    if verdict == "working" and hours < _SHARE_FOR_SOUND * all_hours:
        return "not enough data"
    return verdict


def _lost_to_causes(diagnosis: SiteDiagnosis, first: date, last: date, held: list[Finding], judged_days: int
                    ) -> dict[str, float]:
    """Return what each cause took in the month, by the account where there is one. [m3]"""
    account = account_of(diagnosis, first)
    if account is not None and account.expected_m3 > 0.0:
        return {line.code: line.volume_m3 for line in account.lines if line.kind == "cause"}
    return {finding.cause: finding.water_lost_m3_day * min(judged_days, (last - max(first, finding.onset)).days + 1)
            for finding in held}


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
