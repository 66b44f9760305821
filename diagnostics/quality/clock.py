"""
The logger's clock against the sun: when each smooth day's curve is centred, and when it should be.

A day curve of light or of the array's current is compared with the same curve under a clear sky, level by level on its
rising and on its falling side; half the sum of both differences is the error of the clock. A wrong scale, haze or a
voltage limit moves the two sides apart, not together.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from diagnostics.chain.mount import cos_incidence, orientation
from diagnostics.chain.sun import clear_sky, sun_position
from diagnostics.quality.runs import Floats
from diagnostics.site import Site

MINUTES_A_DAY = 1440
LEVELS = np.arange(0.15, 0.86, 0.05)
# Level sensors tell the time best: nothing about a mount can move their day.
LIGHT_CHANNELS = ("global_horizontal_irradiance_w_m2", "poa_irradiance_w_m2", "array_current_a", "array_power_w",
                  "string_1_current_a")


class ClockSettings(BaseModel):
    """Thresholds of the clock checks."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    roughness: float = Field(default=1.12, ge=1.01, le=2, description="Way up and down of a day's curve over twice its "
                             "top; 1 is a single smooth hump, broken clouds give 2 to 10.")
    roughness_step_min: float = Field(default=15.0, ge=1, le=60, description="Averaged over this before the way is "
                                      "reckoned, so that a sensor's noise at 1 min is not taken for clouds.")
    least_days: int = Field(default=3, ge=2, le=60, description="Smooth days that a verdict needs.")
    jump_min: float = Field(default=6.0, ge=1, le=120, description="Least step between two spans. Smooth days of one "
                            "logger scatter by 1 to 3 min.")
    offset_min: float = Field(default=10.0, ge=2, le=120, description="Least lasting error against a level sensor.")
    offset_in_plane_min: float = Field(default=25.0, ge=5, le=180, description="The same against a tilted plane: an "
                                       "azimuth that is off by 10 degrees moves the day's middle by 10 to 25 min.")
    drift_min_per_day: float = Field(default=0.05, ge=0.005, le=5, description="1.5 min a month; quartz clocks hold "
                                     "0.3 s to 5 s a day.")
    least_known: float = Field(default=0.9, ge=0.5, le=1, description="Share of the day's samples that must be there.")


@dataclass(frozen=True, slots=True)
class ClockSpan:
    """Days over which the clock is off by the same amount; a positive error means that stamps are late."""

    kind: Literal["offset", "drift"]
    first_day: pd.Timestamp
    last_day: pd.Timestamp
    error_min: float
    spread_min: float
    days: int
    drift_min_per_day: float
    channel: str
    says: str


def equation_of_time_min(day_of_year: NDArray[np.float64]) -> Floats:
    """
    Sundial minus clock (Spencer 1971).

    Parameters
    ----------
    day_of_year : ndarray of float64, shape (n,)
        1 to 366. [d]

    Returns
    -------
    minutes : ndarray of float64, shape (n,)
        [min]
    """
    angle = 2.0 * np.pi * (day_of_year - 1.0) / 365.0
    return np.asarray(229.18 * (0.000075 + 0.001868 * np.cos(angle) - 0.032077 * np.sin(angle)
                                - 0.014615 * np.cos(2 * angle) - 0.040849 * np.sin(2 * angle)), dtype=np.float64)


def day_matrix(stamps: pd.DatetimeIndex, curve: Floats, step_min: float) -> tuple[pd.DatetimeIndex, Floats, Floats]:
    """
    Lay a curve out as one row a day.

    Parameters
    ----------
    stamps : DatetimeIndex, shape (n,)
        Middles of the intervals in a time whose noon is near the sun's. [any zone]
    curve : ndarray of float64, shape (n,)
        What the sun drives. [any]
    step_min : float
        Interval. [min]

    Returns
    -------
    days, matrix, first_min : DatetimeIndex, ndarray of float64, ndarray of float64
        Shapes (days,), (days, slots), (days,). NaN where nothing was logged; `first_min` is the time of the first slot
        of each day, which need not be a round one. [min]
    """
    slots = max(1, round(MINUTES_A_DAY / step_min))
    midnight = stamps.normalize()
    days = midnight.unique().sort_values()
    row = np.asarray(days.get_indexer(midnight), dtype=np.int64)
    minutes = np.asarray((stamps - midnight).total_seconds(), dtype=np.float64) / 60.0
    turn = 2.0 * np.pi * minutes / step_min
    sine, cosine = (np.bincount(row, weights=part, minlength=len(days)) for part in (np.sin(turn), np.cos(turn)))
    first_min = np.asarray(np.arctan2(sine, cosine) / (2.0 * np.pi) * step_min % step_min, dtype=np.float64)
    slot = np.round((minutes - first_min[row]) / step_min).astype(np.int64)
    matrix = np.full((len(days), slots), np.nan)
    matrix[row, np.clip(slot, 0, slots - 1)] = curve
    return days, matrix, first_min


def crossing_min(matrix: Floats, step_min: float, first_min: Floats) -> Floats:
    """
    Time at which each day's curve passes each of `LEVELS` of its top, rising and falling.

    Parameters
    ----------
    matrix : ndarray of float64, shape (days, slots)
        Without gaps.
    step_min : float
        [min]
    first_min : ndarray of float64, shape (days,)
        Time of the first slot. [min]

    Returns
    -------
    crossings : ndarray of float64, shape (days, 2, levels)
        Minutes after midnight; NaN where a day never passes the level.
    """
    days, slots = matrix.shape
    top = np.max(matrix, axis=1, keepdims=True)
    out = np.full((days, 2, len(LEVELS)), np.nan)
    rows = np.arange(days)
    for place, level in enumerate(LEVELS):
        above = matrix >= level * top
        for side, at in ((0, np.argmax(above, axis=1)), (1, slots - 1 - np.argmax(above[:, ::-1], axis=1))):
            other = at - 1 if side == 0 else at + 1
            inside = (other >= 0) & (other < slots) & (top[:, 0] > 0)
            near = np.clip(other, 0, slots - 1)
            here, beyond = matrix[rows, at], matrix[rows, near]
            with np.errstate(invalid="ignore", divide="ignore"):
                share = (here - level * top[:, 0]) / (here - beyond)
            time = first_min + step_min * (at + np.clip(share, 0.0, 1.0) * (near - at))
            out[:, side, place] = np.where(inside, time, np.nan)
    return out


def smooth_days(matrix: Floats, settings: ClockSettings) -> NDArray[np.bool_]:
    """
    Tell which days rise and fall once, as under a clear or evenly hazy sky.

    Parameters
    ----------
    matrix : ndarray of float64, shape (days, slots)
        May hold NaN.
    settings : ClockSettings
        Thresholds.

    Returns
    -------
    smooth : ndarray of bool, shape (days,)
    """
    if not len(matrix):
        return np.zeros(0, dtype=bool)
    filled = np.nan_to_num(np.clip(matrix, 0.0, None))
    block = max(1, round(matrix.shape[1] * settings.roughness_step_min / MINUTES_A_DAY))
    whole = matrix.shape[1] // block * block
    coarse = _gaps_closed(matrix)[:, :whole].reshape(len(matrix), -1, block).mean(axis=2)
    top = np.max(coarse, axis=1)
    way = np.sum(np.abs(np.diff(coarse, axis=1, prepend=0.0, append=0.0)), axis=1)
    lit = filled > 0.05 * np.maximum(top, 1e-9)[:, None]
    first, last = np.argmax(lit, axis=1), matrix.shape[1] - 1 - np.argmax(lit[:, ::-1], axis=1)
    slots = np.arange(matrix.shape[1])[None, :]
    by_day = (slots >= first[:, None]) & (slots <= last[:, None])
    known = (np.isfinite(matrix) & by_day).sum(axis=1) / np.maximum(by_day.sum(axis=1), 1)
    usual_top = np.percentile(top[top > 0], 90.0) if np.any(top > 0) else np.inf
    with np.errstate(invalid="ignore", divide="ignore"):
        smooth = (way <= settings.roughness * 2.0 * top) & (top > 0.25 * usual_top) & (by_day.sum(axis=1) >= 8)
    return np.asarray(smooth & (known >= settings.least_known), dtype=np.bool_)


def _gaps_closed(matrix: Floats) -> Floats:
    """Return the matrix with night and single missing samples filled, so that curves have no holes."""
    frame = pd.DataFrame(np.clip(matrix, 0.0, None).T)
    return np.asarray(frame.interpolate(limit=2, limit_area="inside").fillna(0.0).T, dtype=np.float64)


def middle_of_days(stamps: pd.DatetimeIndex, curve: Floats, step_min: float, *,
                   settings: ClockSettings | None = None) -> "pd.Series[float]":
    """
    Clock time of solar noon on every smooth day, from the curve alone: no place, no plane needed.

    Steps of the result are jumps of the clock. Its level is 12 h shifted by longitude, zone and the plane's azimuth.

    Parameters
    ----------
    stamps : DatetimeIndex, shape (n,)
        Middles of the intervals, in a time whose noon is within a few hours of the sun's. [any zone]
    curve : ndarray of float64, shape (n,)
        Light, current or power. [any]
    step_min : float
        Interval. [min]
    settings : ClockSettings, optional
        Thresholds.

    Returns
    -------
    middle : Series, index: day, shape (smooth days,)
        Minutes after midnight, equation of time taken off. [min]
    """
    settings = settings or ClockSettings()
    days, matrix, first_min = day_matrix(stamps, curve, step_min)
    smooth = smooth_days(matrix, settings)
    crossings = (crossing_min(_gaps_closed(matrix[smooth]), step_min, first_min[smooth]) if smooth.any()
                 else np.zeros((0, 2, len(LEVELS))))
    middles = pd.DataFrame(crossings.mean(axis=1)).median(axis=1).to_numpy(dtype=np.float64)
    kept = days[smooth]
    doy = np.asarray(kept.day_of_year, dtype=np.float64)
    return pd.Series(middles + equation_of_time_min(doy), index=kept, name="middle_min", dtype="float64")


def daily_clock_error(site: Site, channel: str, values: "pd.Series[float]", interval_s: "pd.Series[float]", *,
                      settings: ClockSettings | None = None) -> "pd.Series[float]":
    """
    Error of the clock on every smooth day, against the clear-sky curve of the sensor's own plane.

    Parameters
    ----------
    site : Site
        Place and mount.
    channel : str
        One of `LIGHT_CHANNELS`.
    values : Series, shape (n,)
        Its values, NaN where masked, UTC index at interval end.
    interval_s : Series, shape (n,)
        [s]
    settings : ClockSettings, optional
        Thresholds.

    Returns
    -------
    error : Series, index: solar day, shape (smooth days,)
        Positive where stamps are late. [min]
    """
    settings = settings or ClockSettings()
    empty = pd.Series(dtype="float64", index=pd.DatetimeIndex([], name="day"), name="error_min")
    if not len(values) or not np.isfinite(values.to_numpy(dtype=np.float64)).any():
        return empty
    seconds = interval_s.to_numpy(dtype=np.float64)
    step_min = float(np.median(seconds)) / 60.0
    if not 0 < step_min <= 60:
        return empty
    middle = pd.DatetimeIndex(values.index) - pd.to_timedelta(seconds / 2.0, unit="s")
    solar = (middle + pd.Timedelta(minutes=4.0 * site.longitude_deg)).tz_localize(None)
    days, matrix, first_min = day_matrix(solar, np.asarray(values, dtype=np.float64), step_min)
    smooth = smooth_days(matrix, settings)
    if not smooth.any():
        return empty
    measured = crossing_min(_gaps_closed(matrix[smooth]), step_min, first_min[smooth])
    kept = days[smooth]
    slots = matrix.shape[1]
    minutes = (first_min[smooth][:, None] + np.arange(slots)[None, :] * step_min).ravel()
    grid = pd.DatetimeIndex(np.repeat(kept.to_numpy(), slots)) + pd.to_timedelta(minutes, unit="min")
    when = grid.tz_localize("UTC") - pd.Timedelta(minutes=4.0 * site.longitude_deg)
    clear = _clear_curve(site, channel, when).reshape(len(kept), slots)
    expected = crossing_min(clear, step_min, first_min[smooth])
    # Rising and falling side in equal parts; the median over the levels leaves shade near the horizon out.
    error = pd.DataFrame((measured - expected).mean(axis=1)).median(axis=1).to_numpy()
    return pd.Series(error, index=kept.rename("day"), name="error_min")


def _clear_curve(site: Site, channel: str, when: pd.DatetimeIndex) -> Floats:
    sun = sun_position(when, site.latitude_deg, site.longitude_deg, site.altitude_m)
    sky = clear_sky(sun, np.asarray(when.day_of_year, dtype=np.float64), site.latitude_deg, site.longitude_deg,
                    site.altitude_m)
    if channel.startswith("global") or site.array is None:
        return sky.global_horizontal_w_m2
    tilt, azimuth = orientation(site.array, when, site.timezone, sun)
    direct = sky.direct_normal_w_m2 * np.clip(cos_incidence(tilt, azimuth, sun), 0.0, None)
    diffuse = sky.diffuse_horizontal_w_m2 * (1.0 + np.cos(np.radians(tilt))) / 2.0
    return np.asarray(np.where(sun.elevation_deg > 0.0, direct + diffuse, 0.0), dtype=np.float64)


def constant_spans(errors: "pd.Series[float]", *, jump_min: float, least_days: int) -> list[tuple[int, int]]:
    """
    Cut a daily series into spans of constant level, by the best single cut again and again.

    Parameters
    ----------
    errors : Series, shape (n,)
        One value a day, rising in time. [min]
    jump_min : float
        Least difference of the medians on both sides of a cut. [min]
    least_days : int
        Least length of a span. [1]

    Returns
    -------
    spans : list of (start, stop)
        Positions, stop exclusive.
    """
    values = errors.to_numpy(dtype=np.float64)

    def cut(start: int, stop: int) -> list[tuple[int, int]]:
        if stop - start < 2 * least_days:
            return [(start, stop)]
        part = values[start:stop]
        centred = np.clip(part - np.median(part), *np.percentile(part - np.median(part), [2.0, 98.0]))
        sums = np.cumsum(centred)
        count = np.arange(1, len(part) + 1)
        with np.errstate(divide="ignore", invalid="ignore"):
            gain = sums**2 / count + (sums[-1] - sums) ** 2 / (len(part) - count)
        gain[:least_days - 1] = gain[len(part) - least_days:] = -np.inf
        at = int(np.argmax(gain)) + 1
        left, right = part[:at], part[at:]
        spread = 1.4826 * np.median(np.abs(np.concatenate([left - np.median(left), right - np.median(right)])))
        needed = max(jump_min, 4.0 * spread / np.sqrt(min(len(left), len(right))))
        if abs(float(np.median(right) - np.median(left))) < needed:
            return [(start, stop)]
        return [*cut(start, start + at), *cut(start + at, stop)]

    return cut(0, len(values)) if len(values) else []


def clock_spans(site: Site, values: pd.DataFrame, interval_s: "pd.Series[float]", *,
                settings: ClockSettings | None = None) -> list[ClockSpan]:
    """
    Say over which days the logger's clock is wrong, by how much, and whether it drifts.

    Parameters
    ----------
    site : Site
        Place and mount.
    values : DataFrame, shape (n, channels)
        Sound values, NaN where masked; UTC index at interval end.
    interval_s : Series, shape (n,)
        [s]
    settings : ClockSettings, optional
        Thresholds.

    Returns
    -------
    spans : list of ClockSpan
        Empty where the clock is right or where too few days are smooth to tell.
    """
    settings = settings or ClockSettings()
    for channel in LIGHT_CHANNELS:
        if channel not in values.columns:
            continue
        errors = daily_clock_error(site, channel, values[channel], interval_s, settings=settings).dropna()
        if len(errors) >= settings.least_days:
            return _spans_of(errors, channel, settings)
    return []


def _spans_of(errors: "pd.Series[float]", channel: str, settings: ClockSettings) -> list[ClockSpan]:
    allowed = settings.offset_min if channel.startswith("global") else settings.offset_in_plane_min
    pieces = constant_spans(errors, jump_min=settings.jump_min, least_days=settings.least_days)
    levels = [float(np.median(errors.iloc[start:stop])) for start, stop in pieces]
    # In a tilted plane the usual level may be the mount's; a span that jumps away from it is the clock's.
    usual = 0.0 if allowed == settings.offset_min or not pieces else levels[int(np.argmin(np.abs(levels)))]
    found = []
    for (start, stop), level in zip(pieces, levels, strict=True):
        part = errors.iloc[start:stop]
        spread = float(1.4826 * np.median(np.abs(part - level)))
        days = np.asarray((part.index - part.index[0]).total_seconds(), dtype=np.float64) / 86400.0
        long_enough = len(part) >= 2 * settings.least_days and days[-1] >= 20
        slope, start_min = (float(item) for item in np.polyfit(days, part, 1)) if long_enough else (0.0, level)
        rest = part - (start_min + slope * days)
        left_over = float(1.4826 * np.median(np.abs(rest)))
        drifts = abs(slope) > settings.drift_min_per_day and abs(slope) * days[-1] > max(4.0 * left_over, 5.0)
        jumped = len(pieces) > 1 and abs(level - usual) >= settings.jump_min
        if not (abs(level) > allowed or jumped or drifts):
            continue
        first, last = part.index[0], part.index[-1]
        side = "ahead of" if level > 0 else "behind"
        says = (f"the clock drifts by {slope * 30:+.1f} min a month" if drifts and not jumped else
                f"the clock is {abs(level):.0f} min {side} the sun")
        found.append(ClockSpan("drift" if drifts and not jumped else "offset", first, last, round(level, 1),
                               round(spread, 1), len(part), round(slope, 3) if drifts else 0.0, channel,
                               f"From {first.date()} to {last.date()} {says} ({len(part)} smooth days, {channel})."))
    return found
