"""
Is the chain of data in order before anything is judged by it: clock, columns, units, codes for "no value".

What is wrong and can be put right exactly (the time, two exchanged columns) is put right for the judging; what cannot
is not read on. Either way it stands as a finding, and a site whose water or light is not known gets no verdict.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.causes import CAUSES
from diagnostics.channel_scale import Misread, codes_for_no_value, misread_electrical, misread_light, withheld
from diagnostics.clock_mend import ClockShift, as_numbers, at_true_times, clock_shifts
from diagnostics.exchanged_channels import exchanged_pairs
from diagnostics.flow_scale import misread_flow
from diagnostics.quality.masking import mask_readings
from diagnostics.quality.settings import QualitySettings
from diagnostics.quality.suspicions import Suspicion, empty_months, swap_suspicions, unit_suspicions
from diagnostics.quantities import CHANNELS
from diagnostics.readings import Mask, SiteReadings
from diagnostics.results import EvidenceRow, Finding, Rival
from diagnostics.site import Site

Vector = NDArray[np.float64]

# Told by these rules, which see a whole channel at once; they are not weighed a second time from daily summaries.
TOLD_BY_RULE = ("unit_mistake", "swapped_channels")
_OF_INGEST = int(Mask.UNREADABLE | Mask.SENTINEL | Mask.TOTAL_RESET | Mask.CONFLICT)
_LEVELS = ("water_level_m", "tank_level_m")
_SOURCE = "whole channels against sheet, sun and each other"
_NEW_DAYS = 14
_QUIET_DAYS = 3


@dataclass(frozen=True)
class DataChain:
    """
    The readings as they can be judged, and what was wrong with them.

    `withheld` says by channel why its readings are not read on (the newest reason where there are several).
    """

    readings: SiteReadings
    findings: tuple[Finding, ...] = ()
    notes: tuple[str, ...] = ()
    withheld: tuple[tuple[str, str], ...] = ()
    mended: tuple[str, ...] = ()

    def why_not(self, *channels: str) -> str:
        """Return why any of these channels is not read on, or an empty string."""
        return " ".join(says for channel, says in self.withheld if channel in channels)


def look_through(site: Site, readings: SiteReadings, *, quality: QualitySettings | None = None) -> DataChain:
    """
    Look for a wrong clock, exchanged columns, undeclared codes, and light and levels in another unit.

    Parameters
    ----------
    site : Site
        Description.
    readings : SiteReadings
        As the ledger gives them, with all masks.
    quality : QualitySettings, optional
        Thresholds by which those masks were made, for masks that must be made anew.

    Returns
    -------
    chain : DataChain
        Readings with stamps and columns put right and masks made anew where anything was changed.
    """
    findings: list[Finding] = []
    notes: list[str] = []
    mended: list[str] = []
    kept_from: list[tuple[str, str]] = []
    now, changed = readings, False
    for channel, (value, rows) in codes_for_no_value(readings).items():
        now, changed = withheld(now, channel, rows, Mask.SENTINEL), True
        unit = CHANNELS[channel].unit_suffix
        notes.append(f"{CHANNELS[channel].label} stands at exactly {value:.6g} {unit} {int(rows.sum())} times, far "
                     "from all other values: taken for the logger's code for 'no value'. Add the code to sentinels in "
                     "the logger's profile.")
    shifts = clock_shifts(site, now)
    if shifts:
        before = now
        now, lost = at_true_times(now, shifts)
        changed = True
        findings.append(_clock_finding(site, before, shifts))
        mended.append(f"the clock put right by {_minutes(-shifts[-1].shift_min)}")
        if lost:
            notes.append(f"{lost} readings lie over others once the clock is put right; they are left out.")
    for one, other, rows in exchanged_pairs(site, now):
        now, changed = _exchanged(now, one, other, rows), True
        findings.append(_finding(site, now, _exchange(now, one, other, rows)))
        mended.append(f"{_small(CHANNELS[one].label)} and {_small(CHANNELS[other].label)} exchanged back")
    for misread in [*misread_light(site, now), *misread_electrical(site, now), *_other_units(site, now),
                    *_exchanged_temperatures(site, now)]:
        now, changed = withheld(now, misread.channel, misread.rows), True
        findings.append(_finding(site, now, misread))
        kept_from.append((misread.channel, misread.says))
    if changed:
        now = _masked_anew(site, now, [channel for channel, _ in kept_from], quality)
    # A pump that stands shows zeros for a month, and rightly so; a dead sensor is told by its own rule.
    notes += [_plain(item) for item in empty_months(_numbers(readings), site.timezone)
              if float(np.nanmax(np.abs(as_numbers(readings, item.channel)), initial=0.0)) > 0.0
              and "is empty" in item.says]
    return DataChain(now, tuple(_each_once(findings)), tuple(notes), tuple(kept_from), tuple(mended))


def look_at_water(site: Site, chain: DataChain, due_m3_s: Vector, due_by_sheet_m3_s: Vector) -> DataChain:
    """
    Look at the flow with the water that is due beside it, and at the well's level with the flow beside it.

    Parameters
    ----------
    site : Site
        Description.
    chain : DataChain
        From `look_through`.
    due_m3_s : ndarray, shape (n,)
        Healthy flow at the measured power and level, else at the measured sun. [m3/s]
    due_by_sheet_m3_s : ndarray, shape (n,)
        The same with the sheet's rest level. [m3/s]

    Returns
    -------
    chain : DataChain
        Flow and level withheld where they cannot be what they are called.
    """
    now, findings, reasons = chain.readings, list(chain.findings), list(chain.withheld)
    level = _level_that_water_denies(site, now, due_m3_s, due_by_sheet_m3_s)
    if level is not None:
        now, due_m3_s = withheld(now, level.channel, level.rows), due_by_sheet_m3_s
        findings.append(_finding(site, now, level))
        reasons.append((level.channel, level.says))
    for misread in misread_flow(site, now, due_m3_s):
        now = withheld(now, "flow_m3_s", misread.rows)
        findings.append(_finding(site, now, misread))
        reasons.append(("flow_m3_s", misread.says))
    beyond = _mostly_beyond(now)
    if beyond and not any(channel == "flow_m3_s" for channel, _ in reasons):
        now = withheld(now, "flow_m3_s", np.ones(len(now.values), dtype=bool))
        reasons.append(("flow_m3_s", beyond))
    return replace(chain, readings=now, findings=tuple(_each_once(findings)), withheld=tuple(reasons))


def _mostly_beyond(readings: SiteReadings) -> str:
    """Say so where most of the flow above nothing is beyond limits: what is left of it would be a biased rest."""
    if "flow_m3_s" not in readings.values.columns:
        return ""
    flow = as_numbers(readings, "flow_m3_s")
    above = np.isfinite(flow) & (flow != 0.0)
    bad = (readings.masks["flow_m3_s"].to_numpy(dtype=np.int64) & int(Mask.OUT_OF_RANGE | Mask.IMPOSSIBLE)) != 0
    share = float((bad & above).sum() / above.sum()) if above.any() else 0.0
    if above.sum() < 20 or share < 0.5:
        return ""
    return (f"{share:.0%} of the flow readings above 0 are beyond what this pump can give, at a median of "
            f"{float(np.median(flow[above & bad])):.3g} m3/s: unit, scale or column of the meter in the logger's "
            "profile are wrong.")


def _level_that_water_denies(site: Site, readings: SiteReadings, due: Vector, by_sheet: Vector) -> Misread | None:
    """Return a well level off its sheet by a factor between units, where the flow agrees with the sheet alone."""
    found = [item for item in unit_suspicions(site, _numbers(readings), readings.interval_s)
             if item.channel == "water_level_m" and not _cannot_be(site, readings, item)]
    flow = readings.sound_array("flow_m3_s")
    use = np.isfinite(due) & np.isfinite(by_sheet) & (flow > 0.3 * np.nanmax(by_sheet, initial=0.0)) & (due > 0.0)
    if not found or use.sum() < 100:
        return None
    as_logged = abs(float(np.log(np.median(flow[use] / due[use]))))
    as_sheet = abs(float(np.log(np.median(flow[use] / np.maximum(by_sheet[use], 1e-9)))))
    if as_sheet > 0.12 or as_logged < as_sheet + 0.07:
        return None
    return _whole(readings, "unit_mistake", found[0], f"{_plain(found[0])} The water lifted agrees with the "
                  "sheet's level and not with the logged one. It is not read on.", found[0].factor,
                  ("unit_mistake", "level_sensor_fault"),
                  "Write the unit of the file for this column in the logger's profile.")


def _other_units(site: Site, readings: SiteReadings) -> list[Misread]:
    """Turn suspicions of levels, electrical channels and temperatures into rows that are not read on."""
    found = []
    for item in unit_suspicions(site, _numbers(readings), readings.interval_s):
        # The flow is looked at with the power beside it, the array's channels while the pump runs.
        if item.channel.startswith(("flow", "array")) or not _cannot_be(site, readings, item):
            continue
        group = ("unit_mistake", "level_sensor_fault" if item.channel in _LEVELS else "temperature_sensor_fault")
        found.append(_whole(readings, "unit_mistake", item, f"{_plain(item)} It is not read on.", item.factor,
                            group, "Write the unit of the file for this column in the logger's profile."))
    return found


def _cannot_be(site: Site, readings: SiteReadings, item: Suspicion) -> bool:
    """Keep a suspicion of a level only where the level cannot be: a sheet may be far off in a level that can."""
    values = as_numbers(readings, item.channel)
    known = values[np.isfinite(values)]
    if item.channel == "water_level_m":
        deepest = site.well.well_depth_m or site.well.pump_setting_depth_m or np.inf
        return bool(np.median(known) > deepest) or bool(
            site.well.pump_setting_depth_m and np.median(known) > site.well.pump_setting_depth_m)
    if item.channel == "tank_level_m" and site.tank is not None:
        return bool(np.percentile(known, 98.0) > 1.3 * site.tank.height_m)
    return True


def _exchanged_temperatures(site: Site, readings: SiteReadings) -> list[Misread]:
    found: list[Misread] = []
    named = ("module_temperature_c", "air_temperature_c")
    if not all(name in readings.values.columns for name in named):
        return found
    asked = [name for name in readings.values.columns if name in named or "irradiance" in name]
    for item in swap_suspicions(site, _numbers(readings)[asked], readings.interval_s):
        if item.channel != "module_temperature_c":
            continue
        for channel in ("module_temperature_c", "air_temperature_c"):
            misread = _whole(readings, "swapped_channels", item, f"{_capital(item.says)} They are not read on.", 1.0,
                             ("swapped_channels", "temperature_sensor_fault"),
                             "Compare labels and wires with the columns of the logger's profile.")
            found.append(replace(misread, channel=channel))
    return found


def _whole(readings: SiteReadings, cause: str, item: Suspicion, says: str, size: float, group: tuple[str, ...],
           mend: str) -> Misread:
    count = len(readings.values)
    return Misread(cause, item.channel, np.ones(count, dtype=bool), says, size, 1.0, "1", size, 0.85, group, 0,
                   count - 1, item.samples, mend)


def _exchange(readings: SiteReadings, one: str, other: str, rows: NDArray[np.bool_]) -> Misread:
    at = np.flatnonzero(rows)
    text = (f"{CHANNELS[one].label} and {_small(CHANNELS[other].label)} stand near the sheet crosswise and far from it "
            "as they are: the two columns are exchanged. They are exchanged back for the judging.")
    return Misread("swapped_channels", one, rows, text, 1.0, 0.0, "1", 1.0, 0.95, ("swapped_channels",), int(at[0]),
                   int(at[-1]), len(at), "Exchange the two columns in the logger's profile, or the two wires.", other)


def _exchanged(readings: SiteReadings, one: str, other: str, rows: NDArray[np.bool_]) -> SiteReadings:
    values, masks = readings.values.copy(), readings.masks.copy()
    for table in (values, masks):
        first, second = table[one].to_numpy(copy=True), table[other].to_numpy(copy=True)
        table[one], table[other] = np.where(rows, second, first), np.where(rows, first, second)
    return SiteReadings(readings.site_id, values, masks, readings.interval_s)


def _masked_anew(site: Site, readings: SiteReadings, kept_from: Sequence[str],
                 quality: QualitySettings | None) -> SiteReadings:
    """Ask physics again at the true times and in the right columns; what the files themselves said stays."""
    old = readings.masks.astype("int64")
    held = old & _OF_INGEST
    held[[name for name in held.columns if "irradiance" not in name]] |= (
        old[[name for name in held.columns if "irradiance" not in name]] & int(Mask.SENSOR_DOUBT))
    for channel in set(kept_from):
        held[channel] = old[channel]
    sound = readings.values.where((held & (_OF_INGEST | int(Mask.OUT_OF_RANGE))) == 0)
    physics = mask_readings(site, sound, readings.interval_s, settings=quality).astype("int64")
    return SiteReadings(readings.site_id, readings.values, (held | physics).astype("uint16"), readings.interval_s)


def _numbers(readings: SiteReadings) -> pd.DataFrame:
    return pd.DataFrame({name: as_numbers(readings, str(name)) for name in readings.values.columns},
                        index=readings.values.index)


def _clock_finding(site: Site, readings: SiteReadings, shifts: Sequence[ClockShift]) -> Finding:
    newest = shifts[-1]
    hours = newest.shift_min / 60.0
    spans = [f"{_minutes(shift.shift_min)} from {_local_day(site, readings, shift.start)} to "
             f"{_local_day(site, readings, shift.stop - 1)}" for shift in shifts]
    says = (f"The stamps run {'late' if hours > 0 else 'early'} against the sun by {'; '.join(spans)}: "
            f"{newest.misplaced_before:.0%} of the samples are dark by day or lit by night as stamped, "
            f"{newest.misplaced_after:.0%} once put right. Judged at the true times.")
    misread = Misread("clock_shift", newest.channel, np.zeros(0, dtype=bool), says, hours, 0.0, "h", hours, 0.97,
                      ("clock_shift",), shifts[0].start, shifts[-1].stop - 1, sum(shift.days for shift in shifts),
                      "Set the clock, or write the zone that the logger keeps in its profile.")
    finding = _finding(site, readings, misread)
    spread = max(newest.spread_min / 60.0, 2.0 / 60.0)
    return finding.model_copy(update={
        "size_low": hours - spread, "size_high": hours + spread, "size_means": CAUSES["clock_shift"].size_means})


def _finding(site: Site, readings: SiteReadings, misread: Misread) -> Finding:
    cause = CAUSES[misread.cause]
    count = len(readings.values)
    onset, seen = _local_day(site, readings, misread.first), _local_day(site, readings, misread.last)
    ends = pd.Timestamp(_local_day(site, readings, count - 1))
    is_open = (ends - pd.Timestamp(seen)).days <= _QUIET_DAYS
    from_first = misread.first == 0 or (pd.Timestamp(onset) - pd.Timestamp(_local_day(site, readings, 0))).days <= 1
    is_new = is_open and not from_first and (ends - pd.Timestamp(onset)).days < _NEW_DAYS
    left = [code for code in misread.group if code != misread.cause]
    row = EvidenceRow(check=f"{misread.cause}_{misread.channel}", says=misread.says, value=misread.value,
                      healthy=misread.healthy, unit=misread.unit, outcome="supports", n_samples=misread.n_samples,
                      source=_SOURCE)
    test = f"{cause.test.rstrip('.')}. {misread.mend}".strip()
    means = cause.size_means if misread.cause != "unit_mistake" else (
        f"times too great, of {CHANNELS[misread.channel].label.lower()}")
    spread = 0.03 * abs(misread.size)
    return Finding(
        site_id=site.id, cause=misread.cause, confidence=misread.confidence,
        group=[misread.cause] if misread.confidence >= 0.85 else list(misread.group), onset=onset, onset_low=onset,
        onset_high=onset, onset_shape="day_one" if from_first else "step", last_seen=seen, size=misread.size,
        size_low=misread.size - spread, size_high=misread.size + spread, size_unit=cause.size_unit, size_means=means,
        water_lost_m3_day=0.0, water_lost_low_m3_day=0.0, water_lost_high_m3_day=0.0, evidence=[row],
        rivals=[Rival(cause=code, probability=(1.0 - misread.confidence) / len(left),
                      split_by=cause.look_alikes.get(code, "") or cause.test) for code in left],
        next_test=test, field_readings=list(cause.readings), parts=list(cause.parts), dangers=list(cause.dangers),
        owner_of_cause=cause.owner_of_cause, urgency=cause.urgency if is_open else "information",
        status="new" if is_new else "steady" if is_open else "healed",
        status_says="First seen " + f"{onset}." if is_new else "Still so." if is_open else f"Gone since {seen}.")


def _each_once(findings: Sequence[Finding]) -> list[Finding]:
    """Join findings of one cause: the open and newest leads, the others stand as its evidence."""
    joined: dict[str, Finding] = {}
    for finding in findings:
        other = joined.get(finding.cause)
        if other is None:
            joined[finding.cause] = finding
            continue
        lead, rest = sorted((finding, other), key=lambda one: (one.status == "healed", -one.last_seen.toordinal()))
        joined[finding.cause] = lead.model_copy(update={
            "evidence": [*lead.evidence, *(row for row in rest.evidence if row not in lead.evidence)],
            "onset": min(lead.onset, rest.onset), "onset_low": min(lead.onset_low, rest.onset_low)})
    return list(joined.values())


def _local_day(site: Site, readings: SiteReadings, row: int) -> date:
    when = readings.mid_interval_utc()[int(np.clip(row, 0, len(readings.values) - 1))]
    return pd.Timestamp(when).tz_convert(site.timezone).date()


def _minutes(shift_min: float) -> str:
    return f"{shift_min:+.0f} min"


def _plain(item: Suspicion) -> str:
    """Return what a suspicion says, with the channel by its label."""
    return _capital(item.says.replace(item.channel, CHANNELS[item.channel].label))


def _small(text: str) -> str:
    return text[:1].lower() + text[1:]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
