"""The conditions of one site as the diagnosis meets them: its weather, sensors, interval, noise and tolerances."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.baseline import clearness_of_days, epochs_of, tolerance_directions
from diagnostics.causes import Setting
from diagnostics.diagnose import warmth_of_days
from diagnostics.evidence.days import daily_summaries
from diagnostics.evidence.intervals import WEATHER_CHANNELS, Intervals, build_intervals
from diagnostics.evidence.source_power import as_running
from diagnostics.expected import ChainNotAvailable, SiteModel, expect
from diagnostics.health import Health
from diagnostics.inference.profiles import Profiles, build_profiles
from diagnostics.inference.search import Weighed, weigh_all
from diagnostics.inference.signatures import Signatures, compute_signatures, replaced_cases, setting_of
from diagnostics.inference.weigh import Direction, Field, Noise, build_field, day_noise
from diagnostics.readings import SiteReadings
from diagnostics.settings import Settings
from diagnostics.site import Site
from diagnostics.sufficiency import Judgeable, judge

Vector = NDArray[np.float64]
ModelBuilder = Callable[[Health], SiteModel]
# Causes whose marks are nearest to the planted one; the others could not take its place.
NEAREST_RIVALS = 10


class CannotTellError(Exception):
    """The site's sensors or description do not let anything be said; the message says what is missing."""


@dataclass(frozen=True)
class Grounds:
    """One site ready for faults to be planted in its daily summaries: noise, tolerances, drift, signatures."""

    site: Site
    settings: Settings
    setting: Setting
    intervals: Intervals
    judgeable: Judgeable
    signatures: Signatures
    noise: Noise
    profiles: Profiles
    directions: list[Direction]
    last: int           # last judged day of the record
    day_count: int

    @cached_property
    def still(self) -> Field:
        """Return the field of a site that reads exactly as its sheet says; noise and tolerances as they are."""
        return self._field_of(np.zeros(self.day_count))

    def judged_days(self, first: int) -> int:
        """Return how many days from `first` to the last judged one are judged."""
        return int(self.judgeable.day_judged[first:self.last + 1].sum())

    def course(self, days: int) -> Vector:
        """Return the course of a fault that came at once, `days` days before the last judged day was over."""
        course = np.zeros(self.day_count)
        course[self.last + 1 - days:] = 1.0
        return course

    def unit_field(self, course: Vector) -> Field:
        """Return the field in which every summary moved by 1 along a course; fields of a fault are multiples of it."""
        return self._field_of(course)

    def _field_of(self, course: Vector) -> Field:
        known = np.where(np.isfinite(self.noise.values), course[:, None], np.nan)
        return build_field(Noise(known, self.noise.variance), self.profiles, self.directions, self.settings)

    def weighed(self, unit: Field, shift: Vector, near: Signatures) -> Weighed:
        """
        Weigh a planted fault as the diagnosis would, without the chance of the day.

        Parameters
        ----------
        unit : Field
            Of the course, see `unit_field`.
        shift : ndarray, shape (all features,)
            What the fault moves at full course.
        near : Signatures
            Causes that may explain it.

        Returns
        -------
        weighed : Weighed
            Posterior over these causes, "unexplained" and "nothing".
        """
        moved = shift[unit.used]
        planted = replace(unit, residual=unit.residual * moved[:, None], score=unit.score * moved, own=unit.own * moved)
        return weigh_all(near, self.noise, self.profiles, self.directions, self.settings, base=planted)

    def nearest(self, unit: Field, first_day: int, shift: Vector, code: str) -> Signatures:
        """Keep the cases of a cause and of those whose marks point most nearly the same way from a day on."""
        used = unit.used
        step = (self.profiles.kind == "step") & (self.profiles.stop == self.day_count)
        weight = unit.score[int(np.flatnonzero(step & (self.profiles.start == first_day))[0])]
        cases = self.signatures.shifts[:, used]
        along = cases @ (weight * shift[used])
        length = np.sqrt(np.maximum((cases**2) @ weight, 1e-12))
        likeness = pd.Series(along / length).groupby(
            np.array([case.cause.code for case in self.signatures.cases])).max()
        kept = {code, *likeness.sort_values(ascending=False).index[:NEAREST_RIVALS]}
        return replaced_cases(self.signatures, np.array([case.cause.code in kept for case in self.signatures.cases],
                                                        dtype=bool))


def grounds_of(site: Site, readings: SiteReadings, build: ModelBuilder, settings: Settings) -> Grounds:
    """
    Prepare a site's own conditions.

    Parameters
    ----------
    site : Site
        Description.
    readings : SiteReadings
        Values with masks, as for a diagnosis.
    build : callable
        Health -> model of this site; kept by the caller so that models are built once.
    settings : Settings
        Thresholds.

    Returns
    -------
    grounds : Grounds
        Ready for `smallest`.

    Raises
    ------
    CannotTellError
        If nothing of the water or the power of this site can be judged.
    """
    if site.parts_absent:
        raise CannotTellError(f"site {site.id} has no {', no '.join(site.parts_absent)}: faults of a pump cannot be "
                         "planted in it.")
    if len(readings.values) == 0:
        raise CannotTellError(f"site {site.id} has no readings: its weather and interval are not known.")
    try:
        model = build(Health())
    except ChainNotAvailable as gap:
        raise CannotTellError(f"expected delivery of site {site.id} cannot be reckoned: {gap}") from gap
    weather = pd.DataFrame({name: readings.sound(name) for name in WEATHER_CHANNELS}, index=readings.values.index)
    expected = expect(site, weather, readings.interval_s, model=model)
    running = as_running(site)
    if running is not site:
        # On a battery the pump is judged while it runs.
        def build(health: Health) -> SiteModel:
            return SiteModel.build(running, health)

        model = build(Health())
    intervals = build_intervals(site, readings, expected, model, settings)
    judgeable = judge(site, intervals, settings)
    judged = np.flatnonzero(judgeable.day_judged)
    if judged.size < settings.least_judged_days:
        raise CannotTellError(f"site {site.id} has {judged.size} judged days: {_why(judgeable)}")
    summaries = daily_summaries(site, readings, intervals, judgeable)
    channels = frozenset(name for name in intervals.read if intervals.has(name))
    signatures = compute_signatures(site, intervals, judgeable, build, model, channels)
    setting = setting_of(site, intervals)
    count = len(intervals.days)
    directions = tolerance_directions(signatures, count, epochs_of((), {}), level_logged=setting.level_logged,
                                      warmth_k=warmth_of_days(intervals), clearness=clearness_of_days(intervals),
                                      plane_logged=intervals.has("poa_irradiance_w_m2"), site=site,
                                      deeper=summaries.values["static_level"].to_numpy(dtype=np.float64))
    return Grounds(site, settings, setting, intervals, judgeable, signatures, day_noise(summaries, settings),
                   build_profiles(count), directions, int(judged[-1]), count)


def _why(judgeable: Judgeable) -> str:
    reasons: Sequence[str] = [reason for reason in judgeable.day_reason if reason]
    if not reasons:
        return "its record is too short."
    worst = max(set(reasons), key=reasons.count)
    return {"no irradiance": "no irradiance is logged; a sensor in the plane of the array comes before all else.",
            "no flow": "no flow is logged; a water meter comes before all else."}.get(worst, f"most often {worst}.")
