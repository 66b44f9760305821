"""
A site's night from what was kept: only the new days are read and reckoned, unless one of them asks for a weighing.

Whether what was kept still holds is asked of the stored rows, the sheet, the service log, thresholds and software;
where anything up to the last weighing is other than it was, the site is brought up from nothing.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

from pipelines.ledger.kept_nights import KeptNight, StoredRows, record_of
from pipelines.stages.provenance import inputs_of, software

if TYPE_CHECKING:
    from diagnostics.nights import NewDay, Night
    from diagnostics.quality.settings import QualitySettings
    from diagnostics.readings import SiteReadings
    from diagnostics.results import ServiceEvent
    from diagnostics.settings import Settings
    from diagnostics.site import Site
    from pipelines.ledger import Ledger

# Rows before a window that its first rows are made with: steps of a meter total, values of a slower logger.
_BEFORE = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Weigh:
    """The record has to be weighed: first on a day, or on the last one that is weighed whatever it brings."""

    first: date | None = None
    every_night: str = ""


@dataclass(frozen=True, slots=True)
class SiteNight:
    """One site up to the end of one local day, with all that its result hangs on beside its rows."""

    ledger: "Ledger"
    site: "Site"
    day: date
    events: "tuple[ServiceEvent, ...]"
    settings: "Settings"
    quality: "QualitySettings"
    may_borrow: bool
    notes: tuple[str, ...] = ()

    def go_on(self, inputs_digest: str) -> Weigh | None:
        """Write the new days into the ledger from what was kept, or say that the record has to be weighed."""
        from diagnostics.nights import last_weighed

        kept = self.ledger.kept_night(self.site.id, software())
        night = None if kept is None else kept.night()
        if kept is None or night is None or night.weighed_on >= self.day:
            return Weigh()
        weighed, seen, now = (self._end(day) for day in (night.weighed_on, night.day, self.day))
        rows = self._rows(weighed, seen, now)
        if (kept.told, kept.rows_weighed) != (self._told(night.weighed_on, rows), rows.digests[0]):
            return Weigh()
        start = last_weighed(self.site, self.day, self._first_day(rows), self.events)
        if start > night.weighed_on:
            return Weigh(start)
        if night.every_night:
            return Weigh(self.day, night.every_night)
        if night.day >= self.day or kept.rows_seen != rows.digests[1]:
            night = night.as_weighed()
        added, last = self._new_days(night)
        if isinstance(last, Weigh):
            return last
        self.ledger.append_days(
            added, KeptNight(kept.site_id, kept.software, kept.told, kept.rows_weighed, rows.digests[2],
                             record_of(last)),
            after=night.day, after_utc=self._end(night.day), software=software(), inputs_digest=inputs_digest)
        return None

    def kept(self, night: "Night") -> KeptNight:
        """Return what is to be kept of a night after a weighing."""
        rows = self._rows(self._end(night.weighed_on), self._end(night.day))
        return KeptNight(self.site.id, software(), self._told(night.weighed_on, rows), *rows.digests, record_of(night))

    def _new_days(self, night: "Night") -> "tuple[list[NewDay], Night | Weigh]":
        from threadpoolctl import threadpool_limits

        from diagnostics.nights import Models, Preparation, light_night
        from diagnostics.quality.masking import masked

        preparation = Preparation(lambda site, readings: masked(site, readings, settings=self.quality))
        added: list[NewDay] = []
        with threadpool_limits(1):
            models = Models.of(self.site)
            while night.day < self.day:
                new = night.day + timedelta(days=1)
                found = light_night(self.site, night, self._window(new), new, settings=self.settings,
                                    preparation=preparation, models=models)
                if isinstance(found, str):
                    return [], Weigh(new)
                added.append(found)
                night = found.night
        return added, night

    def _window(self, day: date) -> "SiteReadings":
        """Return the newest days, read alone where they read the same as within the whole record."""
        from diagnostics.nights import WINDOW_DAYS, window_of

        start = self._end(day - timedelta(days=WINDOW_DAYS)) - _BEFORE
        if self.ledger.reads_in_parts(self.site.id):
            readings = self.ledger.read_site(self.site.id, start=start, end=self._end(day))
            flow = readings.values.get("flow_m3_s")
            if "meter_total_m3" not in readings.values or (flow is not None and bool(flow.notna().any())):
                return window_of(self.site, readings, day)
        return window_of(self.site, self.ledger.read_site(self.site.id, end=self._end(self.day)), day)

    def _rows(self, *ends: datetime) -> StoredRows:
        return self.ledger.rows_until(self.site.id, ends)

    def _told(self, weighed_on: date, rows: StoredRows) -> str:
        """Return the digest of all that a weighing hangs on beside the rows; of the files too where rows overlap."""
        end = self._end(weighed_on)
        told = [self.quality.model_dump_json(), self.may_borrow, self.notes,
                rows.rules, self.ledger.inputs_digest(self.site.id) if rows.overlap else ""]
        return inputs_of(self.site, [event for event in self.events if event.when_utc <= end], self.settings, None,
                         repr(told))

    def _first_day(self, rows: StoredRows) -> date:
        from zoneinfo import ZoneInfo

        return self.day if rows.first_utc is None else rows.first_utc.astimezone(ZoneInfo(self.site.timezone)).date()

    def _end(self, day: date) -> datetime:
        from diagnostics.nights import end_of

        return end_of(self.site, day).to_pydatetime().astimezone(UTC)
