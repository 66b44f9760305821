"""One new day reckoned beside what the last weighing left standing."""

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import pandas as pd

from diagnostics.account import account_of
from diagnostics.data_chain import DataChain
from diagnostics.diagnose import day_table, interval_table, may_rest, not_held_by_its_probe, states_of
from diagnostics.evidence.days import daily_summaries
from diagnostics.evidence.intervals import WEATHER_CHANNELS, Intervals, build_intervals
from diagnostics.evidence.run_states import interval_states
from diagnostics.evidence.source_power import as_running
from diagnostics.expected import SiteModel, expect, light_of
from diagnostics.inference.lost_water import day_books
from diagnostics.nights.standing import Night, books_frame, books_of, deviations, end_of, left_by
from diagnostics.readings import SiteReadings
from diagnostics.results import SiteDiagnosis, StateSpan, WaterAccount
from diagnostics.settings import Settings
from diagnostics.site import Site
from diagnostics.sufficiency import judge
from diagnostics.verdict import Verdict, verdict_of

# Days before the new one that say whether this site's days are judged as a rule.
USUAL_DAYS = 14
USUALLY = 0.8


@dataclass(frozen=True)
class Models:
    """The healthy site as described, and as it runs between two stops of its probe."""

    described: SiteModel
    running: SiteModel

    @staticmethod
    def of(site: Site) -> "Models":
        """Build both; one where they are the same."""
        described, running_site = SiteModel.build(site), as_running(not_held_by_its_probe(site))
        return Models(described, described if running_site is site else SiteModel.build(running_site))


@dataclass(frozen=True)
class NewDay:
    """What one night adds: one row a table, the readings' own rows, and what is told anew from all days."""

    day: date
    night: Night                    # to be kept
    days: pd.DataFrame
    summaries: pd.DataFrame
    intervals: pd.DataFrame
    account: WaterAccount           # of the day's month
    states: list[StateSpan]
    verdict: Verdict
    verdict_says: str


def reckon(site: Site, night: Night, window: SiteReadings, day: date, settings: Settings, models: Models
           ) -> NewDay | str:
    """
    Reckon the newest day of a short window of readings.

    Parameters
    ----------
    site : Site
        Description.
    night : Night
        The night before.
    window : SiteReadings
        With masks, up to the end of the day.
    day : date
        The new local day.
    settings : Settings
        Thresholds.
    models : Models
        Of the healthy site.

    Returns
    -------
    new_day : NewDay or str
        Why the record has to be weighed instead: the readings stopped, or the day leaves what was to be expected.
    """
    end_utc = end_of(site, day)
    heard = window.values.index[window.values.notna().any(axis=1)]
    if not len(heard) or (end_utc - heard[-1]) / pd.Timedelta(hours=1) >= settings.silent_after_hours:
        return "No reading has come for long."
    intervals = _intervals_of(site, night, window, settings, models, end_utc)
    judgeable = judge(site, intervals, settings)
    summaries = daily_summaries(site, window, intervals, judgeable, as_of_utc=end_utc)
    off = deviations(night, summaries.values.to_numpy(dtype=np.float64)[-1],
                     summaries.errors.to_numpy(dtype=np.float64)[-1])
    why = left_by(night, off) or _judged_no_longer(night, bool(judgeable.day_judged[-1]))
    if why:
        return why
    states = interval_states(site, intervals)
    stopped = states["stopped_share"]
    ratio = np.full(len(intervals.days), night.sound_ratio)
    books = day_books(intervals, judgeable, window, night.shares.standing_on(0, len(intervals.days)), ratio,
                      stopped | states["dry_share"] if night.dry_counts else stopped)
    new_rows = day_table(intervals, judgeable, books, stopped, summaries).iloc[-1:]
    days = pd.concat([night.days, new_rows])
    all_books = pd.concat([night.books, books_frame(books, intervals.days).iloc[-1:]])
    kept = replace(night, day=day, days=days, books=all_books, off=np.vstack([night.off, off]))
    told = books_of(all_books, night.shares.spread)
    verdict, says = verdict_of(days, night.findings, told, DataChain(window), settings,
                               judged_sun_hours=float(days["judged_sun_hours"].sum()), may_rest=may_rest(site),
                               on_demand=site.drive.kind == "battery_bus")
    in_month = np.array([(one.year, one.month) == (day.year, day.month) for one in days.index])
    return NewDay(day, kept, new_rows, summaries.values.iloc[-1:],
                  interval_table(intervals, judgeable, ratio)[intervals.index > end_of(site, day - timedelta(days=1))],
                  account_of(site.id, days.index, told, in_month), states_of(site.id, days), verdict, says)


def _intervals_of(site: Site, night: Night, window: SiteReadings, settings: Settings, models: Models,
                  end_utc: pd.Timestamp) -> Intervals:
    """Put the window's readings beside the expectation, its interval as the site's own sound days have taught it."""
    weather = pd.DataFrame({name: window.sound(name) for name in WEATHER_CHANNELS}, index=window.values.index)
    light = light_of(site, weather, window.interval_s)
    expected = expect(site, weather, window.interval_s, model=models.described, light=light)
    intervals = build_intervals(site, window, expected, models.running, settings, as_of_utc=end_utc)
    if night.learned.is_sheet:
        return intervals
    flow = expected["expected_flow_m3_s"].to_numpy(dtype=np.float64)
    own = expect(site, weather, window.interval_s, model=models.described, light=light, learned=night.learned)
    limits = {name: side(own[name].to_numpy(dtype=np.float64) / night.sound_ratio, flow) for name, side in (
        ("expected_flow_low_m3_s", np.minimum), ("expected_flow_high_m3_s", np.maximum))}
    return replace(intervals, expected=expected.assign(**limits))


def _judged_no_longer(night: Night, judged: bool) -> str:
    """Say so where a site whose days are judged as a rule brings one that is not: something stopped being logged."""
    before = night.days["judged"].to_numpy(dtype=bool)[-USUAL_DAYS:]
    if judged or not before[-1] or before.mean() < USUALLY:
        return ""
    return "The day cannot be judged, though the days before could."


def extended(diagnosis: SiteDiagnosis, new: NewDay) -> SiteDiagnosis:
    """
    Return a diagnosis with one more day; its findings and proofs stand.

    Parameters
    ----------
    diagnosis : SiteDiagnosis
        Of the night before.
    new : NewDay
        What the night adds.

    Returns
    -------
    diagnosis : SiteDiagnosis
        Causes as they were weighed on `weighed_on`.
    """
    first = new.account.first_day
    return replace(
        diagnosis, days=new.night.days, summaries=pd.concat([diagnosis.summaries, new.summaries]),
        intervals=joined(diagnosis.intervals, new.intervals), states=new.states,
        accounts=[*(one for one in diagnosis.accounts if one.first_day < first), new.account],
        verdict=new.verdict, verdict_says=new.verdict_says, weighed_on=new.night.weighed_on)


def joined(table: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Put rows below a table; columns of words stay such."""
    words = [name for name in table.columns if isinstance(table[name].dtype, pd.CategoricalDtype)]
    both = pd.concat([table.astype(dict.fromkeys(words, object)), rows.astype(dict.fromkeys(words, object))])
    return both.astype(dict.fromkeys(words, "category"))
