"""What one site could prove in 7, 30 and 90 days, in physical size and in water, and which sensor would add most."""

from collections.abc import Callable, Sequence
from datetime import date
from functools import cache

import numpy as np
import pandas as pd
from pydantic import Field

from diagnostics.causes import CAUSES
from diagnostics.detectability.added_sensor import Instrument, missing_instruments, with_instrument
from diagnostics.detectability.grounds import CannotTellError, Grounds, grounds_of
from diagnostics.detectability.smallest import OFTEN, PROVED, Found, Ladder, Outcome, ladder_of, smallest
from diagnostics.expected import SiteModel
from diagnostics.health import Health
from diagnostics.readings import SiteReadings
from diagnostics.results import Record
from diagnostics.settings import Settings
from diagnostics.site import Site

SPANS_DAYS = (7, 30, 90)
# Sound days that must come before the planted fault, so that the site's own tolerances are known.
LEAST_DAYS_BEFORE = 21
ASKED: tuple[str, ...] = (
    "clogged_intake", "blocked_delivery", "soiled_array", "string_open", "wiring_resistance", "falling_water_table",
    "screen_fouled", "worn_pump", "motor_fault", "riser_leak", "drive_limited", "meter_under_reading",
    "irradiance_sensor_fault")
# On these an added sensor is weighed: the pump system's own faults that look most alike.
WEIGHED_FOR_SENSORS: tuple[str, ...] = ("clogged_intake", "soiled_array", "falling_water_table", "worn_pump",
                                        "riser_leak")
SENSOR_SPAN_DAYS = 30
Progress = Callable[[str], None]


class Smallest(Record):
    """The smallest size that is proved, in the unit people are told and in water."""

    size: float
    size_unit: str
    size_means: str
    water_share: float | None = Field(description="Share of the water at these conditions that it costs, or that the "
                                      "meter would not count; null for a fault that costs no water.")
    together: list[str] = Field(default_factory=list, description="Proved only as one of these; empty if by name.")


class Confused(Record):
    """What a fault of the smallest size would most probably be taken for, and the test that splits it off."""

    cause: str
    probability: float
    split_by: str


class WhatCanBeProved(Record):
    """One cause after some days: by name, as one of a few, or at no size."""

    cause: str
    form: str
    days: int
    judged_days: int
    named: Smallest | None
    together: Smallest | None
    confused_with: list[Confused]


class SensorGain(Record):
    """What one more sensor would let be proved."""

    sensor: str
    label: str
    channels: list[str]
    mean_share_before: float = Field(description="Smallest share of water proved by name, mean over the causes weighed;"
                                                 " a cause that cannot be proved counts as all the water.")
    mean_share_after: float
    newly_named: list[str]
    smallest_share: dict[str, float | None] = Field(description="By cause, with the sensor; null where at no size.")


class Detectability(Record):
    """What the sensors of one site could prove, from its own conditions."""

    site_id: str
    first_day: date
    last_day: date
    judged_days: int
    channels: list[str]
    posterior: float = PROVED
    often: float = Field(default=OFTEN, description="Share of such faults that chance leaves proved.")
    causes: list[WhatCanBeProved]
    sensors: list[SensorGain]
    best_sensor: str = Field(default="", description="The sensor that would help most; empty if none would.")
    notes: list[str]


def detectability(site: Site, readings: SiteReadings, *, settings: Settings | None = None,
                  spans_days: Sequence[int] = SPANS_DAYS, causes: Sequence[str] | None = None, sensors: bool = True,
                  progress: Progress | None = None) -> Detectability:
    """
    Work out what a site's own sensors, weather and interval could prove.

    A fault that came at once, 7, 30 or 90 days before the last judged day, is put into the daily summaries of an
    otherwise sound site, with the gaps, noise and tolerances of its own record, and weighed by the same code that
    diagnoses. Its size is lowered until the posterior falls below 0.8.

    Parameters
    ----------
    site : Site
        Description.
    readings : SiteReadings
        Its readings with masks, as for a diagnosis.
    settings : Settings, optional
        Thresholds of the diagnosis.
    spans_days : sequence of int, default (7, 30, 90)
        How long the fault has lasted. [days]
    causes : sequence of str, optional
        Which causes are asked for; those that the site cannot have are left out.
    sensors : bool, default True
        Also weigh what one more sensor would add.
    progress : callable, optional
        Called with a few words after each step.

    Returns
    -------
    answer : Detectability
        By cause and span.

    Raises
    ------
    CannotTellError
        If nothing can be judged at this site at all.
    """
    settings = settings or Settings()
    tell = progress or (lambda _: None)

    @cache
    def build(health: Health) -> SiteModel:
        return SiteModel.build(site, health)

    grounds = grounds_of(site, readings, build, settings)
    tell("its own conditions")
    spans = [days for days in spans_days if grounds.last + 1 - days >= LEAST_DAYS_BEFORE]
    notes = [f"{days} days: the record is too short to know the sound site before ({grounds.last + 1} days in all; "
             f"{days + LEAST_DAYS_BEFORE} are needed)." for days in spans_days if days not in spans]
    if not spans:
        raise CannotTellError(f"site {site.id} has a record of {grounds.last + 1} days up to its last judged one; at "
                         f"least {min(spans_days) + LEAST_DAYS_BEFORE} are needed.")
    rows = []
    for code in ASKED if causes is None else causes:
        ladder = ladder_of(grounds.signatures, code)
        if ladder is None:
            continue
        rows += [_row(grounds, ladder, smallest(grounds, ladder, days), days) for days in spans]
        tell(CAUSES[code].label.lower())
    gains = _gains(readings, grounds, build, rows, tell) if sensors and SENSOR_SPAN_DAYS in spans else []
    best = gains[0].sensor if gains and gains[0].mean_share_after < gains[0].mean_share_before - 0.005 else ""
    days_index = grounds.intervals.days
    return Detectability(
        site_id=site.id, first_day=_date(days_index[0]), last_day=_date(days_index[grounds.last]),
        judged_days=grounds.judged_days(0), channels=sorted(n for n in grounds.intervals.read
                                                            if grounds.intervals.has(n)),
        causes=rows, sensors=gains, best_sensor=best, notes=notes)


def _date(day: object) -> date:
    return pd.Timestamp(day).date()  # type: ignore[arg-type]


def _row(grounds: Grounds, ladder: Ladder, found: Found, days: int) -> WhatCanBeProved:
    shown: Outcome = (found.named or found.together or (0.0, found.largest))[1]
    cause = ladder.cause
    confused = [Confused(cause=code, probability=probability, split_by=_split(cause.code, code))
                for code, probability in shown.rivals[:3] if code != "unexplained" or probability >= 0.05]
    return WhatCanBeProved(
        cause=cause.code, form=ladder.form.name, days=days, judged_days=grounds.judged_days(grounds.last + 1 - days),
        named=_size(grounds, ladder, found.named, by_name=True),
        together=_size(grounds, ladder, found.together, by_name=False), confused_with=confused)


def _split(cause: str, rival: str) -> str:
    return CAUSES[cause].look_alikes.get(rival, "") or CAUSES[rival].look_alikes.get(cause, "")


def _size(grounds: Grounds, ladder: Ladder, found: tuple[float, Outcome] | None, *, by_name: bool) -> Smallest | None:
    if found is None:
        return None
    severity, outcome = found
    return Smallest(size=float(ladder.form.size(severity, grounds.setting)), size_unit=ladder.cause.size_unit,
                    size_means=_means(ladder), water_share=_share(ladder, severity),
                    together=[] if by_name or outcome.named else list(outcome.together))


def _share(ladder: Ladder, severity: float) -> float | None:
    loss = ladder.loss(severity)
    return loss if ladder.cause.kind == "health" or loss > 0.0 else None


_MEANS: dict[tuple[str, str], str] = {
    ("worn_pump", "stage head"): "share of the pump's head lost",
    ("worn_pump", "leak-back"): "leak-back over the pump's best flow",
    ("worn_pump", "slip"): "extra slip over healthy slip",
    ("worn_pump", "displacement"): "share of the swept volume lost",
    ("motor_fault", "efficiency"): "share of the motor's output lost",
}


def _means(ladder: Ladder) -> str:
    return _MEANS.get((ladder.cause.code, ladder.form.name), ladder.cause.size_means)


def _gains(readings: SiteReadings, grounds: Grounds, build: Callable[[Health], SiteModel],
           rows: Sequence[WhatCanBeProved], tell: Progress) -> list[SensorGain]:
    """Weigh every missing instrument on the same faults, the best first."""
    before = {row.cause: row.named.water_share if row.named else None
              for row in rows if row.days == SENSOR_SPAN_DAYS and row.cause in WEIGHED_FOR_SENSORS}
    gains = []
    for one in missing_instruments(grounds):
        gains.append(_gain(readings, grounds, build, before, one))
        tell(f"with {one.label}")
    return sorted(gains, key=lambda gain: (gain.mean_share_after, -len(gain.newly_named)))


def _gain(readings: SiteReadings, grounds: Grounds, build: Callable[[Health], SiteModel],
          before: dict[str, float | None], one: Instrument) -> SensorGain:
    wider = grounds_of(grounds.site, with_instrument(readings, grounds, build(Health()), one), build, grounds.settings)
    after: dict[str, float | None] = {}
    for code in before:
        ladder = ladder_of(wider.signatures, code)
        found = smallest(wider, ladder, SENSOR_SPAN_DAYS) if ladder is not None else None
        after[code] = ladder.loss(found.named[0]) if ladder is not None and found is not None and found.named else None
    return SensorGain(
        sensor=one.key, label=one.label, channels=list(one.channels), mean_share_before=_mean(before),
        mean_share_after=_mean(after), smallest_share=after,
        newly_named=[code for code in before if before[code] is None and after[code] is not None])


def _mean(shares: dict[str, float | None]) -> float:
    return float(np.mean([1.0 if share is None else share for share in shares.values()])) if shares else 1.0
