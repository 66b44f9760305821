"""
Faults as they are planted: which cause, from when, in which shape, how large, and what they do to a true plant.

Every cause becomes hourly courses of the plant's own condition (`CONDITIONS`) or of its instruments (see
`instruments`). Size is in the unit named in `SIZE_MEANS`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Shape = Literal["step", "ramp", "seasonal", "intermittent", "day_one"]

# Condition of a true plant -> value while well.
CONDITIONS: dict[str, float] = {
    "light": 1.0, "open_strings": 0.0, "weak_live": 1.0, "weak_share": 0.0, "extra_ohm": 0.0, "shade": 0.0,
    "degraded_current": 1.0, "tracking": 1.0, "drive_efficiency": 1.0, "hot_derating": 0.0, "cap_ratio": 1.0,
    "drive_dead": 0.0, "extra_level_m": 0.0, "well_loss_ratio": 1.0, "aquifer_ratio": 1.0, "intake_ratio": 0.0,
    "delivery_ratio": 0.0, "extra_head_m": 0.0, "head_ratio": 1.0, "worn_leak": 0.0, "slip_ratio": 1.0,
    "volume_ratio": 1.0, "motor_ratio": 1.0, "riser_leak_ratio": 0.0, "drain_per_min": 0.0, "prime_loss": 0.0,
    "suction_need_extra_m": 0.0, "air_ratio": 0.0, "float_mode": 0.0, "tank_leak_per_day": 0.0, "off": 0.0,
    "battery_ratio": 1.0, "charge_ratio": 1.0, "wind_ratio": 1.0, "demand_ratio": 1.0,
}

SIZE_MEANS: dict[str, str] = {
    "soiled_array": "share of light lost a day (ramp) or at once (step)", "string_open": "strings open",
    "module_bypassed": "substrings bypassed in one string", "wiring_resistance": "ohm in the array line",
    "shaded_array": "share of substrings shaded in the affected sector",
    "array_degraded": "share of current lost", "off_mpp": "share of maximum power not taken",
    "drive_derated": "share of power lost at 10 K above the derating start", "drive_limited": "share off the cap",
    "drive_stopped": "1 dead, less: share of the day", "falling_water_table": "m deeper",
    "screen_fouled": "times the well loss", "low_water_cutout": "times the aquifer drawdown",
    "clogged_intake": "head lost at rated flow over rated head",
    "blocked_delivery": "head lost at rated flow over rated head",
    "worn_pump": "rotodynamic: recirculation over best flow; displacement: times the slip",
    "riser_leak": "leak at rated head over rated flow", "check_valve_leak": "share of the riser drained a minute",
    "lost_prime": "chance of losing prime at a morning start", "motor_fault": "share of motor efficiency lost",
    "wrong_head": "m of head more than described", "stuck_float": "1 stuck full, -1 stuck calling",
    "tank_leak": "share of a full tank lost a day", "overflow": "1: float never stops the pump",
    "meter_under_reading": "share not counted", "meter_over_reading": "share counted too much",
    "meter_stopped": "1", "totaliser_reset": "1", "irradiance_sensor_fault": "relative error",
    "temperature_sensor_fault": "K", "level_sensor_fault": "m", "electrical_sensor_fault": "relative error of current",
    "clock_shift": "minutes fast", "swapped_channels": "1", "unit_mistake": "factor", "logger_silent": "1",
    "battery_weak": "share of capacity lost", "charging_fault": "share of charge lost",
    "wind_source_fault": "share of wind power lost", "cavitation": "m of suction head missing",
    "air_in_line": "head lost after a stop over rated head", "tank_full": "demand over healthy delivery",
    "switched_off": "1",
}


@dataclass(frozen=True)
class PlantedFault:
    """
    One planted cause. Days count from the start of the simulation; `end_day` None means to the end.

    `ramp_days` is the time a ramp takes to reach `size`; `washes` are days on which an array was washed;
    `channel` names the channel an instrument fault sits on; `details` holds what one cause alone needs.
    """

    cause: str
    start_day: float = 0.0
    size: float = 1.0
    shape: Shape = "step"
    ramp_days: float = 30.0
    end_day: float | None = None
    washes: tuple[float, ...] = ()
    channel: str = ""
    details: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.cause not in SIZE_MEANS:
            raise ValueError(f"'{self.cause}' cannot be planted; known: {', '.join(SIZE_MEANS)}.")


def course(fault: PlantedFault, hours: Floats, rng: np.random.Generator) -> Floats:
    """
    Share of its full size that a fault has at each hour.

    Parameters
    ----------
    fault : PlantedFault
    hours : ndarray, shape (n,)
        Since the start of the simulation. [h]
    rng : numpy.random.Generator
        Decides the bursts of intermittent faults.

    Returns
    -------
    share : ndarray, shape (n,)
        0 to 1.
    """
    day = hours / 24.0
    share: Floats
    if fault.shape == "day_one":
        share = np.ones(day.size)
    elif fault.shape == "step":
        share = (day >= fault.start_day).astype(np.float64)
    elif fault.shape == "ramp":
        share = np.clip((day - fault.start_day) / fault.ramp_days, 0.0, 1.0) ** fault.details.get("bend", 1.0)
    elif fault.shape == "seasonal":
        half = 2.0 * fault.ramp_days
        share = np.where((day > fault.start_day) & (day < fault.start_day + half),
                         np.sin(np.pi * (day - fault.start_day) / half), 0.0)
    else:
        on = rng.random(hours.size // 6 + 1) < fault.details.get("share_of_time", 0.4)
        share = (np.repeat(on, 6)[:hours.size] & (day >= fault.start_day)).astype(np.float64)
    if fault.end_day is not None:
        share = np.where(day < fault.end_day, share, 0.0)
    return np.asarray(share, dtype=np.float64)


def dust_course(rain_mm: Floats, rate_per_day: Floats, *, washes: Sequence[float], limit: float = 0.35,
                sudden: Floats | None = None) -> Floats:
    """
    Share of light left on a dusty array: built up day by day, taken off by rain and by washing.

    Parameters
    ----------
    rain_mm, rate_per_day : ndarray, shape (days,)
        [mm], [1/day]
    washes : sequence of float
        Days of washing. [day]
    limit : float, default 0.35
        Build-up ends here. [1]
    sudden : ndarray, shape (days,), optional
        Dust that falls on one day. [1]

    Returns
    -------
    light : ndarray, shape (days,)
        [1]
    """
    washed = {int(w) for w in washes}
    light = np.empty_like(rain_mm)
    dirt = 0.004
    for day in range(rain_mm.size):
        dirt = min(limit, dirt + float(rate_per_day[day]) * (1.0 - dirt / limit * 0.5))
        if sudden is not None:
            dirt = max(dirt, float(sudden[day]))
        if rain_mm[day] >= 6.0:
            dirt *= 0.08
        elif rain_mm[day] >= 1.5:
            dirt *= 0.6
        if day in washed:
            dirt = 0.004
        light[day] = 1.0 - dirt
    return light


_PLAIN: dict[str, tuple[str, str]] = {
    "wiring_resistance": ("extra_ohm", "value"), "off_mpp": ("tracking", "less"),
    "drive_derated": ("hot_derating", "value"), "drive_limited": ("cap_ratio", "less"),
    "drive_stopped": ("drive_dead", "value"), "falling_water_table": ("extra_level_m", "value"),
    "screen_fouled": ("well_loss_ratio", "times"), "low_water_cutout": ("aquifer_ratio", "times"),
    "clogged_intake": ("intake_ratio", "value"), "blocked_delivery": ("delivery_ratio", "value"),
    "riser_leak": ("riser_leak_ratio", "value"), "check_valve_leak": ("drain_per_min", "value"),
    "lost_prime": ("prime_loss", "value"), "motor_fault": ("motor_ratio", "less"),
    "wrong_head": ("extra_head_m", "value"), "tank_leak": ("tank_leak_per_day", "value"),
    "battery_weak": ("battery_ratio", "less"), "charging_fault": ("charge_ratio", "less"),
    "wind_source_fault": ("wind_ratio", "less"), "cavitation": ("suction_need_extra_m", "value"),
    "air_in_line": ("air_ratio", "value"), "array_degraded": ("degraded_current", "less"),
    "string_open": ("open_strings", "value"), "shaded_array": ("shade", "value"),
    "tank_full": ("demand_ratio", "set"), "switched_off": ("off", "value"),
}


def conditions(faults: Sequence[PlantedFault], hours: Floats, rng: np.random.Generator, *, rain_mm: Floats,
               natural_dust_per_day: float, displacement: bool, substrings: float, strings: float,
               tilt_is_washed: Sequence[float] = ()) -> dict[str, Floats]:
    """
    Turn planted faults into hourly courses of the plant's condition; only those that leave health are returned.

    Parameters
    ----------
    faults : sequence of PlantedFault
    hours : ndarray, shape (n,)
        [h]
    rng : numpy.random.Generator
    rain_mm : ndarray, shape (days,)
        [mm]
    natural_dust_per_day : float
        Dust every array gathers. [1/day]
    displacement : bool
        Positive displacement: wear is slip instead of recirculation.
    substrings, strings : float
        Bypassed parts in one string, strings in parallel. [1]
    tilt_is_washed : sequence of float
        Days of routine washing. [day]

    Returns
    -------
    courses : dict of str to ndarray, shape (n,)
    """
    days = rain_mm.size
    rate, sudden = np.full(days, natural_dust_per_day), np.zeros(days)
    washes: list[float] = list(tilt_is_washed)
    out: dict[str, Floats] = {}
    for fault in faults:
        share = course(fault, hours, rng)
        if fault.cause == "soiled_array":
            daily = course(PlantedFault("soiled_array", fault.start_day, 1.0, "step", end_day=fault.end_day),
                           np.arange(days, dtype=np.float64) * 24.0 + 12.0, rng)
            if fault.shape == "step":
                sudden += fault.size * (np.arange(days) == int(fault.start_day))
            else:
                rate = rate + fault.size * daily
            washes.extend(fault.washes)
        elif fault.cause == "module_bypassed":
            out["weak_live"] = 1.0 - share * fault.size / substrings
            out["weak_share"] = np.where(share > 0, 1.0 / strings, 0.0)
        elif fault.cause == "worn_pump":
            if displacement:
                out["slip_ratio"] = 1.0 + share * (fault.size - 1.0)
                out["volume_ratio"] = 1.0 - share * fault.details.get("volume_lost", 0.0)
            else:
                out["worn_leak"] = share * fault.size
                out["head_ratio"] = 1.0 - share * fault.details.get("head_lost", 0.15 * fault.size)
        elif fault.cause in ("stuck_float", "overflow"):
            mode = 1.0 if fault.cause == "stuck_float" and fault.size > 0 else 2.0
            out["float_mode"] = np.where(share > 0, mode, 0.0)
        elif fault.cause in _PLAIN:
            name, how = _PLAIN[fault.cause]
            healthy = CONDITIONS[name]
            value = {"value": share * fault.size, "less": 1.0 - share * fault.size,
                     "times": 1.0 + share * (fault.size - 1.0),
                     "set": np.where(share > 0, fault.size, healthy)}[how]
            if name in out:
                value = np.maximum(out[name], value) if healthy == 0 else np.minimum(out[name], value)
            out[name] = value
    light = dust_course(rain_mm, rate, washes=washes, sudden=sudden)
    out["light"] = light[np.minimum((hours // 24).astype(np.int64), days - 1)]
    return out
