"""Causes at the tank and its float."""

from collections.abc import Mapping

from diagnostics.causes.cause import SHARE_OF_TIME, STANDING, Cause, Form, Setting, fixed


def _says_full(severity: float, setting: Setting) -> Mapping[str, float]:
    moved = {"stopped_share": severity, "float_hold_share": severity}
    if setting.voltage_logged:
        moved["stopped_open_share"] = severity
    return moved


def _leak(severity: float, setting: Setting) -> Mapping[str, float]:
    return {"night_loss": severity, "night_use": severity, "tank_gain": -severity}


def _overflow(severity: float, setting: Setting) -> Mapping[str, float]:
    return {"overflow_share": severity}


def _has_tank(setting: Setting) -> bool:
    return setting.site.tank is not None


def _has_float(setting: Setting) -> bool:
    # A drive that no float can stop pumps into a full tank by design.
    return _has_tank(setting) and setting.site.drive.has_float_input


CAUSES: tuple[Cause, ...] = (
    Cause(
        code="stuck_float", group="standing", label="The float is stuck", link="tank",
        moves="stands with a low tank because the float says full, or runs on with a full one",
        forms=(Form("says full", SHARE_OF_TIME, direct=_says_full, applies=_has_tank, loose=STANDING),
               Form("says call", SHARE_OF_TIME, direct=_overflow, applies=_has_float, weight=0.6)),
        shapes={"step": 0.75, "intermittent": 0.25}, prior=0.02, size_unit="1",
        size_means="share of the pumping hours in which the float was wrong",
        test="Move the float by hand, where it can be reached without entering the tank.",
        readings=("The pump starts or stops when the float is moved.",), parts=("float switch", "cable"),
        dangers=("H1", "C1", "E1"), owner_of_cause="installer",
        owner_action="If it is safe to reach: lift and drop the float. Never enter the tank.", urgency="two_days",
        needs=("tank_level_m",), kind="stop",
        look_alikes={"drive_stopped": "lift the float by hand: it starts if the float held it",
                     "overflow": "float by hand: a free float that does not stop the pump means its wiring"}),
    Cause(
        code="tank_leak", label="The tank or its outlet line leaks", link="tank",
        moves="the tank falls every night, all night", forms=(
            Form("hole", fixed(0.02, 0.04, 0.07, 0.12, 0.2, 0.4), direct=_leak, applies=_has_tank),),
        shapes={"step": 0.5, "ramp": 0.45, "day_one": 0.05}, prior=0.02, size_unit="1",
        size_means="steady loss over rated flow",
        test="Close all outlets for a night and mark the level.",
        readings=("The level falls with all outlets shut: the tank; it holds: a line or a tap.",
                  "Where no meter logs the draw, users who draw all night look the same: ask them, and see that taps "
                  "and trough valves are shut before the level is marked."),
        parts=("sealant", "outlet fitting", "trough valve kit"), dangers=("H1", "C1", "W1"),
        owner_of_cause="user or operator",
        owner_action="Look for wet ground at the tank and the troughs; see whether a tap or trough valve runs.",
        urgency="two_weeks", needs=("tank_level_m",), kind="after_meter",
        look_alikes={"level_sensor_fault": "mark the level by hand over a night",
                     "overflow": "level while it is lost: at the brim is overflow"}),
    Cause(
        code="overflow", label="The tank overflows", link="tank",
        moves="water is pumped into a full tank", forms=(
            Form("runs over", SHARE_OF_TIME, direct=_overflow, applies=_has_float),),
        shapes={"intermittent": 0.5, "step": 0.5}, prior=0.015, size_unit="1",
        size_means="share of the pumping hours with the tank at the brim",
        test="Look at the overflow pipe in the afternoon; test float and ball valve.",
        readings=("Water runs from the overflow while the pump runs.",), parts=("float switch", "ball valve"),
        dangers=("H1", "C1"), owner_of_cause="user or operator",
        owner_action="If water runs from the overflow, switch the pump off until the tank is lower.",
        urgency="two_weeks", needs=("tank_level_m",), kind="after_meter",
        look_alikes={"stuck_float": "float by hand: a float that is stuck explains the overflow",
                     "level_sensor_fault": "look: is the tank really full?"}),
)
