"""Causes in batteries and wind turbines."""

import math
from collections.abc import Mapping

from diagnostics.causes.cause import Cause, Form, Setting, fixed
from diagnostics.health import Health


def _gives(severity: float, setting: Setting) -> Mapping[str, float]:
    """
    Let the battery's voltage give more by the current as its capacity goes.

    Cells that lost a fifth of their capacity show a third to a half more resistance, common practice of battery
    testing; both go on together.
    """
    return {"battery_resistance": -1.6 * math.log(1.0 - severity)}


def _takes_less(severity: float, setting: Setting) -> Mapping[str, float]:
    """A charger that takes less than the array could give, whatever the sun."""
    if not setting.voltage_logged:
        return {f"power_{part}_sun": -severity for part in ("low", "mid", "high")}
    return {f"current_{part}_sun": -severity for part in ("low", "mid", "high")}


CAUSES: tuple[Cause, ...] = (
    Cause(
        code="battery_weak", label="The battery holds less", link="power source",
        moves="voltage before dawn sags further for the same day's use",
        forms=(Form("sags", fixed(0.03, 0.06, 0.1), direct=lambda s, setting: {"battery_low": -s},
                    applies=lambda setting: setting.site.battery is not None, weight=0.5),
               Form("gives", fixed(0.2, 0.35, 0.5, 0.7), direct=_gives,
                    loose={"battery_low": 0.03, "battery_high": 0.02},
                    applies=lambda setting: setting.site.battery is not None)),
        shapes={"ramp": 0.8, "step": 0.2}, prior=0.04, size_unit="1",
        size_means="sag of the pre-dawn voltage over nominal, or share of the capacity lost, by the form named",
        test="Load test; voltage of each cell or block at rest and under load.",
        readings=("One or more cells fall away under load.",), parts=("battery",), dangers=("E3", "E1"),
        owner_of_cause="manufacturer of the battery", owner_action="Nothing to open.", urgency="two_weeks",
        needs=("battery_voltage_v",),
        look_alikes={"charging_fault": "highest voltage of a sunny day: never at absorption means charging"}),
    Cause(
        code="charging_fault", label="The battery is not charged fully", link="power source",
        moves="never reaches absorption voltage on sunny days",
        forms=(Form("undercharged", fixed(0.03, 0.06, 0.1),
                    direct=lambda s, setting: {"battery_high": -s, "battery_low": -0.5 * s},
                    applies=lambda setting: setting.site.battery is not None),
               Form("takes less", fixed(0.15, 0.3, 0.5, 0.75, 1.0), direct=_takes_less,
                    loose={"battery_low": 0.04, "battery_high": 0.04,
                           "voltage_low_sun": 0.1, "voltage_mid_sun": 0.1, "voltage_high_sun": 0.1},
                    applies=lambda setting: setting.site.battery is not None and setting.site.array is not None)),
        shapes={"step": 0.8, "ramp": 0.2}, prior=0.03, size_unit="1",
        size_means="shortfall of the highest voltage of a day over nominal, or share of the array's current not taken",
        test="Charger settings; array voltage at the charger in sun; highest battery voltage of a sunny day.",
        readings=("Charger stays in bulk, or its array input is wrong.",), parts=("charger", "fuses"),
        dangers=("E3", "E1"), owner_of_cause="installer", owner_action="Nothing to open.", urgency="two_weeks",
        needs=("battery_voltage_v",),
        look_alikes={"battery_weak": "highest voltage of a sunny day: reached means the battery"}),
    Cause(
        code="wind_source_fault", label="The wind turbine or its rectifier gives too little", link="power source",
        moves="power below the wind curve at every wind", forms=(
            Form("short", fixed(0.15, 0.33, 0.6, 1.0), health=lambda s, setting: Health(tracking_ratio=1.0 - s),
                 applies=lambda setting: setting.site.wind is not None and setting.site.array is None),
            Form("short beside an array", fixed(0.15, 0.33, 0.6, 1.0),
                 direct=lambda s, setting: {"wind_power": -s, "wind_power_high": -s},
                 applies=lambda setting: setting.site.wind is not None and setting.site.array is not None),),
        shapes={"step": 0.7, "ramp": 0.3}, prior=0.05, size_unit="1", size_means="share of the curve's power missing",
        test="Phase voltages at the rectifier in steady wind, by qualified riggers with the brake on before approach.",
        readings=("One phase dead: two thirds of the power; all low: blades or furling.",),
        parts=("rectifier", "slip rings"), dangers=("H1", "E2"), owner_of_cause="manufacturer of the turbine",
        owner_action="Stay away from the tower in wind.", urgency="two_weeks", needs=("wind_speed_m_s",),
        look_alikes={}),
)
