"""Causes between pump and tank."""

from collections.abc import Mapping

from diagnostics.causes.cause import JETS, SUBMERSIBLE, Cause, Form, Setting, fixed
from diagnostics.health import Health

_LOSSES = fixed(0.06, 0.12, 0.22, 0.4, 0.8, 1.8, 5.0, 20.0)
_HEADS = fixed(0.07, 0.11, 0.16, 0.23, 0.33, 0.5)


def _blocked(severity: float, setting: Setting) -> Health:
    return Health(delivery_loss_s2_m5=severity * setting.head_m / setting.rated_flow_m3_s**2)


def _leak(severity: float, setting: Setting) -> Health:
    return Health(riser_leak_m3_s_per_sqrt_m=severity * setting.rated_flow_m3_s / setting.head_m**0.5)


def _drained(severity: float, setting: Setting) -> Mapping[str, float]:
    kind = "power" if setting.power_logged else "sun"
    return {"fill_volume": severity, f"flow_low_{kind}": -0.08 * severity}


def _drained_to_the_hole(severity: float, setting: Setting) -> Mapping[str, float]:
    return {"fill_volume": 0.6 * min(severity / 0.09, 1.0)}


def _air(severity: float, setting: Setting) -> Mapping[str, float]:
    kind = "power" if setting.power_logged else "sun"
    return {f"flow_low_{kind}": -severity, f"flow_mid_{kind}": -0.6 * severity, f"flow_high_{kind}": -0.35 * severity,
            "pressure_low_flow": 0.15 * severity, "pressure_high_flow": 0.1 * severity,
            "fill_volume": 0.3 * severity}


CAUSES: tuple[Cause, ...] = (
    Cause(
        code="riser_leak", label="A hole or loose joint in the riser", link="pipework",
        moves="water lost before the meter with the root of the head: low power worst, start later, speed unchanged",
        # While it stands the riser drains down to the hole, wherever that is.
        forms=(Form("hole", fixed(0.05, 0.09, 0.15, 0.24, 0.38, 0.6), health=_leak, direct=_drained_to_the_hole,
                    # Whether the lost water falls back into the well or away outside it is not known.
                    loose={"drawdown": 0.02, "fill_volume": 0.4}),),
        shapes={"step": 0.48, "ramp": 0.42, "day_one": 0.1}, prior=0.02, size_unit="1",
        size_means="leak at rated head over rated flow",
        test="Shut-in: close the top valve, stop the pump, watch the riser's pressure.",
        readings=("Pressure falls to the height of the hole and holds there; splashing in the well.",),
        parts=("riser pipe", "couplings", "torque arrestor"), dangers=("L1", "W1", "P1"),
        owner_of_cause="installer", owner_action="Listen at the well head: is water splashing inside while it pumps?",
        urgency="two_weeks", families=SUBMERSIBLE | JETS, needs=("flow_m3_s",),
        look_alikes={"worn_pump": "shut-in: pressure holds means wear, falls and then holds means a hole",
                     "falling_water_table": "dip the well, then shut the top valve and watch the riser's pressure",
                     "check_valve_leak": "time from start to first water: the whole riser means the valve"}),
    Cause(
        code="check_valve_leak", label="The check or foot valve leaks back", link="pipework",
        moves="every start first fills the riser; steady running is as it should be",
        forms=(Form("drains", fixed(0.5, 1.0), direct=_drained),),
        shapes={"step": 0.5, "ramp": 0.4, "day_one": 0.1}, prior=0.015, size_unit="1",
        size_means="share of the riser that has drained at a start",
        test="Riser pressure after a stop; time from start to first water after a pause of minutes and of a night.",
        readings=("Pressure falls away after each stop; the fill takes the riser's volume.",),
        parts=("check valve",), dangers=("L1", "P1", "W1"), owner_of_cause="installer",
        owner_action="Nothing to do.", families=SUBMERSIBLE | JETS | {"surface_circulation", "plunger_booster"},
        needs=("flow_m3_s", "array_current_a|array_power_w|pump_speed_rpm"),
        look_alikes={"riser_leak": "drained length: the whole riser means the valve, part of it the hole's depth"}),
    Cause(
        code="blocked_delivery", label="The delivery line is blocked or a valve is part closed", link="pipework",
        moves="resistance after the pump: high flow loses most, outlet pressure up at the same flow",
        forms=(Form("block", _LOSSES, health=_blocked),),
        shapes={"step": 0.42, "ramp": 0.48, "day_one": 0.1}, prior=0.05, size_unit="1",
        size_means="head lost in the line at rated flow, over the total head",
        test="Walk the line and count valve turns; read outlet pressure at a metered flow.",
        readings=("Outlet pressure is above that expected at the flow; a valve is not fully open or a filter full.",),
        parts=("filter element", "valve", "pressure gauge with tee"), dangers=("P1", "E1"),
        owner_of_cause="user or operator",
        owner_action="See that every valve between pump and tank is fully open.", urgency="two_weeks",
        needs=("flow_m3_s",),
        look_alikes={"clogged_intake": "outlet pressure at the same flow: down means intake, up means the line",
                     "screen_fouled": "outlet pressure and pumping level: pressure up means line, level down well",
                     "meter_under_reading": "bucket and stopwatch at the outlet"}),
    Cause(
        code="air_in_line", label="Air collects in the line", link="pipework",
        moves="unsteady loss after each start that fades while it runs",
        forms=(Form("air", fixed(0.15, 0.3, 0.5), direct=_air),),
        shapes={"intermittent": 0.5, "step": 0.3, "day_one": 0.2}, prior=0.005, size_unit="1",
        size_means="share of the flow lost at low flow", test="Open the air valves at the crests.",
        readings=("Air comes out for minutes, then flow rises.",), parts=("air valve",), dangers=("P1",),
        owner_of_cause="installer", owner_action="Nothing to do.",
        families=frozenset({"centrifugal_submersible", "multistage_booster", "plunger_booster"}),
        needs=("flow_m3_s",), look_alikes={"blocked_delivery": "flow after an hour of running: back means air"}),
    Cause(
        code="wrong_head", label="The head is higher than the site file says", link="pipework",
        moves="all water is lifted further than described, since the first day",
        forms=(Form("higher", _HEADS,
                    health=lambda s, setting: Health(extra_static_head_m=s * setting.head_m),
                    size=lambda s, setting: s * setting.head_m),
               # A level sensor tells the rest level from the first day apart from all other heights.
               Form("rest level", _HEADS, health=lambda s, setting: Health(extra_static_level_m=s * setting.head_m),
                    size=lambda s, setting: s * setting.head_m, applies=lambda setting: setting.level_logged)),
        shapes={"day_one": 1.0}, prior=0.03, size_unit="m", size_means="metres of head that the site file lacks",
        test="Survey again: dip the well, level the outlet, measure the pipe.",
        readings=("Height, level or pipe differ from the site file by the stated head.",), parts=("dip meter",),
        dangers=("C1", "H1"), owner_of_cause="designer", owner_action="Nothing to do.", needs=("flow_m3_s",),
        look_alikes={"falling_water_table": "dip the well: level as described means the survey, deeper the source",
                     "level_sensor_fault": "dip by hand against the level sensor",
                     "worn_pump": "the record: no onset since commissioning means the sheet is wrong"}),
)
