"""Causes in the source, the well and on the suction side."""

from collections.abc import Mapping

from diagnostics.causes.cause import (
    JETS,
    SHARE_OF_TIME,
    SUBMERSIBLE,
    Cause,
    Form,
    Setting,
    fixed,
)
from diagnostics.health import Health

_HEADS = fixed(0.05, 0.08, 0.12, 0.17, 0.24, 0.34, 0.5)
_LOSSES = fixed(0.06, 0.12, 0.22, 0.4, 0.8, 1.8, 5.0, 20.0)
_SUCTION = JETS | {"surface_circulation", "multistage_booster", "plunger_booster"}


def _deeper(severity: float, setting: Setting) -> Health:
    return Health(extra_static_level_m=severity * setting.head_m)


def _fouled(severity: float, setting: Setting) -> Health:
    return Health(well_loss_ratio=1.0 + severity)


def _clog(severity: float, setting: Setting) -> Health:
    return Health(intake_loss_s2_m5=severity * setting.head_m / setting.rated_flow_m3_s**2)


# How likely a site is to have a low-water probe that its file does not tell of, over one whose file does.
UNDESCRIBED = 0.25

# While it stands, what little is read in weak sun belongs to no pump.
_CYCLING = {"drawdown": 0.03, "flow_mid_power": 0.1, "flow_high_power": 0.05,
            "current_low_sun": 0.3, "current_mid_sun": 0.2, "voltage_low_sun": 0.1, "voltage_mid_sun": 0.05,
             "flow_low_power": 0.3, "flow_low_sun": 0.3, "flow_mid_sun": 0.2, "start_power": 0.3, "dry_share": 0.15,
             "dry_light_share": 0.15, "cycling": 0.3, "power_morning_less_afternoon": 0.1}
# A well that is drawn down to its probe is lifted from by all that deeper: each burst begins well and ends short, at
# loads that a drive is only just running up to.
_DRAWN_DOWN = _CYCLING | {"drawdown": 0.3, "flow_low_power": 0.4, "flow_mid_power": 0.25, "flow_high_power": 0.2,
                          "top_flow": 0.2, "flow_low_sun": 0.4, "flow_mid_sun": 0.3, "flow_high_sun": 0.3,
                          "speed_low_power": 0.1, "speed_high_power": 0.1, "power_limit": 0.5, "static_level": 0.1,
                          "pressure_low_flow": 0.1, "pressure_high_flow": 0.1, "fill_volume": 1.0}


def _cutout(severity: float, setting: Setting) -> Mapping[str, float]:
    moved = {"stopped_share": severity, "cycling": 0.2 + 0.5 * severity}
    if setting.voltage_logged:
        moved["stopped_open_share"] = 0.9 * severity
    if "low_water_ratio" in setting.site.sensors or setting.level_logged or setting.site.drive.has_low_water_stop:
        moved["probe_share"] = severity
    return moved


def _no_prime(severity: float, setting: Setting) -> Mapping[str, float]:
    if not setting.power_logged:
        return {"stopped_share": severity}      # without power a pump that turns dry only seems to stand
    moved = {"dry_share": severity, "dry_light_share": 0.8 * severity}
    moved |= dict.fromkeys(("flow_low_power", "flow_mid_power", "flow_high_power", "top_flow"), -severity)
    moved |= {"speed_low_power": 0.3 * severity, "speed_high_power": 0.3 * severity}
    # In air it makes no pressure; the line's own column is missing from the gauge unless a valve still holds it.
    moved |= {"pressure_low_flow": -0.3 * severity, "pressure_high_flow": -0.3 * severity}
    if setting.voltage_logged:
        moved |= {"current_high_sun": -0.5 * severity, "current_mid_sun": -0.5 * severity,
                  "voltage_high_sun": 0.08 * severity, "voltage_mid_sun": 0.08 * severity}
    return moved


def _cavitation(severity: float, setting: Setting) -> Mapping[str, float]:
    kind = "power" if setting.power_logged else "sun"
    return {f"flow_high_{kind}": -severity, f"flow_mid_{kind}": -0.25 * severity,
            "speed_high_power": 0.12 * severity, "pressure_high_flow": 0.0}


CAUSES: tuple[Cause, ...] = (
    Cause(
        code="falling_water_table", label="The water stands deeper in the well", link="well",
        moves="head up: flow at low power worst, start later, rest level deeper",
        forms=(Form("deeper", _HEADS, health=_deeper, size=lambda s, setting: s * setting.head_m),),
        # One reading is true or false: what the pump has felt of it is no fault of the sensor besides.
        bears_against=(("level_sensor_fault", "well deeper"),),
        shapes={"ramp": 0.45, "seasonal": 0.35, "step": 0.1, "day_one": 0.1}, prior=0.05, size_unit="m",
        size_means="metres deeper than described for the season",
        test="Dip the well before the pump starts, and again while it pumps.",
        readings=("Rest level is deeper than described by the stated metres.",), parts=("dip meter",),
        dangers=("C1", "W1"), owner_of_cause="well owner or water source",
        owner_action="Nothing to open. Tell us whether neighbours' wells are low too.", urgency="next_route",
        look_alikes={"worn_pump": "dip the well: level as described means the pump, deeper means the source",
                     "riser_leak": "dip the well, then shut the top valve and watch the riser's pressure",
                     "wrong_head": "the record: no onset since commissioning means the sheet is wrong",
                     "level_sensor_fault": "dip by hand against the level sensor"}),
    Cause(
        code="screen_fouled", label="The well screen is fouled", link="well",
        moves="drawdown at equal flow up, rest level unchanged",
        forms=(Form("fouled", fixed(0.5, 1.0, 2.0, 4.0, 8.0), health=_fouled,
                    applies=lambda setting: setting.site.well.drawdown_linear_s_m2
                    + setting.site.well.drawdown_quadratic_s2_m5 > 0.0),),
        shapes={"ramp": 0.8, "step": 0.1, "day_one": 0.1}, prior=0.02, size_unit="1",
        size_means="drawdown beyond that described, as a multiple of it",
        test="Dip rest level and pumping level at a metered flow; compare drawdown over flow with the test pumping.",
        readings=("Rest level as described; drawdown at the metered flow larger by the stated share.",),
        parts=("dip meter",), dangers=("C1", "W1", "G1"), owner_of_cause="well owner or driller",
        owner_action="Nothing to do. Keep bleach and acid away from the well unless a licensed well contractor uses "
                     "them.", urgency="two_weeks",
        families=SUBMERSIBLE | JETS, needs=("flow_m3_s",),
        look_alikes={"clogged_intake": "level in the well while pumping: unchanged means the intake",
                     "blocked_delivery": "outlet pressure at the same flow: up means the line",
                     "meter_under_reading": "bucket and stopwatch at the outlet"}),
    Cause(
        code="low_water_cutout", group="standing", label="The low-water protection stops the pump", link="well",
        moves="stops with a constant pause after hours of pumping, level at the probe",
        forms=(Form("cuts out", fixed(0.2, 0.4, 0.7, 0.9), direct=_cutout, loose=_DRAWN_DOWN),),
        shapes={"intermittent": 0.45, "seasonal": 0.2, "step": 0.25, "ramp": 0.1}, prior=0.03, size_unit="1",
        size_means="share of the pumping hours lost to low water",
        test="Dip the well during a pause and just before a restart; time the pauses.",
        readings=("Level is at the probe when it stops; pauses are all as long as the restart delay.",),
        parts=("dip meter", "probe", "throttle valve"), dangers=("C1", "E1"),
        owner_of_cause="well owner or water source",
        owner_action="Do not bridge the probe: it keeps the pump from running dry.", urgency="two_weeks",
        families=SUBMERSIBLE | JETS | {"multistage_booster"}, kind="stop",
        site_weight=lambda site: 1.0 if site.drive.has_low_water_stop or site.well.low_water_probe_depth_m is not None
        else UNDESCRIBED,
        bears_against=(("level_sensor_fault", "well deeper"),),
        look_alikes={"drive_stopped": "dip the well: water at the probe means the well, not the drive",
                     "level_sensor_fault": "dip by hand: water well above the probe means probe or wire",
                     "motor_fault": "pauses: all alike is a timer, growing with heat is the motor"}),
    Cause(
        code="clogged_intake", label="The intake or strainer is clogged", link="well",
        moves="resistance before the pump: high flow loses most, outlet pressure follows the flow down",
        forms=(Form("clog", _LOSSES, health=_clog),),
        shapes={"ramp": 0.5, "step": 0.3, "intermittent": 0.1, "day_one": 0.1}, prior=0.05, size_unit="1",
        family_weight={"surface_circulation": 1.6, "multistage_booster": 1.2, "plunger_booster": 1.2,
                       "centrifugal_submersible": 0.7, "diaphragm_submersible": 0.9, "helical_submersible": 0.7},
        size_means="head lost at the intake at rated flow, over the total head",
        test="Open and clean the strainer or basket; on suction pumps read the vacuum gauge.",
        readings=("Outlet pressure is down together with flow; vacuum is up; flow returns after cleaning.",),
        parts=("strainer or basket", "gasket", "suction hose"), dangers=("W2", "E1"),
        owner_of_cause="user or operator",
        owner_action="If the strainer can be reached safely: switch the pump off, then clean it.",
        urgency="two_weeks", needs=("flow_m3_s",),
        look_alikes={"blocked_delivery": "outlet pressure at the same flow: down means intake, up means the line",
                     "screen_fouled": "level in the well while pumping: unchanged means the intake",
                     "meter_under_reading": "bucket and stopwatch at the outlet",
                     "falling_water_table": "power at which water starts: moved means level, unmoved resistance"}),
    Cause(
        code="lost_prime", group="standing", label="The suction has lost its prime", link="well",
        moves="the pump turns light and moves no water; often at the first start of the day",
        # How light a pump turns in air hangs on its seals and on what sets its voltage; a gauge may show the column
        # that a valve still holds, or none.
        forms=(Form("dry", SHARE_OF_TIME, direct=_no_prime, loose={
            "voltage_low_sun": 0.4, "voltage_mid_sun": 0.3, "voltage_high_sun": 0.2, "current_low_sun": 0.3,
            "current_mid_sun": 0.2, "speed_low_power": 0.4, "speed_high_power": 0.4, "pressure_low_flow": 0.6,
            "pressure_high_flow": 0.6, "start_power": 0.3, "power_morning_less_afternoon": 0.1, "cycling": 0.2,
            # Turning in air at its top speed, it is held back by its drive at next to no power.
            "power_limit": 0.6, "dry_light_share": 0.3}),),
        shapes={"intermittent": 0.5, "step": 0.5}, prior=0.02, size_unit="1",
        size_means="share of the pumping hours without prime",
        test="Vacuum gauge while it turns: low vacuum is an air leak, high vacuum a blockage; then prime it.",
        readings=("Low vacuum, no pressure, water comes after priming.",),
        parts=("foot valve", "thread sealant", "hose clamps"), dangers=("E1", "W2"), owner_of_cause="installer",
        owner_action="Switch it off if it runs without water.", urgency="two_days", families=_SUCTION, kind="stop",
        needs=("flow_m3_s",),
        look_alikes={"drive_stopped": "listen at the pump in good sun: it turns without water, or it stands",
                     "meter_stopped": "look at the outlet: water runs while the meter stands",
                     "blocked_delivery": "outlet pressure: zero is prime, high is a closed line"}),
    Cause(
        code="cavitation", label="Suction limit: the pump cavitates", link="well",
        moves="flow stops rising with power though power and speed go on",
        forms=(Form("limit", fixed(0.08, 0.15, 0.25, 0.4), direct=_cavitation),),
        shapes={"seasonal": 0.35, "step": 0.3, "ramp": 0.2, "day_one": 0.15}, prior=0.012, size_unit="1",
        size_means="share of the flow missing at high power",
        test="Vacuum gauge at full flow; listen for gravel in the pump; throttle and see whether it calms.",
        readings=("Vacuum near the site's limit, rattling that stops when throttled.",),
        parts=("larger suction pipe", "strainer"), dangers=("W2", "E1"), owner_of_cause="installer",
        owner_action="Nothing to do.", families=_SUCTION | {"centrifugal_submersible"}, needs=("flow_m3_s",),
        look_alikes={"drive_limited": "power at noon: power flat is the drive, power free and flow flat is suction",
                     "clogged_intake": "clean the strainer first"}),
)
