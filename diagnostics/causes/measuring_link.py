"""Causes in meters, sensors, clock and logger. They cost no water, and come before any lift."""

from collections.abc import Mapping

from diagnostics.causes.cause import Cause, Form, Misreading, Setting, fixed

_SENSOR_OWNER = "whoever owns the measuring"


def _flow_factor(factor: float) -> Misreading:
    return Misreading(flow=factor)


def _stands(severity: float, setting: Setting) -> Mapping[str, float]:
    # With power logged the chain itself shows the dry hours; without it the site only seems to stand.
    return {} if setting.power_logged else {"stopped_share": 1.0}


_EXCHANGED = dict.fromkeys(
    ("current_low_sun", "current_mid_sun", "current_high_sun", "voltage_low_sun", "voltage_mid_sun",
     "voltage_high_sun", "impossible_share", "stopped_share", "stopped_open_share", "stopped_dead_share",
     "night_current", "night_voltage"), 3.0)


def _current_zero(severity: float, setting: Setting) -> Mapping[str, float]:
    return {"night_current": severity, "current_low_sun": 4.0 * severity, "current_mid_sun": 2.0 * severity,
            "current_high_sun": 1.2 * severity}


def _voltage_zero(severity: float, setting: Setting) -> Mapping[str, float]:
    return {"night_voltage": severity, "voltage_low_sun": severity, "voltage_mid_sun": severity,
            "voltage_high_sun": severity}


# Readings at the wrong hour see light at night and dark by day, and every expectation stands at another sun.
_MISPLACED = {"night_voltage": 0.15, "night_current": 0.05, "night_flow": 0.05, "power_morning_less_afternoon": 0.08,
              "current_low_sun": 0.15, "current_mid_sun": 0.08, "current_high_sun": 0.05, "voltage_low_sun": 0.05,
              "voltage_mid_sun": 0.03, "stopped_share": 0.2, "stopped_open_share": 0.1, "stopped_dead_share": 0.1,
              "dry_share": 0.1, "static_level": 0.05, "drawdown": 0.02, "night_loss": 0.1, "clear_sky": 0.2,
              "cycling": 0.2, "flow_low_power": 0.1, "flow_low_sun": 0.2, "flow_mid_sun": 0.1, "battery_low": 0.05,
              "module_temperature": 0.2, "fill_volume": 1.0, "swapped_share": 0.05, "start_power": 0.2}


def _hangs_in_air(severity: float, setting: Setting) -> Mapping[str, float]:
    """A sensor that has come off lacks the sun's warmth by day; at night it is as cool as a module."""
    return {"module_temperature": -severity / 25.0, "night_temperature": severity / 25.0,
            "night_module_less_air": severity / 25.0}


def _warm_air(severity: float, setting: Setting) -> Mapping[str, float]:
    """An air sensor beside a module's: cells are reckoned from the other, and the two stand apart day and night."""
    return {"module_temperature": -severity / 25.0, "night_module_less_air": -severity / 25.0}


def _late(severity: float, setting: Setting) -> Mapping[str, float]:
    return {"clock": severity}


CAUSES: tuple[Cause, ...] = (
    Cause(
        code="meter_under_reading", group="meter", label="The water meter reads low", link="measuring",
        moves="metered flow low by the same share at every power; tank and drawdown see the true flow",
        forms=(Form("low", fixed(0.06, 0.1, 0.16, 0.25, 0.4, 0.6),
                    misreading=lambda s, setting: _flow_factor(1.0 - s), inexactness=0.4),),
        shapes={"ramp": 0.45, "step": 0.35, "day_one": 0.2}, prior=0.025, size_unit="1",
        size_means="share of the true flow not shown", test="Bucket and stopwatch, at two flows, five minutes each.",
        readings=("The bucket fills faster than the meter says by the stated share.",), parts=("spare meter",),
        dangers=("W1",), owner_of_cause=_SENSOR_OWNER, owner_action="Nothing to do.", needs=("flow_m3_s",),
        kind="sensor",
        look_alikes={"clogged_intake": "bucket and stopwatch at the outlet",
                     "blocked_delivery": "bucket and stopwatch at the outlet",
                     "worn_pump": "bucket and stopwatch at the outlet",
                     "screen_fouled": "bucket and stopwatch at the outlet"}),
    Cause(
        code="meter_over_reading", group="meter", label="The water meter reads high", link="measuring",
        moves="metered flow above what the power can lift; the tank gains less than metered",
        forms=(Form("high", fixed(0.08, 0.15, 0.3, 0.6, 1.0),
                    misreading=lambda s, setting: _flow_factor(1.0 + s), inexactness=0.4),
               Form("counts at rest", fixed(0.02, 0.06, 0.2), weight=0.4,
                    direct=lambda s, setting: {"night_flow": s})),
        shapes={"step": 0.6, "day_one": 0.3, "intermittent": 0.1}, prior=0.015, size_unit="1",
        size_means="share shown beyond the true flow",
        test="Bucket and stopwatch; watch the pulse count with the pump at rest.",
        readings=("The bucket fills slower than the meter says; counts come at rest or double.",),
        parts=("spare meter", "debounced cable"), dangers=("W1",), owner_of_cause=_SENSOR_OWNER,
        owner_action="Nothing to do.", needs=("flow_m3_s",), kind="sensor",
        look_alikes={"unit_mistake": "factor: 3.785, 4.546, 16.67 or 60 is a unit",
                     "tank_leak": "level with outlets shut: holds means the meter"}),
    Cause(
        code="meter_stopped", group="meter", label="The water meter stands while water flows", link="measuring",
        moves="no metered water at normal power, drawdown and pressure, while the tank rises",
        forms=(Form("stands", fixed(1.0), misreading=lambda s, setting: _flow_factor(0.0), direct=_stands),),
        shapes={"step": 0.8, "intermittent": 0.2}, prior=0.03, size_unit="1", size_means="share of the flow not shown",
        test="Look at the outlet while the meter stands; rinse the meter's strainer; check its cable.",
        readings=("Water runs at the outlet and the meter stands.",), parts=("spare meter", "pulse cable"),
        dangers=("W1",), owner_of_cause=_SENSOR_OWNER,
        owner_action="Look at the tank inlet on a sunny noon: does water run?", urgency="two_weeks",
        needs=("flow_m3_s",),
        kind="sensor",
        look_alikes={"drive_stopped": "look at the outlet: water runs while the meter stands",
                     "lost_prime": "look at the outlet: water runs while the meter stands",
                     "blocked_delivery": "look at the outlet: water runs while the meter stands",
                     "riser_leak": "look at the outlet: water runs while the meter stands",
                     "worn_pump": "look at the outlet: water runs while the meter stands"}),
    Cause(
        code="totaliser_reset", label="The meter total was reset or rolled over", link="measuring",
        moves="the total jumps by what no water can make",
        forms=(Form("step", fixed(1.0), direct=lambda s, setting: {"total_reset": s}),),
        shapes={"intermittent": 1.0}, prior=0.01, size_unit="1", size_means="impossible steps a day",
        test="Serial number and reading of the meter against the last visit.",
        readings=("Another serial number, or a total near zero.",), parts=(), dangers=(),
        owner_of_cause=_SENSOR_OWNER, owner_action="Nothing to do.", urgency="information", kind="rule",
        needs=("meter_total_m3|flow_m3_s",), look_alikes={}),
    Cause(
        code="irradiance_sensor_fault", label="The irradiance sensor reads wrong", link="measuring",
        moves="array power too good or too poor for the sun shown, and the sun shown off the clear sky",
        forms=(Form("low", fixed(0.07, 0.12, 0.2, 0.33, 0.5),
                    misreading=lambda s, setting: Misreading(irradiance=1.0 - s)),
               Form("high", fixed(0.08, 0.15, 0.3, 0.6), weight=0.5, washes_off=False,
                    misreading=lambda s, setting: Misreading(irradiance=1.0 + s))),
        shapes={"ramp": 0.5, "step": 0.35, "day_one": 0.15}, prior=0.03, size_unit="1",
        size_means="share by which the sensor is off",
        test="Wipe and level the sensor; compare with a hand-held one in the same plane.",
        readings=("The reading moves with wiping or levelling by the stated share.",),
        parts=("spare sensor",), dangers=("H1",), owner_of_cause=_SENSOR_OWNER,
        # What is left by sun and hour beside a light that is known to be wrong is that light's own error.
        bears_against=(("shaded_array", "both sides"), ("shaded_array", "morning, low"),
                       ("shaded_array", "afternoon, low")),
        owner_action="Wipe the small sun sensor gently if it can be reached from the ground.",
        needs=("poa_irradiance_w_m2|global_horizontal_irradiance_w_m2",), kind="sensor", resets=True,
        look_alikes={"soiled_array": "wipe the sensor alone: the ratio moves if the sensor was at fault",
                     "electrical_sensor_fault": "clamp meter against the logged current"}),
    Cause(
        code="temperature_sensor_fault", label="A temperature sensor is wrong or has come off",
        link="measuring", moves="temperature off that of air, sun and season; array voltage off by its coefficient",
        forms=(Form("low", fixed(8.0, 12.0, 18.0, 27.0, 38.0),
                    misreading=lambda s, setting: Misreading(module_temperature_k=-s),
                    direct=lambda s, setting: {"module_temperature": -s / 25.0}),
               Form("high", fixed(8.0, 12.0, 18.0, 27.0, 38.0),
                    misreading=lambda s, setting: Misreading(module_temperature_k=s),
                    direct=lambda s, setting: {"module_temperature": s / 25.0}),
               Form("come off", fixed(10.0, 20.0), direct=_hangs_in_air, weight=0.7,
                    misreading=lambda s, setting: Misreading(module_temperature_k=-s),
                    applies=lambda setting: setting.module_sensed),
               Form("air", fixed(-38.0, -27.0, -18.0, -12.0, -8.0, 8.0, 12.0, 18.0, 27.0, 38.0), direct=_warm_air,
                    applies=lambda setting: setting.module_sensed and setting.air_sensed)),
        shapes={"step": 0.8, "day_one": 0.2}, prior=0.018, size_unit="K", size_means="kelvin by which it is off",
        test="Infrared thermometer on the module's back beside the sensor, or one in the shade beside that of the air; "
             "look whether a module's sensor still sticks.",
        readings=("Sensor and thermometer differ by the stated kelvin.",), parts=("sensor", "thermal glue"),
        dangers=("E1", "H1"), owner_of_cause=_SENSOR_OWNER, owner_action="Nothing to do.",
        urgency="information", needs=("module_temperature_c|air_temperature_c",), kind="sensor",
        look_alikes={"module_bypassed": "infrared thermometer on the module's back"}),
    Cause(
        code="level_sensor_fault", label="The level sensor is off", link="measuring",
        moves="level shifts while power, flow and speed say it did not",
        forms=(Form("well deeper", fixed(0.05, 0.1, 0.2, 0.35),
                    misreading=lambda s, setting: Misreading(level_m=s * setting.head_m),
                    size=lambda s, setting: s * setting.head_m, applies=lambda setting: setting.level_logged),
               Form("well higher", fixed(0.05, 0.1, 0.2, 0.35),
                    misreading=lambda s, setting: Misreading(level_m=-s * setting.head_m),
                    size=lambda s, setting: -s * setting.head_m, applies=lambda setting: setting.level_logged)),
        shapes={"step": 0.5, "ramp": 0.4, "day_one": 0.1}, prior=0.015, size_unit="m",
        size_means="metres by which the level reads deeper", test="Dip by hand beside the sensor.",
        readings=("Hand and sensor differ by the stated metres.",), parts=("level sensor", "vent desiccant"),
        dangers=("C1",), owner_of_cause=_SENSOR_OWNER, owner_action="Nothing to do.", urgency="information",
        needs=("water_level_m",), kind="sensor",
        look_alikes={"falling_water_table": "dip by hand against the level sensor"}),
    Cause(
        code="electrical_sensor_fault", label="The current or voltage sensor is off", link="measuring",
        moves="current, voltage or both off by a factor or a zero while the water says the power is there",
        forms=(Form("current low", fixed(0.07, 0.13, 0.25, 0.4), weight=1.0,
                    misreading=lambda s, setting: Misreading(current=1.0 - s, power=1.0 - s)),
               Form("current high", fixed(0.08, 0.15, 0.3), weight=1.0,
                    misreading=lambda s, setting: Misreading(current=1.0 + s, power=1.0 + s)),
               Form("voltage off", fixed(-0.2, -0.12, -0.06, 0.06, 0.12, 0.2), weight=1.0,
                    misreading=lambda s, setting: Misreading(voltage=1.0 + s, power=1.0 + s),
                    applies=lambda setting: setting.voltage_logged),
               Form("current zero", fixed(0.02, 0.05, 0.1), direct=_current_zero,
                    applies=lambda setting: setting.voltage_logged),
               Form("voltage zero", fixed(0.05, 0.12), direct=_voltage_zero, weight=0.5,
                    applies=lambda setting: setting.voltage_logged)),
        shapes={"step": 0.6, "ramp": 0.2, "day_one": 0.2}, prior=0.02, size_unit="1",
        size_means="share by which the reading is off",
        test="Clamp meter and voltmeter against the logged values; zero at night.",
        readings=("Clamp meter and log differ by the stated share.",), parts=("shunt or transducer",),
        dangers=("E1",), owner_of_cause=_SENSOR_OWNER, owner_action="Nothing to do.", urgency="information",
        needs=("array_current_a|array_voltage_v|array_power_w",), kind="sensor",
        look_alikes={"string_open": "clamp meter against the logged current",
                     "soiled_array": "clamp meter against the logged current",
                     "module_bypassed": "voltmeter at the drive against the logged voltage"}),
    Cause(
        code="clock_shift", label="The logger's clock is off", link="measuring",
        moves="sunrise and sunset both shift against the computed sun",
        forms=(Form("late", fixed(0.4, 0.7, 1.0, 2.0, 3.0, 5.0), direct=_late, loose=_MISPLACED),
               Form("early", fixed(0.4, 0.7, 1.0, 2.0, 3.0, 5.0), direct=lambda s, setting: {"clock": -s},
                    loose=_MISPLACED,
                    size=lambda s, setting: -s)),
        shapes={"step": 0.75, "day_one": 0.15, "ramp": 0.1}, prior=0.02, size_unit="h",
        size_means="hours by which the readings run late", test="Read the logger's clock against a telephone.",
        readings=("The clock differs by the stated time.",), parts=("logger battery",), dangers=(),
        owner_of_cause=_SENSOR_OWNER, owner_action="Nothing to do.", urgency="information",
        needs=("poa_irradiance_w_m2|global_horizontal_irradiance_w_m2",), kind="sensor",
        look_alikes={"shaded_array": "sunrise in the readings: it moves with a clock, not with shade"}),
    Cause(
        code="swapped_channels", label="Two channels are exchanged", link="measuring",
        moves="each of two channels behaves as the other should",
        forms=(Form("exchanged", fixed(1.0),
                    direct=lambda s, setting: {"swapped_share": s},
                    loose=_EXCHANGED),),
        shapes={"step": 0.6, "day_one": 0.4}, prior=0.006, size_unit="1", size_means="share of readings exchanged",
        test="Follow the wires; compare labels with the logger profile.", readings=("Labels and wires disagree.",),
        parts=(), dangers=("E1",), owner_of_cause="installer", owner_action="Nothing to do.", urgency="information",
        needs=("array_voltage_v", "array_current_a"), kind="rule", look_alikes={}),
    Cause(
        code="unit_mistake", group="meter",
        label="A channel is written in another unit than its profile says", link="measuring",
        moves="one channel off by a constant known factor",
        forms=(Form("flow", fixed(3.785, 1 / 3.785, 4.546, 1 / 4.546, 1.2009, 1 / 1.2009, 16.667, 1 / 16.667, 60.0,
                                  1 / 60.0, 3.6, 1 / 3.6),
                    misreading=lambda s, setting: _flow_factor(min(s, 30.0)), inexactness=0.4),
               Form("current", fixed(1000.0, 0.001), weight=0.2,
                    misreading=lambda s, setting: Misreading(current=min(s, 30.0), power=min(s, 30.0)))),
        shapes={"day_one": 0.6, "step": 0.4}, prior=0.01, size_unit="1", size_means="factor of the reading",
        test="Read the meter's face and the logger profile side by side.",
        readings=("The unit on the face is not the profile's.",), parts=(), dangers=(),
        owner_of_cause=_SENSOR_OWNER, owner_action="Nothing to do.", urgency="information", kind="sensor",
        needs=("flow_m3_s",), look_alikes={"meter_over_reading": "factor: 3.785, 4.546, 16.67 or 60 is a unit"}),
    Cause(
        code="logger_silent", label="The logger has gone silent", link="measuring",
        moves="no readings arrive; what the pump does is not known",
        forms=(Form("silent", fixed(1.0), direct=lambda s, setting: {"silent_share": s}),),
        shapes={"step": 0.8, "intermittent": 0.2}, prior=0.06, size_unit="1", size_means="share of readings missing",
        test="Power and link of the logger; card or phone read-out on site.",
        readings=("Supply low, link down, or card full.",), parts=("spare logger", "battery", "antenna"),
        dangers=(), owner_of_cause=_SENSOR_OWNER,
        owner_action="Tell us whether water runs. Send a photo of the logger's lamps.", urgency="two_days",
        kind="rule", look_alikes={}),
)
