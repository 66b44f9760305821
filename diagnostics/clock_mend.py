"""
A clock that is off by half an hour or more: over which days, by how much, and the same readings at their true times.

The light itself tells: where it stands on the 24-hour circle against a clear sky over the same stamps, so that a shift
of any size, also one past midnight, is one angle a day. An azimuth that was written down wrongly moves that angle too,
but not dawn and dusk; so a shift is believed only if it puts light and dark right. Smaller errors are weighed with all
other causes, from the daily summary "clock".
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.chain.mount import cos_incidence, orientation
from diagnostics.chain.sun import sun_position
from diagnostics.quality.clock import LIGHT_CHANNELS, constant_spans, daily_clock_error
from diagnostics.readings import Mask, SiteReadings
from diagnostics.site import Site

Vector = NDArray[np.float64]

NOT_A_VALUE = int(Mask.UNREADABLE | Mask.SENTINEL)
LEAST_SHIFT_MIN = 28.0          # a zone's least step is a quarter hour; below half an hour the daily summary weighs it
LEAST_DAYS = 3
JUMP_MIN = 25.0                 # least step between two spans; a cloudy day's light wanders by so much
LEAST_COVERED = 0.8             # share of a day's samples without which its light has no middle
LIT_RATIO = 0.03                # of the day's own top: light, whatever the sensor's scale
LIT_ELEVATION_DEG = 3.0         # there the clear sky gives so much
QUARTER_WITHIN_MIN = 7.0        # zones and summer time are whole quarter hours: snapped to where this near
LEAST_SHARE_PUT_RIGHT = 0.5     # of the samples that are dark by day or lit by night


@dataclass(frozen=True, slots=True)
class ClockShift:
    """Rows [start, stop) of the readings whose stamps are late by `shift_min`; early where it is negative."""

    start: int
    stop: int
    shift_min: float
    spread_min: float
    days: int
    channel: str
    misplaced_before: float     # share of samples dark by day or lit by night, as stamped
    misplaced_after: float      # the same at the true times
    is_last: bool               # nothing follows that is stamped rightly


def clock_shifts(site: Site, readings: SiteReadings) -> list[ClockShift]:
    """
    Find spans over which the stamps are off by half an hour or more.

    Parameters
    ----------
    site : Site
        Place and mount.
    readings : SiteReadings
        As read; masks that come from physics are looked through, for light by night is what a wrong clock shows.

    Returns
    -------
    shifts : list of ClockShift
        In order of time, none overlapping; empty where the clock is right or nothing logged sees the sun.
    """
    index = pd.DatetimeIndex(readings.values.index)
    seconds = readings.interval_s.to_numpy(dtype=np.float64)
    if len(index) < 48 or not 0.0 < float(np.median(seconds)) <= 7200.0:
        return []
    logged = _light(site, readings)
    if logged is None:
        return []
    channel, light = logged
    middle = index - pd.to_timedelta(seconds / 2.0, unit="s")
    solar_h = (middle.as_unit("s").asi8 / 3600.0 + site.longitude_deg / 15.0)
    day = np.floor(solar_h / 24.0).astype(np.int64)
    day -= day[0]
    errors = _daily_phase_error(light, _clear_share(site, channel, middle), solar_h, day, seconds)
    if len(errors) < LEAST_DAYS:
        return []
    found = []
    spans = constant_spans(errors, jump_min=JUMP_MIN, least_days=LEAST_DAYS)
    levels = [float(np.median(errors.iloc[first:last])) for first, last in spans]
    cuts = [0, *(_cut(site, middle, light, day, (int(errors.index[first - 1]), int(errors.index[first])),
                      (levels[number], levels[number + 1]))
                 for number, (first, _) in enumerate(spans[1:])), len(day)]
    for number, (first, last) in enumerate(spans):
        coarse = levels[number]
        if abs(coarse) < LEAST_SHIFT_MIN - 8.0 or cuts[number + 1] - cuts[number] < 4:
            continue
        start, stop = cuts[number], cuts[number + 1]
        rows = slice(start, stop)
        shift, spread = _refined(site, channel, light, index, readings.interval_s, rows, coarse)
        before = _misplaced(site, middle[rows], light[rows], day[rows], 0.0)
        after = _misplaced(site, middle[rows], light[rows], day[rows], shift)
        put_right = before - after >= LEAST_SHARE_PUT_RIGHT * before and before - after >= abs(shift) / 1440.0
        if abs(shift) >= LEAST_SHIFT_MIN and put_right:
            found.append(ClockShift(start, stop, shift, spread, last - first, channel, before, after,
                                    stop == len(day)))
    return found


def _cut(site: Site, middle: pd.DatetimeIndex, light: Vector, day: NDArray[np.int64], around: tuple[int, int],
         shifts_min: tuple[float, float]) -> int:
    """
    Return the row from which the second shift holds: the one that leaves fewest samples misplaced.

    By night every row does equally well; then it is the one at which the stamps themselves jump.
    """
    begin = int(np.searchsorted(day, around[0] - 1))
    end = int(np.searchsorted(day, around[1] + 1, side="right"))
    rows = slice(begin, end)
    wrong = [_misplaced_rows(site, middle[rows], light[rows], day[rows], shift)[0].astype(float)
             for shift in shifts_min]
    total = np.concatenate(([0.0], np.cumsum(wrong[0]))) + np.concatenate(([0.0], np.cumsum(wrong[1])))[-1] - (
        np.concatenate(([0.0], np.cumsum(wrong[1]))))
    best = np.flatnonzero(total <= total.min() + 0.5)
    steps = np.abs(np.diff(middle[rows].as_unit("s").asi8).astype(np.float64))
    odd = np.concatenate(([0.0], np.abs(steps - np.median(steps)) if len(steps) else [], [0.0]))
    return begin + int(best[np.argmax(odd[best])])


def at_true_times(readings: SiteReadings, shifts: list[ClockShift]) -> tuple[SiteReadings, int]:
    """
    Return the readings at their true times.

    Parameters
    ----------
    readings : SiteReadings
        As stamped.
    shifts : list of ClockShift
        From `clock_shifts`.

    Returns
    -------
    readings, lost : SiteReadings, int
        Where two spans come to lie over each other the earlier rows stay and the later ones are left out; `lost` counts
        them.
    """
    late_s = np.zeros(len(readings.values))
    for shift in shifts:
        late_s[shift.start:shift.stop] = 60.0 * shift.shift_min
    index = pd.DatetimeIndex(readings.values.index - pd.to_timedelta(np.round(late_s), unit="s"))
    stamps = index.asi8
    highest = np.maximum.accumulate(stamps)
    kept = np.concatenate(([True], stamps[1:] > highest[:-1]))
    index = index[kept].rename("interval_end_utc")
    values, masks = readings.values[kept].set_axis(index), readings.masks[kept].set_axis(index)
    return SiteReadings(readings.site_id, values, masks, readings.interval_s[kept].set_axis(index)), int((~kept).sum())


def as_numbers(readings: SiteReadings, channel: str) -> Vector:
    """Return every value that is a number, also those beyond limits."""
    if channel not in readings.values.columns:
        return np.full(len(readings.values), np.nan)
    is_value = (readings.masks[channel].to_numpy(dtype=np.int64) & NOT_A_VALUE) == 0
    return np.where(is_value, readings.values[channel].to_numpy(dtype=np.float64), np.nan)


def _light(site: Site, readings: SiteReadings) -> tuple[str, Vector] | None:
    """Return the first channel that rises and falls with the sun, whatever its scale."""
    for channel in (*LIGHT_CHANNELS[:2], "array_voltage_v", *LIGHT_CHANNELS[2:]):
        if channel not in readings.values.columns or (site.array is None and channel.startswith(("array", "string"))):
            continue
        light = as_numbers(readings, channel)
        top = float(np.nanpercentile(light, 98.0)) if np.isfinite(light).any() else 0.0
        if top <= 0.0:
            continue
        # A code for "no value" that nobody declared is no light; a cloud edge is twice the usual top at most.
        light = np.where((light < -0.1 * top) | (light > 3.0 * top), np.nan, light)
        with np.errstate(invalid="ignore"):
            lit = float(np.mean(light[np.isfinite(light)] > LIT_RATIO * top))
        if 0.1 < lit < 0.75:
            return channel, np.clip(light, 0.0, None)
    return None


def _clear_share(site: Site, channel: str, when: pd.DatetimeIndex) -> Vector:
    """Return a plain clear sky in the sensor's plane; only where it stands in the day matters. [1]"""
    sun = sun_position(when, site.latitude_deg, site.longitude_deg, site.altitude_m)
    height = np.sin(np.radians(np.clip(sun.elevation_deg, 0.0, None)))
    if channel.startswith("global") or site.array is None:
        return np.asarray(height**1.2, dtype=np.float64)
    tilt, azimuth = orientation(site.array, when, site.timezone, sun)
    direct = 0.85 * np.clip(cos_incidence(tilt, azimuth, sun), 0.0, None) * np.clip(height, 0.0, None) ** 0.2
    return np.asarray(np.where(sun.elevation_deg > 0.0, direct + 0.12 * height, 0.0), dtype=np.float64)


def _daily_phase_error(light: Vector, clear: Vector, solar_h: Vector, day: NDArray[np.int64], seconds: Vector
                       ) -> "pd.Series[float]":
    """Return by solar day how far the light stands after the clear sky on the circle of 24 hours. [min]"""
    count = int(day[-1]) + 1
    known = np.isfinite(light)
    covered = np.bincount(day[known], weights=seconds[known], minlength=count) / 86400.0
    turn = np.exp(2.0j * np.pi * (solar_h % 24.0) / 24.0)
    weight = np.where(known, light, 0.0) * seconds

    def sums(amount: Vector) -> NDArray[np.complex128]:
        along = amount * turn
        return np.bincount(day, weights=along.real, minlength=count) + 1.0j * np.bincount(
            day, weights=along.imag, minlength=count)

    seen, due = sums(weight), sums(np.where(known, clear, 0.0) * seconds)
    total = np.bincount(day, weights=weight, minlength=count)
    with np.errstate(invalid="ignore", divide="ignore"):
        clear_enough = (np.abs(seen) > 0.4 * total) & (total > 0.0) & (np.abs(due) > 0.0)
    error = np.angle(seen * np.conj(due)) / (2.0 * np.pi) * 1440.0
    use = np.flatnonzero(clear_enough & (covered >= LEAST_COVERED))
    if use.size == 0:
        return pd.Series(dtype="float64")
    whole = error[use]
    centre = float(np.angle(np.mean(np.exp(2.0j * np.pi * whole / 1440.0))) / (2.0 * np.pi) * 1440.0)
    return pd.Series((whole - centre + 720.0) % 1440.0 - 720.0 + centre, index=use)


def _refined(site: Site, channel: str, light: Vector, index: pd.DatetimeIndex, interval_s: "pd.Series[float]",
             rows: slice, coarse_min: float) -> tuple[float, float]:
    """Sharpen a coarse shift on smooth days, and take a whole quarter hour where it is as near as can be told."""
    moved = index[rows] - pd.Timedelta(minutes=round(coarse_min))
    left = daily_clock_error(site, channel, pd.Series(light[rows], index=moved), interval_s.iloc[rows].set_axis(moved))
    left = left.dropna()
    shift, spread = coarse_min, 12.0
    if len(left) >= LEAST_DAYS and abs(float(np.median(left))) < 60.0:
        middle = float(np.median(left))
        shift = round(coarse_min) + middle
        spread = max(1.4826 * float(np.median(np.abs(left - middle))), 1.0)
    quarter = 15.0 * round(shift / 15.0)
    return (quarter if abs(shift - quarter) <= QUARTER_WITHIN_MIN else round(shift)), spread


def _misplaced(site: Site, middle: pd.DatetimeIndex, light: Vector, day: NDArray[np.int64], shift_min: float) -> float:
    """Return the share of samples that are dark by day or lit by night if the stamps are late by so much. [1]"""
    wrong, asked = _misplaced_rows(site, middle, light, day, shift_min)
    return float(np.mean(wrong[asked])) if asked.any() else 0.0


def _misplaced_rows(site: Site, middle: pd.DatetimeIndex, light: Vector, day: NDArray[np.int64], shift_min: float
                    ) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    sun = sun_position(middle - pd.Timedelta(minutes=shift_min), site.latitude_deg, site.longitude_deg, site.altitude_m)
    own = day - day[0]
    top = np.zeros(int(own[-1]) + 1)
    np.maximum.at(top, own, np.nan_to_num(light))
    usual = float(np.median(top[top > 0.0])) if (top > 0.0).any() else 0.0
    asked = np.isfinite(light) & (top[own] > 0.2 * usual)
    with np.errstate(invalid="ignore"):
        lit = light > LIT_RATIO * top[own]
    return asked & (lit != (sun.elevation_deg > LIT_ELEVATION_DEG)), asked
