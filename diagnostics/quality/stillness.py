"""Values that repeat, run straight or jump there and back where nature does not."""

import numpy as np

from diagnostics.quality.context import Context, Marks
from diagnostics.quality.runs import Flags, Floats, Runs, equal_steps, resolution, there_and_back
from diagnostics.readings import Mask

SLOW_CHANNELS = ("air_temperature_c", "module_temperature_c", "drive_temperature_c", "battery_voltage_v")
# What the sun drives: the same value by day and in the dark cannot be.
SUN_DRIVEN = ("array_voltage_v", "array_current_a", "array_power_w", "string_1_current_a", "string_2_current_a",
              "string_3_current_a", "string_4_current_a")
PUMP_DRIVEN = ("flow_m3_s", "pump_speed_rpm", "drive_frequency_hz", "motor_voltage_v", "motor_current_a")
STRAIGHT_CHANNELS = ("poa_irradiance_w_m2", "global_horizontal_irradiance_w_m2", "diffuse_horizontal_irradiance_w_m2",
                     "direct_normal_irradiance_w_m2", "air_temperature_c", "module_temperature_c", "array_voltage_v",
                     "array_current_a", "array_power_w", "flow_m3_s")


def _elapsed_s(context: Context) -> Floats:
    """Length of each row, at most what lies between its stamp and the one before."""
    return context.interval_s


def mark_stuck(context: Context, marks: Marks) -> None:
    """Mark runs of exactly equal values that healthy behaviour of the channel cannot explain."""
    _mark_stuck_light(context, marks)
    _mark_stuck_slow(context, marks)
    _mark_stuck_through_night(context, marks)
    _mark_stuck_fine(context, marks)
    _mark_stuck_through_pumping(context, marks)
    _mark_stuck_tank(context, marks)
    _mark_frozen_total(context, marks)


def _mark_stuck_light(context: Context, marks: Marks) -> None:
    settings = context.settings
    for channel in STRAIGHT_CHANNELS[:4]:
        if not context.has(channel):
            continue
        values = context.channel(channel)
        # Direct light is truly zero all day under thick cloud; the others never are by day.
        by_day = context.is_day & ((values > 5.0) if channel.startswith("direct") else np.isfinite(values))
        runs = context.runs(channel)
        day_s = runs.sums(np.where(by_day, _elapsed_s(context), 0.0))
        count = runs.sums(by_day.astype(np.float64))
        marks.add(channel, Mask.STUCK, runs.marked((day_s >= settings.stuck_irradiance_s)
                                                   & (count >= settings.stuck_samples)))


def _mark_stuck_slow(context: Context, marks: Marks) -> None:
    settings = context.settings
    for channel in (*SLOW_CHANNELS, "wind_speed_m_s", "rain_mm_rain"):
        if not context.has(channel):
            continue
        values = context.channel(channel)
        runs = context.runs(channel)
        coarse = channel == "battery_voltage_v" or context.resolution(channel) > 0.2
        limit = settings.stuck_coarse_s if coarse else settings.stuck_slow_s
        stuck = (runs.sums(_elapsed_s(context)) >= limit) & (runs.lengths >= 2 * settings.stuck_samples)
        if channel in ("wind_speed_m_s", "rain_mm_rain"):
            stuck &= runs.at(values) > 0.0       # calm and dry weather last
        marks.add(channel, Mask.STUCK, runs.marked(stuck))


def _mark_stuck_through_night(context: Context, marks: Marks) -> None:
    """Mark a value, not zero, that stays exactly the same from daylight into the night or out of it."""
    settings = context.settings
    for channel in (*SUN_DRIVEN, *PUMP_DRIVEN):
        if not context.has(channel) or (channel in PUMP_DRIVEN and context.runs_by_night):
            continue
        values = context.channel(channel)
        runs = context.runs(channel)
        if not len(runs.starts):
            continue
        night = runs.sums(context.is_night.astype(np.float64)) > 0
        day = runs.sums(context.is_day.astype(np.float64)) > 0
        lively = np.abs(runs.at(values)) > 0.02 * np.nanmax(np.abs(values))
        marks.add(channel, Mask.STUCK, runs.marked(night & day & lively & (runs.lengths >= settings.stuck_samples)))


def _mark_stuck_fine(context: Context, marks: Marks) -> None:
    """Mark current and power that repeat exactly although their sensor resolves far less than their changes."""
    settings = context.settings
    for channel in SUN_DRIVEN[1:]:
        if not context.has(channel):
            continue
        values = context.channel(channel)
        highest = float(np.nanmax(np.abs(values))) if np.isfinite(values).any() else 0.0
        if not 0.0 < context.resolution(channel) < settings.fine_resolution_ratio * highest:
            continue
        runs = context.runs(channel)
        lively = np.abs(runs.at(values)) > 0.005 * highest
        marks.add(channel, Mask.STUCK, runs.marked(lively & (runs.lengths >= settings.stuck_samples)
                                                   & (runs.sums(_elapsed_s(context)) >= settings.stuck_fine_s)))


def _switches(pumping: Flags, runs: Runs) -> Flags:
    """Tell which runs hold a start or a stop of the pump."""
    switch = np.zeros(len(pumping))
    switch[1:] = np.diff(pumping.astype(np.int8)) != 0
    return runs.sums(switch) > 0


def _mark_stuck_through_pumping(context: Context, marks: Marks) -> None:
    well = context.site.well
    settings, pumping = context.settings, context.is_pumping
    for channel in ("water_level_m", "outlet_pressure_pa", "suction_pressure_pa"):
        draws_down = well.kind != "open" and (well.drawdown_linear_s_m2 > 0 or well.drawdown_quadratic_s2_m5 > 0)
        if not context.has(channel) or (channel == "water_level_m" and not draws_down):
            continue
        runs = context.runs(channel)
        pumped_s = runs.sums(np.where(pumping, _elapsed_s(context), 0.0))
        marks.add(channel, Mask.STUCK, runs.marked((pumped_s >= settings.stuck_pumping_s) & _switches(pumping, runs)
                                                   & (runs.lengths >= 2 * settings.stuck_samples)))


def _mark_stuck_tank(context: Context, marks: Marks) -> None:
    """Mark a standing level below full into which enough water was metered to lift it, with no draw known."""
    tank = context.site.tank
    if tank is None or not context.has("tank_level_m") or not context.has("flow_m3_s") or tank.diameter_m is None:
        return
    level, flow = context.channel("tank_level_m"), np.nan_to_num(context.channel("flow_m3_s"))
    area_m2 = np.pi / 4.0 * max(tank.diameter_m, tank.top_diameter_m or 0.0) ** 2
    if tank.shape == "horizontal_cylinder":
        area_m2 = tank.diameter_m * (tank.length_m or tank.diameter_m)
    runs = context.runs("tank_level_m")
    inflow_m3 = runs.sums(flow * _elapsed_s(context))
    draw_m3 = runs.sums(np.nan_to_num(context.channel("draw_flow_m3_s")) * _elapsed_s(context))
    below_full = runs.at(level) < tank.full_level_m - 0.1
    marks.add("tank_level_m", Mask.STUCK, runs.marked(
        below_full & (runs.lengths >= 2 * context.settings.stuck_samples)
        & ((inflow_m3 - draw_m3) / area_m2 > 3.0 * context.settings.tank_step_m)))


def _mark_frozen_total(context: Context, marks: Marks) -> None:
    """Mark a meter total that stands while a flow of its own, logged beside it, has moved on."""
    if not context.has("meter_total_m3") or not context.has("flow_m3_s"):
        return
    total, flow = context.channel("meter_total_m3"), np.nan_to_num(context.channel("flow_m3_s"))
    runs = context.runs("meter_total_m3")
    # the flow of a run's first interval had passed when its total was read
    passed_m3 = runs.sums(flow * _elapsed_s(context), skip_first=True)
    coarse_m3 = 10.0 * resolution(total)
    marks.add("meter_total_m3", Mask.STUCK, runs.marked((passed_m3 > max(coarse_m3, 1e-3))
                                                        & (runs.lengths >= 2 * context.settings.stuck_samples)))


def mark_straight(context: Context, marks: Marks) -> None:
    """
    Mark straight lines that somebody's software drew over a gap.

    Steps that are small beside the sensor's rounding say nothing: a clear morning then rises in equal steps.
    """
    samples = context.settings.interpolated_samples
    for channel in STRAIGHT_CHANNELS:
        if context.has(channel):
            values = context.channel(channel)
            coarse = context.settings.straight_step_ratio * context.resolution(channel)
            # Over a long stretch even steps as small as the rounding cannot all be equal.
            straight = equal_steps(values, samples, coarse) | equal_steps(
                values, 4 * samples, 1e-9 * float(np.nanmax(np.abs(values), initial=1.0)))
            if channel.endswith("irradiance_w_m2"):
                with np.errstate(invalid="ignore"):     # the thermal offset of a dark pyranometer creeps evenly
                    straight &= values > context.settings.night_irradiance_w_m2
            marks.add(channel, Mask.INTERPOLATED, straight)


def mark_spikes(context: Context, marks: Marks) -> None:
    """Mark values of slow channels that leave and return within one interval."""
    settings, site = context.settings, context.site
    steps = {"air_temperature_c": settings.spike_air_temperature_k,
             "module_temperature_c": settings.spike_module_temperature_k,
             "tank_level_m": settings.spike_tank_level_m}
    if site.battery is not None:
        steps["battery_voltage_v"] = settings.spike_battery_v_ratio * site.battery.nominal_voltage_v
    for channel, step in steps.items():
        if context.has(channel):
            marks.add(channel, Mask.SPIKE, there_and_back(context.channel(channel), step))
    if context.has("water_level_m"):
        near = context.is_pumping.copy()
        near[1:] |= context.is_pumping[:-1]
        near[:-1] |= context.is_pumping[1:]
        spike = there_and_back(context.channel("water_level_m"), settings.spike_water_level_m)
        marks.add("water_level_m", Mask.SPIKE, spike & ~near)
    if context.has("meter_total_m3"):
        total = context.channel("meter_total_m3")
        greatest = context.greatest_flow_m3_s
        hours = float(np.nanmedian(context.interval_s)) / 3600.0 if len(total) else 0.0
        step = max(1.0, 3600.0 * hours * 5.0 * (greatest or 0.01))
        marks.add("meter_total_m3", Mask.SPIKE, there_and_back(total, step))
