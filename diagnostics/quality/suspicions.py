"""
What whole channels betray: written in another unit, connected to each other's place, empty for a month.

A suspicion is evidence, not a mask: the values stay as they are and the causes unit_mistake and swapped_channels weigh
it against their rivals.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from pydantic import BaseModel, ConfigDict, Field

from diagnostics.quality.context import Context
from diagnostics.quality.runs import Floats
from diagnostics.quality.settings import QualitySettings
from diagnostics.site import Site
from diagnostics.units import convert


class SuspicionSettings(BaseModel):
    """Thresholds of the suspicions."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    least_samples: int = Field(default=200, ge=20, le=100_000, description="Values by day that a verdict needs.")
    factor_tolerance: float = Field(default=0.12, ge=0.02, le=0.3, description="Distance to a known factor; sheets and "
                                    "sensors together are good to about 10 %.")
    plausible_low: float = Field(default=0.35, ge=0.1, le=0.8, description="Measured over sheet that a fault or dull "
                                 "weather may still explain.")
    plausible_high: float = Field(default=1.5, ge=1.1, le=3, description="Measured over sheet that tolerances explain.")


@dataclass(frozen=True, slots=True)
class Suspicion:
    """One channel that does not look like what it is called."""

    kind: Literal["unit", "swap", "empty"]
    channel: str
    other: str
    factor: float
    samples: int
    says: str


# Channel -> (unit it may have been written in, factor by which the values are then too great). Exact definitions.
WRONG_UNITS: dict[str, tuple[tuple[str, str, str], ...]] = {
    "flow_m3_s": (("gal/min read as l/min", "l_min", "gpm_us"), ("l/min read as gal/min", "gpm_us", "l_min"),
                  ("imperial gal/min read as l/min", "l_min", "gpm_imp"), ("m3/h read as l/min", "l_min", "m3_h"),
                  ("l/min read as m3/h", "m3_h", "l_min"), ("l/s read as l/min", "l_min", "l_s"),
                  ("l/min read as l/s", "l_s", "l_min"), ("m3/h read as l/s", "l_s", "m3_h"),
                  ("l/s read as m3/h", "m3_h", "l_s"), ("gal/min read as l/s", "l_s", "gpm_us"),
                  ("gal/min read as m3/h", "m3_h", "gpm_us")),
    "water_level_m": (("feet read as metres", "m", "ft"), ("metres read as feet", "ft", "m"),
                      ("centimetres read as metres", "m", "cm"), ("metres read as centimetres", "cm", "m")),
    "tank_level_m": (("feet read as metres", "m", "ft"), ("metres read as feet", "ft", "m"),
                     ("centimetres read as metres", "m", "cm"), ("metres read as centimetres", "cm", "m")),
    "array_voltage_v": (("millivolts read as volts", "v", "mv"),),
    "array_current_a": (("milliamperes read as amperes", "a", "ma"),),
    "array_power_w": (("watts read as kilowatts", "kw", "w"), ("kilowatts read as watts", "w", "kw")),
}


def _factor(read_as: str, meant: str) -> float:
    """Return logged over true value where a number in `meant` was taken for one in `read_as`."""
    return float(convert(1.0, read_as, meant))


def _by_day(context: Context, channel: str, *, sunny: bool = True) -> Floats:
    values = context.channel(channel)
    if sunny:
        light = context.channel("poa_irradiance_w_m2")
        if not np.isfinite(light).any():
            light = context.channel("global_horizontal_irradiance_w_m2")
        with np.errstate(invalid="ignore"):
            use = light > 600.0 if np.isfinite(light).any() else context.elevation_deg > 35.0
        values = values[use]
    return values[np.isfinite(values)]


def _sheet_scale(context: Context, channel: str) -> tuple[float, Floats] | None:
    """Return what the sheet expects of a channel in good sun, and the measured values to hold against it."""
    site = context.site
    if channel == "flow_m3_s" and context.greatest_flow_m3_s:
        flow = _by_day(context, channel)
        return 0.7 * context.greatest_flow_m3_s, flow[flow > 0.0]
    if channel == "water_level_m" and site.well.static_water_level_m > 2.0:
        return site.well.static_water_level_m, _by_day(context, channel, sunny=False)
    if channel == "tank_level_m" and site.tank is not None:
        level = _by_day(context, channel, sunny=False)
        return site.tank.full_level_m, np.array([np.percentile(level, 98.0)] * len(level)) if len(level) else level
    if site.array is None:
        return None
    module = site.array.module
    if channel == "array_voltage_v":
        volts = _by_day(context, channel)
        return 0.9 * module.vmp_v * site.array.modules_in_series, volts[volts > 0.0]
    if channel == "array_current_a":
        amps = _by_day(context, channel)
        top = np.percentile(amps, 90.0) if len(amps) else 0.0
        return 0.8 * module.imp_a * site.array.strings_in_parallel, amps[amps > 0.3 * top]
    if channel == "array_power_w":
        power = _by_day(context, channel)
        top = np.percentile(power, 90.0) if len(power) else 0.0
        return 0.75 * site.array.nominal_power_w, power[power > 0.3 * top]
    return None


def unit_suspicions(site: Site, values: pd.DataFrame, interval_s: "pd.Series[float]", *,
                    settings: SuspicionSettings | None = None) -> list[Suspicion]:
    """
    Name channels whose size is off the sheet by a factor between two units.

    Parameters
    ----------
    site : Site
        Sheets that say how great the values should be.
    values : DataFrame, shape (n, channels)
        Values, UTC index at interval end; those out of range may be left in.
    interval_s : Series, shape (n,)
        [s]
    settings : SuspicionSettings, optional
        Thresholds.

    Returns
    -------
    suspicions : list of Suspicion
        The nearest factor for each channel that no plausible sheet error explains.
    """
    settings = settings or SuspicionSettings()
    context = Context(site, values, np.asarray(interval_s, dtype=np.float64), QualitySettings())
    found = []
    for channel, candidates in WRONG_UNITS.items():
        scale = _sheet_scale(context, channel) if context.has(channel) else None
        if scale is None or len(scale[1]) < settings.least_samples or scale[0] <= 0:
            continue
        ratio = float(np.median(scale[1])) / scale[0]
        if settings.plausible_low <= ratio <= settings.plausible_high:
            continue
        # A sheet tells the size of flow only roughly; a level or a voltage much better.
        allowed = 3.5 * settings.factor_tolerance if channel in ("flow_m3_s", "array_power_w") else 2.0 * (
            settings.factor_tolerance)
        near = sorted((abs(float(np.log(ratio / _factor(read_as, meant)))), says, _factor(read_as, meant))
                      for says, read_as, meant in candidates)
        close = [item for item in near if item[0] < np.log1p(allowed)]
        if close:
            words = ", or ".join(f"{says} ({factor:.4g})" for _, says, factor in close)
            found.append(Suspicion("unit", channel, "", round(close[0][2], 4), len(scale[1]),
                                   f"{channel} is {ratio:.3g} times what the sheet expects; that would be {words}."))
    return found + _temperature_suspicions(context, settings)


def _temperature_suspicions(context: Context, settings: SuspicionSettings) -> list[Suspicion]:
    """Recognise Fahrenheit read as Celsius: nights warmer than any night, and swings 1.8 times too wide."""
    found = []
    for channel in ("air_temperature_c", "module_temperature_c"):
        values = context.channel(channel)[context.elevation_deg < 0.0]
        values = values[np.isfinite(values)]
        if len(values) >= settings.least_samples and float(np.median(values)) > 45.0:
            found.append(Suspicion("unit", channel, "", 1.8, len(values),
                                   f"{channel} has a median of {np.median(values):.0f} degC by night, which is "
                                   f"{(np.median(values) - 32) / 1.8:.0f} degC if it is Fahrenheit."))
    return found


def swap_suspicions(site: Site, values: pd.DataFrame, interval_s: "pd.Series[float]", *,
                    settings: SuspicionSettings | None = None) -> list[Suspicion]:
    """
    Name pairs of channels that behave like each other's name.

    Parameters
    ----------
    site : Site
        Description of the site.
    values : DataFrame, shape (n, channels)
        UTC index at interval end.
    interval_s : Series, shape (n,)
        [s]
    settings : SuspicionSettings, optional
        Thresholds.

    Returns
    -------
    suspicions : list of Suspicion
        Array voltage and current: in sun a voltage is flat and a current follows the light. Module and air
        temperature: in sun a module is the warmer one.
    """
    settings = settings or SuspicionSettings()
    context = Context(site, values, np.asarray(interval_s, dtype=np.float64), QualitySettings())
    light = context.channel("poa_irradiance_w_m2")
    if not np.isfinite(light).any():
        light = context.channel("global_horizontal_irradiance_w_m2")
    found = []
    volts, amps = context.channel("array_voltage_v"), context.channel("array_current_a")
    with np.errstate(invalid="ignore"):
        use = np.isfinite(volts) & np.isfinite(amps) & (light > 150.0)
    for part in (volts, amps):      # with the pump at rest one of the two is nothing, and says nothing
        top = float(np.percentile(part[use], 95.0)) if use.any() else 0.0
        use &= np.nan_to_num(part) > 0.1 * top
    if use.sum() >= settings.least_samples and np.std(light[use]) > 80.0:
        follows_v = float(np.corrcoef(light[use], volts[use])[0, 1])
        follows_a = float(np.corrcoef(light[use], amps[use])[0, 1])
        spread_v = float(np.std(volts[use]) / np.mean(volts[use]))
        spread_a = float(np.std(amps[use]) / np.mean(amps[use]))
        if follows_v > 0.8 and spread_v > 2.0 * spread_a and follows_v > follows_a + 0.1:
            found.append(Suspicion("swap", "array_voltage_v", "array_current_a", 1.0, int(use.sum()),
                                   f"array_voltage_v follows the light (correlation {follows_v:.2f}) and "
                                   f"array_current_a does not ({follows_a:.2f}): the two look exchanged."))
    module, air = context.channel("module_temperature_c"), context.channel("air_temperature_c")
    with np.errstate(invalid="ignore"):
        sunny = np.isfinite(module) & np.isfinite(air) & (light > 600.0)
    if sunny.sum() >= settings.least_samples and float(np.median(module[sunny] - air[sunny])) < -5.0:
        found.append(Suspicion("swap", "module_temperature_c", "air_temperature_c", 1.0, int(sunny.sum()),
                               f"in strong sun the module is {np.median(air[sunny] - module[sunny]):.0f} K cooler than "
                               "the air: the two sensors look exchanged."))
    return found


def empty_months(values: pd.DataFrame, timezone: str) -> list[Suspicion]:
    """
    Name channels that say nothing for a whole month in which others speak: empty, or at one value.

    Parameters
    ----------
    values : DataFrame, shape (n, channels)
        UTC index at interval end.
    timezone : str
        Of the site, whose months are meant.

    Returns
    -------
    suspicions : list of Suspicion
        One a channel, with the months in words. A rain gauge at zero and a float that never rises say something.
    """
    if not len(values):
        return []
    month = pd.DatetimeIndex(values.index).tz_convert(timezone).strftime("%Y-%m")
    rows = pd.Series(1, index=values.index).groupby(month).sum()
    counts, distinct = values.groupby(month).count(), values.groupby(month).nunique()
    busy = rows[(rows > 100) & (counts.max(axis=1) > 0.3 * rows)].index
    found = []
    for channel in values.columns:
        may_rest = channel in ("rain_mm_rain", "tank_full_ratio", "low_water_ratio")
        empty = [item for item in busy if counts.loc[item, channel] == 0]
        single = [] if may_rest else [item for item in busy if counts.loc[item, channel] > 0.3 * rows[item]
                                      and distinct.loc[item, channel] == 1]
        for months, says in ((empty, "is empty"), (single, "stands at one value")):
            if months:
                found.append(Suspicion("empty", str(channel), "", 0.0, int(rows[months].sum()),
                                       f"{channel} {says} in {', '.join(months)} while other channels speak; is it "
                                       "connected, and mapped to the right column?"))
    return found
