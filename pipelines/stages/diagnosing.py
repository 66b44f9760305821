"""The science over all sites: one failing site is recorded and never stops the others."""

import traceback
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime, timedelta
from itertools import islice
from time import perf_counter
from typing import TYPE_CHECKING

from pipelines.errors import RequestError, plainly
from pipelines.stages.moments import last_day, whole_days_until
from pipelines.stages.nights import SiteNight, Weigh
from pipelines.stages.provenance import inputs_of, software

if TYPE_CHECKING:
    from datetime import date

    from diagnostics.nights import Night
    from diagnostics.quality.settings import QualitySettings
    from diagnostics.readings import SiteReadings
    from diagnostics.results import ServiceEvent, SiteDiagnosis
    from diagnostics.settings import Settings
    from diagnostics.site import Site
    from pipelines.fleet import Fleet
    from pipelines.ledger import Ledger
    from pipelines.stages.borrowed_light import BorrowedLight


@dataclass(frozen=True, slots=True)
class SiteJob:
    """
    All that one site's diagnosis needs, so that it can be worked out in another process.

    With a `day` the site is brought up to its end as the nights do, weighed first on `weigh_first` or on the last day
    that is weighed whatever it brings; without one the whole record is weighed. `lent` is the site with the light of
    others up to the end, `may_borrow` says whether there are any.
    """

    site: "Site"
    readings: "SiteReadings"
    service_events: tuple["ServiceEvent", ...]
    settings: "Settings"
    notes: tuple[str, ...] = ()
    quality: "QualitySettings | None" = None
    lent: "tuple[Site, SiteReadings, tuple[str, ...]] | None" = None
    may_borrow: bool = False
    oldest_utc: datetime | None = None
    day: "date | None" = None
    weigh_first: "date | None" = None
    every_night: str = ""


@dataclass(frozen=True, slots=True)
class Worked:
    """A site that was worked out, and what its next night may go on from."""

    diagnosis: "SiteDiagnosis"
    night: "Night | None" = None


@dataclass(frozen=True, slots=True)
class SiteFailure:
    """A site that could not be worked out, and what went wrong."""

    site_id: str
    says: str
    details: str = ""


@dataclass(slots=True)
class DiagnoseReport:
    """What a round over the fleet did."""

    done: list[str] = field(default_factory=list)
    unchanged: list[str] = field(default_factory=list)
    failed: list[SiteFailure] = field(default_factory=list)
    seconds: float = 0.0


def diagnose(fleet: "Fleet", ledger: "Ledger", *, site_ids: Iterable[str] | None = None,
             as_of: datetime | None = None, workers: int = 1, again: bool = False,
             progress: Callable[[str], None] | None = None) -> DiagnoseReport:
    """
    Diagnose sites of a fleet and write each result to the ledger as soon as it is there.

    Parameters
    ----------
    fleet, ledger : Fleet, Ledger
    site_ids : iterable of str, optional
        All sites of the fleet if not given.
    as_of : datetime, optional
        Whole local days up to this moment are judged, and silence at their end. All readings if not given.
    workers : int, default 1
        Processes that work at once. The ledger is read and written by this process alone.
    again : bool, default False
        Work out every site; otherwise a site whose inputs and software are those of its last result is left alone,
        so that a run that was cut short goes on where it stopped.
    progress : callable, optional
        Called with the site's id after each site.
    """
    started = perf_counter()
    round_ = _Round(fleet, ledger, as_of, again, progress or (lambda _: None))
    wanted = list(fleet.sites) if site_ids is None else list(site_ids)
    jobs = round_.jobs(wanted)
    for outcome in _in_processes(jobs, workers) if workers > 1 and len(wanted) > 1 else map(_attempt, jobs):
        round_.keep(outcome)
    round_.report.seconds = perf_counter() - started
    return round_.report


def weighed_through(fleet: "Fleet", ledger: "Ledger", site_id: str, day: "date") -> "SiteDiagnosis":
    """
    Weigh the whole record of one site through the end of a day, whatever its nights have weighed; nothing is stored.

    Raises
    ------
    RequestError
        If it cannot be worked out.
    """
    from diagnostics.nights import end_of

    site = fleet.sites[site_id]
    outcome = _attempt(_Round(fleet, ledger, None, True, lambda _: None).whole_job(site, end_of(site, day), day))
    if isinstance(outcome, SiteFailure):
        raise RequestError(f"Site {site_id} could not be worked out: {outcome.says}")
    return outcome.diagnosis


class _Round:
    """One round over the fleet: what is to be worked out, and what came of it."""

    def __init__(self, fleet: "Fleet", ledger: "Ledger", as_of: datetime | None, again: bool,
                 progress: Callable[[str], None]) -> None:
        self._fleet, self._ledger, self._as_of, self._again, self._progress = fleet, ledger, as_of, again, progress
        self._inputs: dict[str, str] = {}
        self._nights: dict[str, SiteNight] = {}
        self._borrowed: BorrowedLight | None = None
        self.report = DiagnoseReport()

    def jobs(self, site_ids: Iterable[str]) -> Iterator[SiteJob]:
        """Yield the sites that have to be worked out, each with its readings."""
        settings, notes = settings_of(self._fleet)
        for site_id in site_ids:
            site = self._fleet.sites[site_id]
            until = None if self._as_of is None else whole_days_until(self._as_of, site.timezone)
            events = tuple(event for event in self._fleet.service_events
                           if event.site_id == site_id and (until is None or event.when_utc <= until))
            try:
                self._inputs[site_id] = self._inputs_of(site, events, settings, until)
                if not self._again and self._is_current(site_id):
                    self.report.unchanged.append(site_id)
                    self._progress(site_id)
                    continue
                job = self._job(site, events, settings, notes, until)
            except Exception as error:                          # the ledger of one site must not stop the rest
                self.keep(_failure(site_id, error))
                continue
            if job is not None:
                yield job

    def _job(self, site: "Site", events: "tuple[ServiceEvent, ...]", settings: "Settings", notes: tuple[str, ...],
             until: datetime | None) -> SiteJob | None:
        """Return what is to be worked out elsewhere, or None where the night went on from what was kept."""
        may_borrow = self._light(settings).may_lend(site)
        weigh, night = Weigh(), None
        if until is not None:
            night = SiteNight(self._ledger, site, last_day(until, site.timezone), events, settings,
                              self._fleet.quality_settings(), may_borrow, notes)
            self._nights[site.id] = night
            asked = Weigh() if self._again else night.go_on(self._inputs[site.id])
            if asked is None:
                self.report.done.append(site.id)
                self._progress(site.id)
                return None
            weigh = asked
        readings, oldest = self._readings(site, until, settings)
        lent = self._light(settings).lend(site, readings)
        self._inputs[site.id] = self._inputs_of(site, events, settings, until)
        return SiteJob(site, readings, events, settings, notes, self._fleet.quality_settings(),
                       lent if lent[1] is not readings or lent[2] else None, may_borrow, oldest,
                       None if night is None else night.day, weigh.first, weigh.every_night)

    def whole_job(self, site: "Site", until: datetime, day: "date") -> SiteJob:
        """Return the job of weighing one site through the end of a day."""
        settings, notes = settings_of(self._fleet)
        events = tuple(event for event in self._fleet.service_events
                       if event.site_id == site.id and event.when_utc <= until)
        readings, oldest = self._readings(site, until, settings)
        lent = self._light(settings).lend(site, readings)
        return SiteJob(site, readings, events, settings, notes, self._fleet.quality_settings(),
                       lent if lent[1] is not readings or lent[2] else None, self._light(settings).may_lend(site),
                       oldest, day, day)

    def _light(self, settings: "Settings") -> "BorrowedLight":
        if self._borrowed is None:
            from pipelines.stages.borrowed_light import BorrowedLight

            self._borrowed = BorrowedLight(self._fleet, self._ledger, settings)
        return self._borrowed

    def _inputs_of(self, site: "Site", events: "tuple[ServiceEvent, ...]", settings: "Settings",
                   until: datetime | None) -> str:
        from diagnostics.quality.settings import QualitySettings

        quality = self._fleet.quality_settings()
        masks = "" if quality == QualitySettings() else quality.model_dump_json()
        return inputs_of(site, events, settings, until,
                         self._ledger.inputs_digest(site.id) + self._light(settings).digest(site) + masks)

    def _readings(self, site: "Site", until: datetime | None,
                  settings: "Settings") -> "tuple[SiteReadings, datetime | None]":
        """Return the readings to be weighed, and the oldest stamp there is."""
        seen = self._ledger.last_readings().query("site_id == @site.id")
        if "pump" in site.parts_absent or seen.empty:
            return self._ledger.read_site(site.id, end=until), None
        newest = seen["last_utc"].max().to_pydatetime().replace(tzinfo=UTC)
        # A weighing of an earlier day of the week reaches back as much further.
        start = min(newest, until or newest) - timedelta(days=settings.most_weighed_days + 8)
        return (self._ledger.read_site(site.id, start=start, end=until),
                seen["first_utc"].min().to_pydatetime().replace(tzinfo=UTC))

    def _is_current(self, site_id: str) -> bool:
        made = self._ledger.made_by(site_id)
        return made is not None and made[1:] == (software(), self._inputs[site_id])

    def keep(self, outcome: "Worked | SiteFailure") -> None:
        """Write a result; a failed site gets one that says so, and is tried again next time."""
        if isinstance(outcome, SiteFailure):
            site_id = outcome.site_id
            self.report.failed.append(outcome)
            self._ledger.write_diagnosis(not_worked_out(outcome), software=software(), inputs_digest="not worked out")
        else:
            site_id = outcome.diagnosis.site_id
            self.report.done.append(site_id)
            kept = None if outcome.night is None else self._nights[site_id].kept(outcome.night)
            self._ledger.write_diagnosis(outcome.diagnosis, software=software(), inputs_digest=self._inputs[site_id],
                                         kept=kept)
        self._progress(site_id)


def settings_of(fleet: "Fleet") -> "tuple[Settings, tuple[str, ...]]":
    """Return the thresholds as the company set them, and a sentence for each that it changed."""
    from diagnostics.quality.settings import QualitySettings
    from diagnostics.settings import Settings

    own = {**asdict(Settings()), **QualitySettings().model_dump()}
    notes = tuple(f"Threshold {name} is {change.value:g} here instead of {own[name]:g}: {change.why}"
                  for name, change in fleet.company.thresholds.items() if name in own)
    return fleet.settings(), notes


def _attempt(job: SiteJob) -> "Worked | SiteFailure":
    from threadpoolctl import threadpool_limits

    try:
        # One thread a process: the matrices are small, and threads that wait for each other on a busy machine
        # made the same work take ten times as long.
        with threadpool_limits(1):
            worked = _whole(job) if job.day is None else _by_night(job, job.day)
        return replace(worked, diagnosis=replace(worked.diagnosis, notes=[*worked.diagnosis.notes, *job.notes]))
    except Exception as error:                                  # recorded with its site; the others go on
        return _failure(job.site.id, error)


def _whole(job: SiteJob) -> Worked:
    import pandas as pd

    from diagnostics.diagnose import diagnose_site
    from diagnostics.nights import weighable

    site, readings, notes = job.lent or (job.site, job.readings, ())
    readings, left_out = weighable(site, readings, job.settings,
                                   None if job.oldest_utc is None else pd.Timestamp(job.oldest_utc))
    diagnosis = diagnose_site(site, _masked(job, site, readings), service_events=job.service_events,
                              settings=job.settings, quality=job.quality)
    return Worked(replace(diagnosis, notes=[*diagnosis.notes, *left_out, *notes]))


def _by_night(job: SiteJob, day: "date") -> Worked:
    import pandas as pd

    from diagnostics.nights import Preparation, bring_up, weigh_night

    oldest = None if job.oldest_utc is None else pd.Timestamp(job.oldest_utc)
    preparation = Preparation(lambda site, readings: _masked(job, site, readings),
                              lambda site, readings: _lent(job, readings), oldest, job.quality)
    given = {"events": job.service_events, "settings": job.settings, "preparation": preparation}
    if job.every_night:
        return Worked(*weigh_night(job.site, job.readings, day, every_night=job.every_night, **given))
    first_day = None if oldest is None else oldest.tz_convert(job.site.timezone).date()
    return Worked(*bring_up(job.site, job.readings, day, first_day=first_day, weigh_first=job.weigh_first, **given))


def _masked(job: SiteJob, site: "Site", readings: "SiteReadings") -> "SiteReadings":
    from diagnostics.quality.masking import masked

    return masked(site, readings, settings=job.quality) if len(readings.values) else readings


def _lent(job: SiteJob, readings: "SiteReadings") -> "tuple[Site, SiteReadings, tuple[str, ...]] | None":
    """Return the site with the light of others where it lacks its own; what is lent is worked out for the end alone."""
    import pandas as pd

    from diagnostics.nights import cut
    from pipelines.stages.borrowed_light import lacks_light

    if job.lent is not None and readings.values.index[-1:].equals(job.readings.values.index[-1:]):
        site, lent, notes = job.lent
        return site, cut(lent, readings.values.index[0] - pd.Timedelta(seconds=1), lent.values.index[-1]), notes
    return (job.site, readings, ()) if job.may_borrow and lacks_light(job.site, readings, job.quality) else None


def _failure(site_id: str, error: BaseException) -> SiteFailure:
    return SiteFailure(site_id, plainly(error), "".join(traceback.format_exception(error)))


def _in_processes(jobs: Iterator[SiteJob], workers: int) -> Iterator["Worked | SiteFailure"]:
    """Work on few jobs at a time, so memory stays bounded; after a process died its jobs are tried one by one."""
    doubtful: list[SiteJob] = []
    while True:
        died = yield from _until_a_process_dies(jobs, workers)
        doubtful += died
        if not died:
            break
    for job in doubtful:
        for lost in (yield from _until_a_process_dies(iter([job]), 1)):
            yield SiteFailure(lost.site.id, "its process was stopped by the system, most probably for want of memory")


def _until_a_process_dies(jobs: Iterator[SiteJob], workers: int
                          ) -> Generator["Worked | SiteFailure", None, list[SiteJob]]:
    """Yield results; return the jobs that were under way when a process died, none where all went well."""
    from multiprocessing import get_context

    waiting: dict[Future[Worked | SiteFailure], SiteJob] = {}
    # Spawned, not forked: a fork would copy the open ledger and its threads.
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        for job in islice(jobs, workers + 1):
            waiting[pool.submit(_attempt, job)] = job
        while waiting:
            finished, _ = wait(waiting, return_when=FIRST_COMPLETED)
            for future in finished:
                error = future.exception()
                if isinstance(error, BrokenProcessPool):
                    return list(waiting.values())
                job = waiting.pop(future)
                yield future.result() if error is None else _failure(job.site.id, error)
                for following in islice(jobs, 1):
                    try:
                        waiting[pool.submit(_attempt, following)] = following
                    except BrokenProcessPool:
                        return [*waiting.values(), following]
    return []


def not_worked_out(failure: SiteFailure) -> "SiteDiagnosis":
    """Return the result that stands for a failed site, so that it is seen on the pages and not missing there."""
    import pandas as pd

    from diagnostics.results import DAY_COLUMNS, SiteDiagnosis

    says = f"This site could not be worked out: {failure.says}"
    return SiteDiagnosis(
        site_id=failure.site_id, days=pd.DataFrame({name: [] for name in DAY_COLUMNS}, index=pd.Index([], name="day")),
        summaries=pd.DataFrame(), intervals=pd.DataFrame(index=pd.DatetimeIndex([], tz="UTC", name="interval_end_utc")),
        findings=[], states=[], accounts=[], verdict="not enough data", verdict_says=says, notes=[says])
