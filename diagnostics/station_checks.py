"""What a station that does not pump can be judged on: array, clock, light sensors, flow record, water level, gaps."""

from dataclasses import dataclass, field
from datetime import date
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.evidence.intervals import Intervals
from diagnostics.quality.level_step import LevelStep, find_level_step
from diagnostics.readings import Mask, SiteReadings
from diagnostics.site import Site

Vector = NDArray[np.float64]
_NOT_A_VALUE = int(Mask.UNREADABLE | Mask.SENTINEL)
IRRADIANCE = ("poa_irradiance_w_m2", "global_horizontal_irradiance_w_m2", "direct_normal_irradiance_w_m2")

LEAST_ARRAY_HOURS = 0.5         # expected energy of a day in hours of nominal power, below which the day says nothing
STANDING_RATIO = 0.05           # array energy over expected below which it stood
CLOCK_LEAST_H = 0.33            # twice what a horizon moves the middle of a day
SCALE_LEAST_RATIO = 1.25        # weather moves a season's daily peak by less
LEAST_LEVEL_DAYS = 731          # two of every season
YEARS_AROUND = 4                # enough for the season, little enough for drift
STOP_RATIO = 0.5                # flow under half the usual one is a stop or a floor


@dataclass(frozen=True, slots=True)
class Seen:
    """One thing a station's readings say; `cause` is empty where nothing is wrong."""

    says: str
    cause: str = ""
    onset: date | None = None
    onset_low: date | None = None
    onset_high: date | None = None
    last_seen: date | None = None
    shape: Literal["step", "ramp", "day_one"] = "step"
    size: float = float("nan")
    size_low: float = float("nan")
    size_high: float = float("nan")
    unit: str = "1"
    means: str = ""
    n_samples: int = 0
    is_open: bool = True
    spans: tuple[tuple[date, date, str], ...] = field(default_factory=tuple)


def array_days(site: Site, intervals: Intervals) -> "pd.DataFrame | None":
    """
    Energy of an array per local day, measured and expected over the same intervals.

    Parameters
    ----------
    site : Site
        Station with an array behind a drive that tracks.
    intervals : Intervals
        Readings beside expectation.

    Returns
    -------
    days : DataFrame or None
        measured_kwh, expected_kwh, ratio (NaN where the day has too little sun); None where nothing is expected.
    """
    expected = intervals.expected["expected_array_power_w"].to_numpy(dtype=np.float64)
    known = np.isfinite(expected) & np.isfinite(intervals.power_w)
    if site.array is None or not known.any() or np.nanmax(expected) <= 0.0:
        return None
    hours = np.where(known, intervals.hours, 0.0)
    frame = pd.DataFrame({"day": intervals.day, "measured_kwh": np.where(known, intervals.power_w, 0.0) * hours / 1e3,
                          "expected_kwh": np.where(known, expected, 0.0) * hours / 1e3}).groupby("day").sum()
    frame.index = pd.Index(np.asarray(intervals.days)[frame.index.to_numpy()], name="day")
    enough = frame["expected_kwh"] >= LEAST_ARRAY_HOURS * site.array.nominal_power_w / 1e3
    frame["ratio"] = (frame["measured_kwh"] / frame["expected_kwh"]).where(enough)
    return frame


def judge_array(site: Site, intervals: Intervals) -> list[Seen]:
    """Say how the array did and on which days it stood while the sun shone."""
    days = array_days(site, intervals)
    if days is None:
        return []
    judged = days.dropna(subset=["ratio"])
    if judged.empty:
        return [Seen("Array: not enough sun for a verdict.")]
    standing = judged["ratio"] < STANDING_RATIO
    gave = judged.loc[~standing, "ratio"]
    seen = []
    if len(gave):
        seen.append(Seen(f"Array: judged on {len(judged)} day(s); on those it ran it gave {gave.median():.0%} of what "
                         f"its label promises under the sun that fell (from {gave.min():.0%} to {gave.max():.0%})."))
    if standing.any():
        first, last = judged.index[standing.to_numpy()][[0, -1]]
        lost = float(judged.loc[standing, "expected_kwh"].sum())
        seen.append(Seen(
            f"Array: stood on {int(standing.sum())} day(s) from {first} while the sun shone; {lost:.0f} kWh were to be "
            "had.", "drive_stopped", first, first, first, last, "step", 1.0, 0.95, 1.0, "1", "share of the day stood",
            len(judged), bool(standing.iloc[-1])))
    return seen


def judge_clock(intervals: Intervals, shift_h: Vector, error_h: Vector) -> list[Seen]:
    """Say by how much the logger's clock is off, from first and last light of the bright days."""
    good = np.isfinite(shift_h) & (error_h < 1.0)
    if int(good.sum()) < 3:
        return []
    middle = float(np.median(shift_h[good]))
    spread = 1.4826 * float(np.median(np.abs(shift_h[good] - middle))) / np.sqrt(good.sum())
    half = 1.96 * max(spread, 0.1)      # hills and trees move the middle of a day by some minutes
    days = np.asarray(intervals.days)[good]
    if abs(middle) < CLOCK_LEAST_H or abs(middle) < 2.0 * half:
        return [Seen(f"Clock: agrees with the sun within {abs(middle) * 60:.0f} min over {int(good.sum())} day(s).")]
    late = "late" if middle > 0 else "early"
    return [Seen(f"Clock: light comes and goes {abs(middle):.1f} h too {late} by this logger's stamps, over "
                 f"{int(good.sum())} day(s).", "clock_shift", days[0], days[0], days[0], days[-1], "day_one", middle,
                 middle - half, middle + half, "h", "hours by which the stamps differ from the sun", int(good.sum()))]


def _as_written(readings: SiteReadings, channel: str) -> Vector:
    """Return every value that is a number, also those beyond limits: a sensor in doubt is what is asked about."""
    is_value = (readings.masks[channel].to_numpy(dtype=np.int64) & _NOT_A_VALUE) == 0
    return np.where(is_value, readings.values[channel].to_numpy(dtype=np.float64), np.nan)


def as_written(readings: SiteReadings) -> SiteReadings:
    """Return the same readings with only those masks left that say there is no number."""
    masks = (readings.masks.astype("int64") & _NOT_A_VALUE).astype("uint16")
    return SiteReadings(readings.site_id, readings.values, masks, readings.interval_s)


def judge_clock_jump(readings: SiteReadings, intervals: Intervals) -> list[Seen]:
    """Say when the clock was set: the middle of the lit day steps by a constant share of an hour and stays."""
    channels = ("global_horizontal_irradiance_w_m2", "poa_irradiance_w_m2", "array_power_w")
    logged = next((name for name in channels if intervals.has(name)), None)
    if logged is None:
        return []
    light = _as_written(readings, logged)
    count = len(intervals.days)
    peak = np.zeros(count)
    np.maximum.at(peak, intervals.day, np.nan_to_num(light))
    usual = float(np.median(peak[peak > 0.0])) if (peak > 0.0).any() else 0.0
    lit = np.isfinite(light) & (light > 0.1 * peak[intervals.day]) & (peak[intervals.day] > 0.5 * usual)
    if not lit.any():
        return []
    by_day = pd.Series(intervals.hour[lit]).groupby(intervals.day[lit]).agg(["min", "max"])
    sun_up = intervals.sun_elevation_deg > 5.0
    sun = pd.Series(intervals.hour[sun_up]).groupby(intervals.day[sun_up]).agg(["min", "max"]).reindex(by_day.index)
    middle = 0.5 * (by_day["min"] + by_day["max"] - sun["min"] - sun["max"]).dropna()
    if len(middle) < 42:
        return []
    dates = pd.to_datetime(np.asarray(intervals.days)[middle.index.to_numpy()])
    step = find_level_step(pd.Series(middle.to_numpy(), index=pd.DatetimeIndex(dates)), seasonal=False)
    if step is None or not step.found or step.shape != "step" or abs(step.size) < CLOCK_LEAST_H:
        return [Seen(f"Clock: no jump over {len(middle)} day(s).")]
    return [Seen(f"Clock: it was set {'forward' if step.size > 0 else 'back'} by {abs(step.size):.2f} h on "
                 f"{step.when.date()} and stayed so.", "clock_shift", step.when.date(), step.when_low.date(),
                 step.when_high.date(), dates[-1].date(), "step", step.size, step.size_low, step.size_high, "h",
                 "hours by which the stamps jumped", step.n_samples)]


def judge_light_scale(readings: SiteReadings, intervals: Intervals) -> list[Seen]:
    """Say whether a light sensor's scale changed for good: its daily peaks step, whatever the limits say of them."""
    seen = []
    for channel in IRRADIANCE:
        if channel not in readings.values.columns:
            continue
        values = _as_written(readings, channel)
        bright = np.isfinite(values) & (values > 20.0)
        peaks = pd.Series(values[bright]).groupby(intervals.day[bright]).quantile(0.95)
        if len(peaks) < 42:
            continue
        peaks.index = pd.DatetimeIndex(pd.to_datetime(np.asarray(intervals.days)[peaks.index.to_numpy()]))
        step = find_level_step(pd.Series(np.log(peaks.to_numpy()), index=peaks.index), seasonal=False)
        if step is None or not step.found or abs(step.size) < np.log(SCALE_LEAST_RATIO):
            continue
        factor, low, high = (float(np.exp(x)) for x in (step.size, step.size_low, step.size_high))
        label = channel.rsplit("_w_m2", 1)[0].replace("_", " ")
        seen.append(Seen(
            f"Light: the daily peaks of {label} stand at {factor:.1f} times the earlier ones from "
            f"{step.when.date()} on; the sun did not change.", "irradiance_sensor_fault", step.when.date(),
            step.when_low.date(), step.when_high.date(), peaks.index[-1].date(), "step", factor, low, high, "1",
            "reading over earlier reading", step.n_samples))
    return seen


def judge_closure(readings: SiteReadings, intervals: Intervals) -> list[Seen]:
    """Say how often global, direct and diffuse light agree with each other."""
    three = ("global_horizontal_irradiance_w_m2", "direct_normal_irradiance_w_m2", "diffuse_horizontal_irradiance_w_m2")
    if not all(readings.has(channel) for channel in three):
        return []
    sunny = intervals.sun_elevation_deg > 5.0
    known = sunny & readings.values[list(three)].notna().all(axis=1).to_numpy()
    if not known.any():
        return []
    doubt = (readings.masks[three[0]].to_numpy(dtype=np.int64) & int(Mask.SENSOR_DOUBT)) != 0
    share = float((doubt & known).sum() / known.sum())
    return [Seen(f"Light: global, direct and diffuse disagree in {share:.0%} of {int(known.sum())} sunny intervals.")]


def judge_flow(site: Site, readings: SiteReadings, intervals: Intervals) -> list[Seen]:
    """Say what the meter shows at standstill and when the flow stopped."""
    flow = readings.sound_array("flow_m3_s") if readings.has("flow_m3_s") else np.array([])
    known = np.isfinite(flow)
    if int(known.sum()) < 48:
        return []
    usual = float(np.nanmedian(flow[flow > 0.05 * np.nanmax(flow)]))
    low = known & (flow < STOP_RATIO * usual)
    seen = [Seen(f"Flow: usual value {usual * 1000:.1f} l/s over {int(known.sum())} readings.")]
    if not low.any():
        return seen
    floor = _floor(flow[low], usual)
    if floor > max(0.01 * usual, 1.5 * site.flow_meter.floor_m3_s):
        seen.append(Seen(f"Flow: the meter reads {floor * 1000:.2f} l/s, nearly constant, while nothing flows: a floor "
                         "of the meter, not water. Write it into the sheet as flow_meter.floor."))
    spans = _runs(low, intervals)
    said = "; ".join(f"{first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M}" for first, last in spans[:6])
    more = f" and {len(spans) - 6} more" if len(spans) > 6 else ""
    if spans:
        seen.append(Seen(f"Flow: stopped or far below usual {len(spans)} time(s), local time: {said}{more}.",
                         spans=tuple((first.date(), last.date(), "stopped") for first, last in spans)))
    return seen


def _floor(low_flow: Vector, usual: float) -> float:
    """Return what the lowest readings crowd at; 0 where they do not crowd."""
    lowest = np.quantile(low_flow, 0.05)
    near = low_flow[np.abs(low_flow - lowest) < 0.01 * usual]
    return float(np.median(near)) if near.size >= 4 else 0.0


def _runs(low: NDArray[np.bool_], intervals: Intervals) -> list[tuple[pd.Timestamp, pd.Timestamp]]:
    edge = np.diff(np.concatenate(([False], low, [False])).astype(np.int8))
    starts, ends = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1) - 1
    long_enough = ends - starts >= 2
    local = pd.DatetimeIndex(pd.to_datetime(np.asarray(intervals.days)[intervals.day])) + pd.to_timedelta(
        intervals.hour + intervals.hours / 2.0, unit="h").round("1min")
    return [(local[a], local[b]) for a, b in zip(starts[long_enough], ends[long_enough], strict=True)]


def lasting_change(readings: SiteReadings, timezone: str) -> LevelStep | None:
    """
    Return the one lasting change of the water level, sized by the years around it.

    The whole record says whether and when; a slow drift decades away must not set the size, so it is taken from
    `YEARS_AROUND` on either side wherever those show the change by themselves.
    """
    level = readings.sound("water_level_m")
    daily = level.set_axis(pd.DatetimeIndex(level.index).tz_convert(timezone).tz_localize(None)).resample("D").median()
    if len(daily) < LEAST_LEVEL_DAYS:
        return None
    whole = find_level_step(daily)
    if whole is None or not whole.found:
        return whole
    span = pd.DateOffset(years=YEARS_AROUND)
    near = find_level_step(daily[(daily.index >= whole.when_low - span) & (daily.index <= whole.when_high + span)])
    return near if near is not None and near.found else whole


def judge_level(readings: SiteReadings, timezone: str) -> list[Seen]:
    """Say whether the water stands lower or higher for good, since when and by how much."""
    if not readings.has("water_level_m"):
        return []
    step = lasting_change(readings, timezone)
    if step is None:
        return [Seen("Level: too short a record; below two years a season cannot be told from a change.")]
    if not step.found:
        return [Seen(f"Level: no lasting change beyond season and chance in {step.n_samples} days with readings.")]
    deeper = step.size > 0.0
    course = (f"in one step on {step.when.date()} (between {step.when_low.date()} and {step.when_high.date()})"
              if step.shape == "step" else f"over {step.takes_days / 365.25:.1f} years from {step.when.date()}")
    says = (f"Level: the water stands {abs(step.size):.2f} m {'deeper' if deeper else 'higher'} {course}, "
            f"95 % interval {min(abs(step.size_low), abs(step.size_high)):.2f} to "
            f"{max(abs(step.size_low), abs(step.size_high)):.2f} m.")
    if not deeper:
        return [Seen(says)]
    return [Seen(says, "falling_water_table", step.when.date(), step.when_low.date(), step.when_high.date(),
                 pd.Timestamp(readings.values.index[-1]).date(), step.shape, step.size, step.size_low,
                 step.size_high, "m", "metres deeper than before", step.n_samples)]


def judge_gaps(readings: SiteReadings, timezone: str) -> list[Seen]:
    """Say where a regular record has holes; irregular readings by hand have none."""
    stamps = pd.DatetimeIndex(readings.values.index)
    if len(stamps) < 24:
        return []
    apart = np.diff(stamps.as_unit("s").asi8).astype(np.float64)
    usual = float(np.median(apart))
    if float(np.mean(np.abs(apart - usual) < 0.01 * usual)) < 0.9:
        return [Seen("Record: readings come at irregular times; gaps are not judged.")]
    holes = np.flatnonzero(apart > 1.5 * usual)
    if holes.size == 0:
        return [Seen("Record: no gap.")]
    ends = stamps[holes + 1].tz_convert(timezone)
    longest = holes[np.argsort(apart[holes])[::-1][:3]]
    local = stamps.tz_convert(timezone)
    said = "; ".join(f"{apart[k] / 3600:.0f} h up to {local[k + 1]:%Y-%m-%d %H:%M}" for k in longest)
    return [Seen(f"Record: {holes.size} gap(s), the first ending {ends[0]:%Y-%m-%d %H:%M} and the last "
                 f"{ends[-1]:%Y-%m-%d %H:%M}; the longest: {said}.", n_samples=int(holes.size))]
