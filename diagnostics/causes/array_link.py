"""Causes in the array and its wiring."""

from collections.abc import Mapping

import numpy as np

from diagnostics.causes.cause import Cause, Form, Setting, fixed
from diagnostics.health import Health

# The sun's path moves by 2 to 3 degrees a week: what casts a shadow today casts it for weeks.
SHADE_LASTS_DAYS = 25
_POWER = ("array_current_a|array_power_w|flow_m3_s",)


def _light(severity: float, setting: Setting) -> Health:
    return Health(irradiance_ratio=1.0 - severity)


# How much of it falls on weak, middling or strong sun hangs on how high the obstacle reaches and on the season's sun;
# only the two sides of the day, set against each other, know nothing of that. Weak sun is mostly cloud, without shadow.
_SHADE_BY_SUN = {"low": 0.2, "mid": 0.15, "high": 0.1}


def _shade(sign: float, *, in_volts: bool = False) -> Form:
    """A soft shadow takes amperes; a hard one makes bypass diodes conduct, and the same power is missing in volts."""
    def shift(severity: float, setting: Setting) -> Mapping[str, float]:
        # A low obstacle takes the low sun on one side of the day and leaves noon alone. Weak and middling sun hold
        # about a fifth of half a day's energy: whoever takes more reaches into strong sun.
        names = ("power",) if not setting.voltage_logged else ("voltage",) if in_volts else ("current", "power")
        moved: dict[str, float] = {"power_morning_less_afternoon": -sign * severity}
        strong = 0.08 * severity + 0.7 * max(severity - 0.2, 0.0)
        for name in names:
            moved |= {f"{name}_mid_sun": -0.5 * severity, f"{name}_high_sun": -strong}
            if not in_volts:        # in the even light of weak sun no diode conducts
                moved[f"{name}_low_sun"] = -0.3 * severity
        if in_volts:
            moved["open_voltage"] = -0.25 * severity
        return moved | {"top_flow": -strong}

    loose = {f"{name}_{part}_sun": size for name in ("current", "voltage", "power")
             for part, size in _SHADE_BY_SUN.items()}
    # A drive that a hard shadow has stopped still draws its own supply, and that through the bypass diodes.
    loose |= {"open_voltage": 0.3, "stopped_share": 0.2, "stopped_open_share": 0.1}
    loose |= {"top_flow": 0.1, "power_hot_less_cool": 0.1, "voltage_hot_less_cool": 0.05}
    side = "morning" if sign > 0 else "afternoon"
    return Form(f"{side}, bypassed" if in_volts else side, fixed(0.08, 0.15, 0.25, 0.4, 0.6), direct=shift,
                loose=loose, applies=lambda setting: setting.voltage_logged or not in_volts)


def _low_shade(sign: float) -> Form:
    """A hill, fence or wall that only the low beam of one side meets: strong and middling sun know nothing of it."""
    return Form("morning, low" if sign > 0 else "afternoon, low", fixed(0.1, 0.2, 0.35),
                direct=lambda severity, setting: {"power_morning_less_afternoon": -sign * severity},
                loose={"current_low_sun": 0.06, "power_low_sun": 0.06, "voltage_low_sun": 0.03, "open_voltage": 0.03},
                weight=0.5)


def _shade_that_stops(sign: float) -> Form:
    """A hard shadow under which the array no longer holds the drive's voltage: that half of the clear day is gone."""
    return Form("morning, stops" if sign > 0 else "afternoon, stops", fixed(0.5, 1.0),
                direct=lambda severity, setting: {"power_morning_less_afternoon": -sign * severity,
                                                  "open_voltage": -0.25 * severity},
                loose={"open_voltage": 0.3, "stopped_share": 0.2, "stopped_open_share": 0.1, "top_flow": 0.1,
                       "power_hot_less_cool": 0.1, "voltage_hot_less_cool": 0.05, "current_low_sun": 0.1,
                       "current_mid_sun": 0.05, "voltage_low_sun": 0.05, "voltage_mid_sun": 0.03},
                applies=lambda setting: setting.voltage_logged, weight=0.5)


def _both_sides(severity: float, setting: Setting) -> Mapping[str, float]:
    name = "current" if setting.voltage_logged else "power"
    return {f"{name}_low_sun": -severity, f"{name}_mid_sun": -0.35 * severity, f"{name}_high_sun": -0.05 * severity}


def _open_shares(setting: Setting) -> tuple[float, ...]:
    count = setting.strings
    return tuple(k / count for k in range(1, min(count, 5))) if count > 1 else (1.0,)


def _strings(severity: float, setting: Setting) -> Health:
    return Health(strings_ratio=1.0 - severity) if setting.strings > 1 else Health()


def _one_at_a_time(severity: float, setting: Setting) -> float:
    """One string opens, or one diode shorts, far oftener than two together, and two oftener than three."""
    return 1.0 / severity**2


def _no_array(severity: float, setting: Setting) -> Mapping[str, float]:
    if setting.strings > 1:
        return {}
    return {"stopped_share": 1.0, "stopped_dead_share": 1.0, "open_voltage": -1.0}


def _substrings(setting: Setting) -> tuple[float, ...]:
    # One substring of one string out of several costs the array its mean share of that string's voltage.
    return tuple(k / setting.substrings for k in (1, 2, 3, 4, 6) if k / setting.substrings <= 0.5)


def _weak_string(severity: float, setting: Setting) -> tuple[float, float]:
    """
    Shift of voltage and current at the maximum power point when one of several strings lacks part of its voltage.

    Each string follows I/Isc = 1 - exp((V/Voc - 1)/a) with a = 0.07, the usual knee of a crystalline module; the weak
    one reaches only its live share of the voltage and passes nothing back beyond it.
    """
    volts = np.linspace(0.4, 1.0, 301)

    def string(live: float) -> np.ndarray:
        return np.maximum(1.0 - np.exp((volts / live - 1.0) / 0.07), 0.0)

    whole, weak = string(1.0), string(1.0 - severity)
    sound = int(np.argmax(volts * whole))
    both = (setting.strings - 1) * whole + weak
    now = int(np.argmax(volts * both))
    return float(volts[now] / volts[sound] - 1.0), float(both[now] / (setting.strings * whole[sound]) - 1.0)


def _one_weak(severity: float, setting: Setting) -> Mapping[str, float]:
    """Tracking drives follow the new maximum; see `_weak_held` for those that hold or load the array."""
    if setting.site.drive.kind not in ("tracking", "frequency"):
        return {}
    volts, amps = _weak_string(severity, setting)
    moved: dict[str, float] = {}
    for part in ("low", "mid", "high"):
        if setting.voltage_logged:
            moved |= {f"voltage_{part}_sun": volts, f"current_{part}_sun": amps}
        elif setting.power_logged:
            moved[f"power_{part}_sun"] = (1.0 + volts) * (1.0 + amps) - 1.0
    return moved


def _weak_held(severity: float, setting: Setting) -> Health:
    if setting.site.drive.kind in ("tracking", "frequency") and setting.power_logged:
        return Health()
    # At a voltage that stays, the weak string gives what its shortened curve leaves there, near 0.86 of open circuit.
    left = max(1.0 - float(np.exp((0.86 / (1.0 - severity) - 1.0) / 0.07)), 0.0) / 0.865
    return Health(strings_ratio=1.0 - (1.0 - left) / setting.strings)


def _in_one_string(setting: Setting) -> tuple[float, ...]:
    return tuple(k / setting.substrings for k in (1, 2, 3) if k / setting.substrings <= 0.7)


def _degraded(severity: float, setting: Setting) -> Health:
    return Health(irradiance_ratio=1.0 - 0.6 * severity, voltage_ratio=1.0 - 0.4 * severity)


def _wiring(severity: float, setting: Setting) -> Health:
    return Health(extra_series_resistance_ohm=severity * setting.array_resistance_ohm)


CAUSES: tuple[Cause, ...] = (
    Cause(
        code="soiled_array", label="Dirt on the modules", link="array",
        moves="less light reaches the cells: current falls by the same share at every sun, voltage hardly",
        forms=(Form("dust", fixed(0.05, 0.08, 0.12, 0.17, 0.24, 0.33, 0.5, 0.75), health=_light),),
        shapes={"ramp": 0.65, "step": 0.15, "day_one": 0.1, "intermittent": 0.05, "seasonal": 0.05}, prior=0.05,
        size_unit="1", size_means="share of the light that does not reach the cells",
        test="Wipe one module, or the irradiance sensor alone, in steady sun and compare the array current.",
        readings=("Array current rises by the stated share after washing in steady sun; voltage stays.",),
        parts=("soft brush", "clean water"), dangers=("E1", "H1"), owner_of_cause="user or operator",
        owner_action="Wash the modules with clean water in the cool hours. Do not walk on them, no cold water on hot "
                     "glass.", needs=_POWER, resets=True,
        look_alikes={"string_open": "string currents with a clamp meter: one at zero is an open string",
                     "irradiance_sensor_fault": "wipe the sensor alone: the ratio moves if the sensor was at fault",
                     "array_degraded": "wash: what remains after washing is ageing",
                     "electrical_sensor_fault": "clamp meter against the logged current"}),
    Cause(
        code="shaded_array", label="Shade on the array", link="array",
        moves="low sun on one side of the day, on clear days only",
        forms=(_shade(1.0), _shade(-1.0), _shade(1.0, in_volts=True), _shade(-1.0, in_volts=True),
               _shade_that_stops(1.0), _shade_that_stops(-1.0), _low_shade(1.0), _low_shade(-1.0),
               Form("both sides", fixed(0.1, 0.2, 0.35, 0.6), direct=_both_sides, weight=0.5)),
        shapes={"ramp": 0.4, "seasonal": 0.25, "step": 0.25, "day_one": 0.1}, prior=0.02, size_unit="1",
        least_days=SHADE_LASTS_DAYS,
        size_means="share of power lost in the shaded half of the day",
        test="Photograph the array at the hours named, and the horizon on that side.",
        readings=("A shadow lies on part of the array at those hours under clear sky.",), parts=("pruning saw",),
        dangers=("E1", "H1"), owner_of_cause="user or operator",
        owner_action="Look at the array early and late on a clear day: does a shadow fall on it?",
        needs=("array_current_a|array_power_w",),
        look_alikes={"clock_shift": "sunrise in the readings: it moves with a clock, not with shade",
                     "drive_derated": "array voltage in the weak hours: up is the drive, same or down is shade",
                     "irradiance_sensor_fault": "which of power and irradiance dips"}),
    Cause(
        code="string_open", label="A string of modules is disconnected", link="array",
        moves="current falls to k of N strings at every sun, voltage stays",
        forms=(Form("string", _open_shares, health=_strings, direct=_no_array, inexactness=0.5,
                    commonness=_one_at_a_time),),
        shapes={"step": 0.81, "day_one": 0.12, "intermittent": 0.07}, prior=0.03, size_unit="1",
        size_means="share of the strings disconnected",
        test="Clamp meter on every string in steady sun; compare the strings.",
        readings=("One string carries no current while the others agree within about 5 %.",),
        parts=("string fuses", "matching connectors and crimp tool", "module cable"), dangers=("E1",),
        owner_of_cause="installer", owner_action="Look from the ground whether a cable hangs loose. Touch nothing.",
        urgency="two_weeks", needs=_POWER,
        look_alikes={"soiled_array": "string currents with a clamp meter: one at zero is an open string",
                     "electrical_sensor_fault": "clamp meter against the logged current",
                     "drive_stopped": "array voltage at the drive: zero means the array side is open"}),
    Cause(
        code="module_bypassed", label="A module or a part of one is shorted out", link="array",
        moves="a fixed share of the voltage is gone at every sun",
        forms=(Form("substring", _substrings, health=lambda s, setting: Health(voltage_ratio=1.0 - s),
                    weight=1.0, commonness=_one_at_a_time),
               Form("substring of one string", _in_one_string, health=_weak_held, direct=_one_weak, weight=2.0,
                    commonness=_one_at_a_time,
                    applies=lambda setting: setting.strings > 1)),
        shapes={"step": 0.85, "day_one": 0.1, "intermittent": 0.05}, prior=0.02, size_unit="1",
        size_means="share of the array's voltage lost",
        test="Open-circuit voltage of every string at a known module temperature, drive off.",
        readings=("One string is short by a third of a module's voltage, or by whole thirds.",),
        parts=("spare module of the same class",), dangers=("E1",), owner_of_cause="manufacturer of the modules",
        owner_action="Look from the ground for broken glass. Touch nothing.", urgency="two_weeks",
        needs=_POWER,
        look_alikes={"wiring_resistance": "voltage deficit against current: fixed is a module, growing is a joint",
                     "temperature_sensor_fault": "infrared thermometer on the module's back",
                     "electrical_sensor_fault": "voltmeter at the drive against the logged voltage",
                     "soiled_array": "wash: droppings on single cells go with washing"}),
    Cause(
        code="array_degraded", label="Modules have aged", link="array",
        moves="current and some voltage, slowly and for good",
        forms=(Form("ageing", fixed(0.06, 0.1, 0.16, 0.25), health=_degraded),),
        shapes={"day_one": 0.6, "ramp": 0.4}, prior=0.008, size_unit="1", size_means="share of nominal power lost",
        test="Current-voltage curve of the clean array, in steady strong sun.",
        readings=("Power of the clean array is short of the label beyond its tolerance and yearly allowance.",),
        parts=(), dangers=("E1",), owner_of_cause="manufacturer of the modules", owner_action="Nothing to do.",
        urgency="information", needs=_POWER,
        look_alikes={"soiled_array": "wash: what remains after washing is ageing",
                     "irradiance_sensor_fault": "compare the sensor with a calibrated one"}),
    Cause(
        code="wiring_resistance", label="A joint or cable of the array has resistance", link="array",
        moves="a voltage deficit that grows with current: nothing at dawn, worst at noon",
        forms=(Form("joint", fixed(0.04, 0.07, 0.11, 0.17, 0.26, 0.4), health=_wiring,
                    size=lambda s, setting: s * setting.array_resistance_ohm),),
        shapes={"ramp": 0.48, "step": 0.3, "intermittent": 0.1, "day_one": 0.12}, prior=0.02, size_unit="ohm",
        size_means="extra resistance in the array's wiring",
        test="Voltage at both ends of the cable under load near noon; infrared picture of the joints.",
        readings=("Volts are lost across one joint or run, and it is warm.",),
        parts=("connectors", "lugs", "cable", "torque screwdriver"), dangers=("E1",), owner_of_cause="installer",
        owner_action="If a box or cable smells burnt or looks brown, stay away and call.", urgency="two_weeks",
        needs=_POWER,
        look_alikes={"module_bypassed": "voltage deficit against current: fixed is a module, growing is a joint",
                     "off_mpp": "restart in clear sun: a latched tracker lets go, a joint does not",
                     "temperature_sensor_fault": "infrared thermometer on the module's back"}),
)
