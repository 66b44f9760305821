"""Causes in batteries and wind turbines."""

from diagnostics.causes.cause import Cause, Form, fixed

CAUSES: tuple[Cause, ...] = (
    Cause(
        code="battery_weak", label="The battery holds less", link="power source",
        moves="voltage before dawn sags further for the same day's use",
        forms=(Form("sags", fixed(0.03, 0.06, 0.1), direct=lambda s, setting: {"battery_low": -s},
                    applies=lambda setting: setting.site.battery is not None),),
        shapes={"ramp": 0.8, "step": 0.2}, prior=0.04, size_unit="1",
        size_means="sag of the pre-dawn voltage over nominal",
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
                    applies=lambda setting: setting.site.battery is not None),),
        shapes={"step": 0.8, "ramp": 0.2}, prior=0.03, size_unit="1",
        size_means="shortfall of the highest voltage of a day over nominal",
        test="Charger settings; array voltage at the charger in sun; highest battery voltage of a sunny day.",
        readings=("Charger stays in bulk, or its array input is wrong.",), parts=("charger", "fuses"),
        dangers=("E3", "E1"), owner_of_cause="installer", owner_action="Nothing to open.", urgency="two_weeks",
        needs=("battery_voltage_v",),
        look_alikes={"battery_weak": "highest voltage of a sunny day: reached means the battery"}),
    Cause(
        code="wind_source_fault", label="The wind turbine or its rectifier gives too little", link="power source",
        moves="power below the wind curve at every wind", forms=(
            Form("short", fixed(0.15, 0.33, 0.6, 1.0), direct=lambda s, setting: {"wind_power": -s},
                 applies=lambda setting: setting.site.wind is not None),),
        shapes={"step": 0.7, "ramp": 0.3}, prior=0.05, size_unit="1", size_means="share of the curve's power missing",
        test="Phase voltages at the rectifier in steady wind, by qualified riggers with the brake on before approach.",
        readings=("One phase dead: two thirds of the power; all low: blades or furling.",),
        parts=("rectifier", "slip rings"), dangers=("H1", "E2"), owner_of_cause="manufacturer of the turbine",
        owner_action="Stay away from the tower in wind.", urgency="two_weeks", needs=("wind_speed_m_s",),
        look_alikes={}),
)
