"""What cannot be: outside a channel's range, beyond the site's own sheets, at night, against the sun."""

import numpy as np

from diagnostics.quality.context import Context, Marks
from diagnostics.quality.runs import Flags, Floats
from diagnostics.quantities import CHANNELS
from diagnostics.readings import Mask

CURRENT_CHANNELS = ("array_current_a", "string_1_current_a", "string_2_current_a", "string_3_current_a",
                    "string_4_current_a")
IRRADIANCE_CHANNELS = ("poa_irradiance_w_m2", "global_horizontal_irradiance_w_m2",
                       "diffuse_horizontal_irradiance_w_m2", "direct_normal_irradiance_w_m2")


def mark_range(context: Context, marks: Marks) -> None:
    """Mark what no pump site can show, by the dictionary of channels."""
    for channel in context.values.columns:
        quantity, values = CHANNELS[str(channel)], context.channel(str(channel))
        with np.errstate(invalid="ignore"):
            marks.add(quantity.name, Mask.OUT_OF_RANGE, (values < quantity.low) | (values > quantity.high))


def mark_beyond_sheets(context: Context, marks: Marks) -> None:
    """Mark values that this site's array, pump, well or tank cannot give."""
    site, settings = context.site, context.settings
    with np.errstate(invalid="ignore"):
        if site.array is not None:
            open_circuit_v = site.array.module.voc_v * site.array.modules_in_series
            marks.add("array_voltage_v", Mask.IMPOSSIBLE,
                      context.channel("array_voltage_v") > settings.cold_voltage_ratio * open_circuit_v)
            string_a = settings.cloud_edge_current_ratio * site.array.module.isc_a
            for channel in CURRENT_CHANNELS:
                strings = site.array.strings_in_parallel if channel == "array_current_a" else 1
                marks.add(channel, Mask.IMPOSSIBLE, context.channel(channel) > strings * string_a)
            marks.add("array_power_w", Mask.IMPOSSIBLE, context.channel("array_power_w")
                      > settings.cloud_edge_current_ratio * site.array.nominal_power_w)
        greatest = context.greatest_flow_m3_s
        if greatest is not None:
            flow = context.channel("flow_m3_s")
            marks.add("flow_m3_s", Mask.IMPOSSIBLE, flow > settings.impossible_flow_ratio * greatest)
            marks.add("flow_m3_s", Mask.NEGATIVE_FLOW, flow < -settings.reverse_flow_ratio * greatest)
        if site.tank is not None:
            marks.add("tank_level_m", Mask.IMPOSSIBLE, context.channel("tank_level_m") > site.tank.height_m + 0.3)
        bottom = site.well.well_depth_m
        if bottom is not None:
            marks.add("water_level_m", Mask.IMPOSSIBLE, context.channel("water_level_m") > bottom + 1.0)


def mark_night(context: Context, marks: Marks) -> None:
    """Mark current, power and light while the sun is well below the horizon: the sensor's fault, or the clock's."""
    site, settings = context.site, context.settings
    if not any(context.has(channel) for channel in (*CURRENT_CHANNELS, "array_power_w", *IRRADIANCE_CHANNELS)):
        return
    night = context.is_night
    none = np.zeros(len(night), dtype=bool)
    electric, light = none.copy(), none.copy()
    bright: dict[str, Flags] = {}
    with np.errstate(invalid="ignore"):
        if site.array is not None:
            for channel in (*CURRENT_CHANNELS, "array_power_w"):
                strings = site.array.strings_in_parallel if channel == "array_current_a" else 1
                whole = site.array.nominal_power_w if channel == "array_power_w" else site.array.module.isc_a * strings
                bright[channel] = night & (context.channel(channel) > settings.night_current_ratio * whole)
                electric |= bright[channel]
        for channel in IRRADIANCE_CHANNELS:
            bright[channel] = night & (context.channel(channel) > settings.night_irradiance_w_m2)
            light |= bright[channel]
    # One sensor that sees light by night is wrong; light and current together say that it was day: the clock is wrong.
    by_clock = light & electric
    for channel, where in bright.items():
        marks.add(channel, Mask.CLOCK, where & by_clock)
        marks.add(channel, Mask.IMPOSSIBLE, where & ~by_clock)


def highest_irradiance_w_m2(context: Context, channel: str) -> Floats:
    """
    Highest irradiance that is physically possible (Long and Dutton, "BSRN Global Network recommended QC tests", 2002).

    Parameters
    ----------
    context : Context
        Site, readings and sun.
    channel : str
        One of the irradiance channels.

    Returns
    -------
    limit : ndarray of float64, shape (n,)
        Global: 1.5 Sa mu0^1.2 + 100; diffuse: 0.95 Sa mu0^1.2 + 50; direct: Sa. A plane that may face the sun when it
        stands low is held to 1.5 Sa + 100 while the sun is up. [W/m2]
    """
    normal = context.extraterrestrial_w_m2
    drop_deg = np.minimum(context.interval_s / 2.0 / 240.0, 10.0)   # the sun may stand higher within the interval
    if channel != "poa_irradiance_w_m2":
        mu = np.sin(np.radians(np.minimum(context.elevation_deg + drop_deg, 90.0)))
        return physically_possible_w_m2(channel, normal, mu)
    return np.where(context.elevation_deg + drop_deg > -1.0, 1.5 * normal + 100.0, 100.0)


def physically_possible_w_m2(channel: str, normal_w_m2: Floats, cos_zenith: Floats) -> Floats:
    """
    Upper limit of an irradiance on the level, or of direct light (Long and Dutton 2002, "physically possible").

    Parameters
    ----------
    channel : str
        Global, diffuse or direct irradiance.
    normal_w_m2 : ndarray of float64, shape (n,)
        Outside the atmosphere, normal to the sun. [W/m2]
    cos_zenith : ndarray of float64, shape (n,)
        Of the sun; below the horizon it counts as 0. [1]

    Returns
    -------
    limit : ndarray of float64, shape (n,)
        [W/m2]
    """
    mu = np.clip(cos_zenith, 0.0, None)
    if channel == "global_horizontal_irradiance_w_m2":
        return np.asarray(1.5 * normal_w_m2 * mu**1.2 + 100.0)
    if channel == "diffuse_horizontal_irradiance_w_m2":
        return np.asarray(0.95 * normal_w_m2 * mu**1.2 + 50.0)
    return np.asarray(normal_w_m2 * np.ones_like(mu))


def mark_irradiance(context: Context, marks: Marks) -> None:
    """Mark irradiance above what is physically possible, and components that do not add up."""
    for channel in IRRADIANCE_CHANNELS:
        if context.has(channel):
            with np.errstate(invalid="ignore"):
                marks.add(channel, Mask.OUT_OF_RANGE,
                          context.channel(channel) >= highest_irradiance_w_m2(context, channel))
    three = IRRADIANCE_CHANNELS[1:]
    if not all(context.has(channel) for channel in three):
        return
    settings, mu = context.settings, np.sin(np.radians(context.elevation_deg))
    globally, diffuse, direct = (context.channel(channel) for channel in three)
    with np.errstate(invalid="ignore", divide="ignore"):
        summed = direct * np.clip(mu, 0.0, None) + diffuse
        off = np.abs(globally / summed - 1.0)
        allowed = np.where(context.elevation_deg > 15.0, settings.closure_ratio_high_sun,
                           settings.closure_ratio_low_sun)
        open_closure = (summed > settings.closure_least_w_m2) & (context.elevation_deg > -3.0) & (off > allowed)
    for channel in three:
        marks.add(channel, Mask.SENSOR_DOUBT, open_closure)
