"""Causes in the controller or drive."""

from collections.abc import Mapping

from diagnostics.causes.cause import SHARE_OF_TIME, STANDING, Cause, Form, Setting, fixed, mostly_all_the_time
from diagnostics.health import Health

_TRACKED = frozenset({"tracking", "frequency", "voltage_booster", "current_booster"})
_ELECTRONIC = _TRACKED | {"battery_bus"}


def _off_mpp(high_voltage: bool) -> Form:
    def shift(severity: float, setting: Setting) -> Mapping[str, float]:
        # Above the knee current falls off a cliff; below it current can only reach short circuit, about 1.06 Imp.
        if high_voltage:
            volts = min(0.2, 0.18 * severity**0.5)
            amps = (1.0 - severity) / (1.0 + volts) - 1.0
        else:
            amps = min(0.06, 0.3 * severity)
            volts = (1.0 - severity) / (1.0 + amps) - 1.0
        if not setting.voltage_logged:
            return {}
        moved: dict[str, float] = {}
        for part in ("low", "mid", "high"):
            moved |= {f"voltage_{part}_sun": volts, f"current_{part}_sun": amps}
        return moved

    return Form("above" if high_voltage else "below", fixed(0.06, 0.12, 0.2, 0.35, 0.55),
                health=lambda severity, setting: Health(tracking_ratio=1.0 - severity), direct=shift,
                direct_replaces=True)


# Power that is not taken in hot hours is water that is not pumped, how much depends on the hours.
_LESS_WATER = {"top_flow": 0.2, "flow_high_sun": 0.2, "flow_mid_sun": 0.1}


def _derated(severity: float, setting: Setting) -> Mapping[str, float]:
    moved = {"power_hot_less_cool": -severity}
    if setting.voltage_logged:
        return moved | {"voltage_hot_less_cool": 0.25 * severity, "current_high_sun": -0.45 * severity,
                        "voltage_high_sun": 0.1 * severity, "current_mid_sun": -0.15 * severity}
    return moved | {"power_high_sun": -0.4 * severity, "power_mid_sun": -0.15 * severity}


def _stopped(severity: float, setting: Setting) -> Mapping[str, float]:
    moved = {"stopped_share": severity}
    if setting.voltage_logged:
        moved["stopped_open_share"] = severity
    return moved


def _cap(severity: float, setting: Setting) -> Health:
    return Health(power_cap_w=(1.0 - severity) * setting.rated_power_w)


CAUSES: tuple[Cause, ...] = (
    Cause(
        code="off_mpp", label="The drive holds the array at the wrong voltage", link="drive",
        moves="voltage far from its maximum-power value, current inconsistent, at every sun",
        forms=(_off_mpp(True), _off_mpp(False)), shapes={"step": 0.6, "intermittent": 0.2, "day_one": 0.2},
        prior=0.012, size_unit="1", size_means="share of the array's power not taken",
        test="Restart the drive in clear sun; read back its array voltage setting; count modules in series.",
        readings=("Array voltage is far from its expected value at every sun; a restart may mend it.",),
        parts=("controller",), dangers=("E1", "E2"), owner_of_cause="installer",
        owner_action="Nothing to do.", urgency="two_weeks", drives=_TRACKED,
        needs=("array_voltage_v", "array_current_a"),
        look_alikes={"wiring_resistance": "restart in clear sun: a latched tracker lets go, a joint does not",
                     "drive_limited": "power at noon: flat top only above one value is a limit"}),
    Cause(
        code="drive_derated", label="The drive gives less when hot", link="drive",
        moves="power sags in hot hours while array voltage rises",
        forms=(Form("heat", fixed(0.06, 0.12, 0.2, 0.35, 0.5), direct=_derated, loose=_LESS_WATER),),
        shapes={"seasonal": 0.4, "step": 0.25, "ramp": 0.25, "day_one": 0.1}, prior=0.015, size_unit="1",
        size_means="share of power lost in hot hours",
        test="Compare morning and afternoon at equal sun; feel for blocked fins or fan; shade the box for a day.",
        readings=("Box and fins are hot, fan stands or fins are clogged.",), parts=("fan", "sunshade for the box"),
        dangers=("E1",), owner_of_cause="installer",
        owner_action="See that the controller's box stands in shade and air can reach it.", drives=_ELECTRONIC,
        needs=("array_current_a|array_power_w", "air_temperature_c|drive_temperature_c"),
        look_alikes={"shaded_array": "array voltage in the weak hours: up is the drive, same or down is shade",
                     "falling_water_table": "array power in the afternoon: unchanged is the well"}),
    Cause(
        code="drive_limited", label="The drive is limited below what the pump could use", link="drive",
        moves="power and flow will not go beyond a value",
        forms=(Form("cap", fixed(0.15, 0.28, 0.42, 0.58, 0.72), health=_cap),),
        shapes={"step": 0.6, "day_one": 0.4}, prior=0.02, size_unit="1",
        size_means="share of rated power the limit cuts off",
        test="Read back and photograph all settings of the drive; compare with the commissioning sheet.",
        readings=("Speed, current or power limit is below the sheet.",), parts=(), dangers=("E1",),
        owner_of_cause="installer", owner_action="Nothing to do.", drives=_ELECTRONIC,
        needs=("array_power_w|array_current_a|flow_m3_s",),
        look_alikes={"cavitation": "power at noon: power flat is the drive, power free and flow flat is suction",
                     "soiled_array": "weak sun: dirt costs there too, a limit does not",
                     "wiring_resistance": "array voltage at noon: up is a limit, down is a joint"}),
    Cause(
        code="drive_stopped", group="standing",
        label="The drive does not run though sun and tank call for it", link="drive",
        moves="no current, array at open circuit, in good sun with room in the tank",
        forms=(Form("stands", SHARE_OF_TIME, direct=_stopped, loose=STANDING, commonness=mostly_all_the_time),),
        shapes={"step": 0.6, "intermittent": 0.4}, prior=0.05, size_unit="1",
        size_means="share of the pumping hours it stood",
        test="Read lamp or fault code; isolators and fuses in order; is the tank full, is the float free?",
        readings=("Array voltage at the drive is near open circuit, no current, tank not full.",),
        parts=("controller", "fuses", "surge devices", "float switch"), dangers=("E1", "E2"),
        owner_of_cause="manufacturer of the drive",
        owner_action="Is the tank full? Is the switch on? Send a photo of the lamps on the box.", urgency="two_days",
        kind="stop",
        look_alikes={"stuck_float": "lift the float by hand: it starts if the float held it",
                     "low_water_cutout": "dip the well: water at the probe means the well, not the drive",
                     "string_open": "array voltage at the drive: zero means the array side is open",
                     "motor_fault": "motor current at a start attempt: spikes and trips are the motor"}),
)
