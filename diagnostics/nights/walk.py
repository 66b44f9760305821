"""
From one weighing to the next: which nights weigh the whole record, and what the others reckon.

A site is weighed on every seventh day, while its record is young, after service work, and on each night whose new day
leaves what the last weighing lets one expect. Whatever a weighing says depends on the record up to its day alone, and
each night between two weighings on the night before and the newest week of readings alone. A full run weighs at the
last day that is weighed whatever it brings and goes on from there night by night: it takes the steps that single nights
would have taken and gives the same to the last bit.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import pandas as pd

from diagnostics.diagnose import weigh_site
from diagnostics.nights.new_day import Models, NewDay, extended, reckon
from diagnostics.nights.standing import WEEK_DAYS, YOUNG_DAYS, Night, end_of, night_after, weighs_by_calendar
from diagnostics.quality.settings import QualitySettings
from diagnostics.readings import SiteReadings
from diagnostics.results import ServiceEvent, SiteDiagnosis
from diagnostics.settings import Settings
from diagnostics.site import Site

# Days before the new one that a night reads: starts, rest levels and stands are told from the days around.
WINDOW_DAYS = 7


@dataclass(frozen=True)
class Preparation:
    """
    What is done to readings before they are judged, apart from the diagnosis.

    `masks` marks what contradicts physics. `lends` fills light that the site's own sensors do not give from elsewhere,
    and says whose it is; it gives None where the site lacks none. `oldest_utc` is the first reading that is stored,
    where older ones are than those given. `quality` holds the thresholds of the masks, for those made anew.
    """

    masks: Callable[[Site, SiteReadings], SiteReadings] = lambda _, readings: readings
    lends: Callable[[Site, SiteReadings], tuple[Site, SiteReadings, tuple[str, ...]] | None] = lambda *_: None
    oldest_utc: pd.Timestamp | None = None
    quality: QualitySettings | None = None


def cut(readings: SiteReadings, start: pd.Timestamp | None, end: pd.Timestamp) -> SiteReadings:
    """Return the readings of (start, end]."""
    index = readings.values.index
    first = 0 if start is None else int(index.searchsorted(start, side="right"))
    last = int(index.searchsorted(end, side="right"))
    return SiteReadings(readings.site_id, readings.values.iloc[first:last], readings.masks.iloc[first:last],
                        readings.interval_s.iloc[first:last])


def window_of(site: Site, readings: SiteReadings, day: date) -> SiteReadings:
    """Return the readings that one night between two weighings reads."""
    return cut(readings, end_of(site, day - timedelta(days=WINDOW_DAYS)), end_of(site, day))


def always_weighed(site: Site, day: date, first_day: date, events: Sequence[ServiceEvent]) -> bool:
    """
    Tell whether a site is weighed on a day whatever that day brings.

    Parameters
    ----------
    site : Site
        Its id spreads a fleet over the week.
    day : date
        Local day that is over.
    first_day : date
        First local day with readings.
    events : sequence of ServiceEvent
        Its service log.

    Returns
    -------
    weighed : bool
        By the calendar, while the record is young, when work was done that day, and always where nothing is pumped.
    """
    return ("pump" in site.parts_absent or weighs_by_calendar(site.id, day) or (day - first_day).days < YOUNG_DAYS
            or any(end_of(site, day - timedelta(days=1)) < _when(event) <= end_of(site, day) for event in events))


def last_weighed(site: Site, day: date, first_day: date, events: Sequence[ServiceEvent]) -> date:
    """Return the last day up to `day` on which the site is weighed whatever the day brings."""
    return next(day - timedelta(days=back) for back in range(WEEK_DAYS + 1)
                if always_weighed(site, day - timedelta(days=back), first_day, events))


def weigh_night(site: Site, readings: SiteReadings, day: date, *, events: Sequence[ServiceEvent] = (),
                settings: Settings | None = None, preparation: Preparation | None = None,
                every_night: str = "") -> tuple[SiteDiagnosis, Night]:
    """
    Weigh the whole record up to the end of a day.

    Parameters
    ----------
    site : Site
        Description.
    readings : SiteReadings
        As stored; later ones are left out, and those before the longest time that is weighed.
    day : date
        Last local day.
    events : sequence of ServiceEvent, optional
        Service log; later entries are left out.
    settings : Settings, optional
        Thresholds.
    preparation : Preparation, optional
        Masks and borrowed light.
    every_night : str, optional
        Why every night is weighed until the next weighing by the calendar, where a night before found that.

    Returns
    -------
    diagnosis : SiteDiagnosis
        Weighed on the last day.
    night : Night
        What is kept for the night after.
    """
    settings, preparation = settings or Settings(), preparation or Preparation()
    end = end_of(site, day)
    known, left_out = weighable(site, cut(readings, None, end), settings, preparation.oldest_utc)
    lent = preparation.lends(site, known)
    lent_site, lent_readings, notes = lent or (site, known, ())
    judged = preparation.masks(lent_site, lent_readings) if len(lent_readings.values) else lent_readings
    diagnosis, weighing = weigh_site(lent_site, judged, service_events=[e for e in events if _when(e) <= end],
                                     settings=settings, as_of_utc=end, quality=preparation.quality)
    why = every_night or _why_every_night(diagnosis, lent is not None, weighing is not None and weighing.mended)
    diagnosis = replace(diagnosis, notes=[*diagnosis.notes, *left_out, *notes], weighed_on=day)
    return diagnosis, night_after(diagnosis, day, weighing, why)


def weighable(site: Site, known: SiteReadings, settings: Settings, oldest_utc: pd.Timestamp | None
              ) -> tuple[SiteReadings, list[str]]:
    """Return the readings that are not too old to be weighed, and a sentence where older ones are left out."""
    if not len(known.values) or "pump" in site.parts_absent:
        return known, []
    start = known.values.index[-1] - pd.Timedelta(days=settings.most_weighed_days)
    oldest = known.values.index[0] if oldest_utc is None else min(oldest_utc, known.values.index[0])
    if oldest > start:
        return known, []
    return cut(known, start, known.values.index[-1]), [
        f"Readings up to {start:%Y-%m-%d} are kept but were not weighed: {settings.most_weighed_days} days are weighed "
        "at most."]


def _why_every_night(diagnosis: SiteDiagnosis, lent: bool, mended: bool) -> str:
    if lent:
        return "It lacks light of its own."
    if mended:
        return "Its chain of data is not in order."
    if any(finding.cause == "logger_silent" and finding.status in ("new", "steady") for finding in diagnosis.findings):
        return "Its logger is silent."
    return ""


def light_night(site: Site, night: Night, window: SiteReadings, day: date, *, settings: Settings | None = None,
                preparation: Preparation | None = None, models: Models | None = None) -> NewDay | str:
    """
    Reckon one new day beside what stands.

    Parameters
    ----------
    site : Site
        Description.
    night : Night
        The night before `day`.
    window : SiteReadings
        As stored, from `window_of`.
    day : date
        The new local day.
    settings : Settings, optional
        Thresholds.
    preparation : Preparation, optional
        Masks.
    models : Models, optional
        Of the same site, to save building them for several nights.

    Returns
    -------
    new_day : NewDay or str
        Why the record has to be weighed instead, where it has to.
    """
    if night.every_night:
        return night.every_night
    prepared = (preparation or Preparation()).masks(site, window) if len(window.values) else window
    return reckon(site, night, prepared, day, settings or Settings(), models or Models.of(site))


def bring_up(site: Site, readings: SiteReadings, day: date, *, events: Sequence[ServiceEvent] = (),
             settings: Settings | None = None, preparation: Preparation | None = None, first_day: date | None = None,
             before: tuple[SiteDiagnosis, Night] | None = None, weigh_first: date | None = None
             ) -> tuple[SiteDiagnosis, Night]:
    """
    Bring a site up to the end of a day.

    Parameters
    ----------
    site, readings, events, settings, preparation
        As for `weigh_night`.
    day : date
        Last local day.
    first_day : date, optional
        First local day on record; that of the readings if not given.
    before : SiteDiagnosis and Night, optional
        Of an earlier night, to go on from; from nothing if not given.
    weigh_first : date, optional
        The first day to be weighed; the last one that is weighed whatever it brings if not given.

    Returns
    -------
    diagnosis : SiteDiagnosis
        `weighed_on` says when its causes were weighed.
    night : Night
        What is kept for the night after.
    """
    def weigh(on: date, every_night: str = "") -> tuple[SiteDiagnosis, Night]:
        return weigh_night(site, readings, on, events=events, settings=settings, preparation=preparation,
                           every_night=every_night)

    start = weigh_first or last_weighed(site, day, first_day or first_day_of(site, readings) or day, events)
    diagnosis, night = before if before is not None and start <= before[1].day and not weigh_first else weigh(start)
    models: Models | None = None
    while night.day < day:
        if night.every_night:
            return weigh(day, night.every_night)
        new = night.day + timedelta(days=1)
        models = models or Models.of(site)
        found = light_night(site, night, window_of(site, readings, new), new, settings=settings,
                            preparation=preparation, models=models)
        diagnosis, night = weigh(new) if isinstance(found, str) else (extended(diagnosis, found), found.night)
    return diagnosis, night


def first_day_of(site: Site, readings: SiteReadings) -> date | None:
    """Return the local day of the first reading."""
    if not len(readings.values):
        return None
    first: date = readings.mid_interval_utc()[0].tz_convert(site.timezone).date()
    return first


def _when(event: ServiceEvent) -> pd.Timestamp:
    stamp = pd.Timestamp(event.when_utc)
    return stamp.tz_localize("UTC") if stamp.tzinfo is None else stamp
