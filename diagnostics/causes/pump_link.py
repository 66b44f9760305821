"""Causes in pump end, motor and down-hole cable."""

from collections.abc import Mapping

from diagnostics.causes.cause import (
    CENTRIFUGAL,
    DISPLACEMENT,
    SHARE_OF_TIME,
    STANDING,
    Cause,
    Form,
    Setting,
    fixed,
)
from diagnostics.health import Health


def _centrifugal(setting: Setting) -> bool:
    return setting.site.pump.family in CENTRIFUGAL


def _displacement(setting: Setting) -> bool:
    return setting.site.pump.family in DISPLACEMENT


def _tripping(severity: float, setting: Setting) -> Mapping[str, float]:
    moved = {"stopped_share": severity, "cycling": 0.2 + 0.3 * severity}
    if setting.voltage_logged:
        moved["stopped_open_share"] = 0.8 * severity
    return moved


def _jammed(severity: float, setting: Setting) -> Mapping[str, float]:
    moved = {"dry_share": severity, "dry_light_share": 0.6 * severity}
    if setting.voltage_logged:
        moved |= {"voltage_high_sun": -0.3 * severity, "voltage_mid_sun": -0.3 * severity}
    return moved


CAUSES: tuple[Cause, ...] = (
    Cause(
        code="worn_pump", label="The pump end is worn", link="pump",
        moves="head or sealing lost inside the pump: flow at low power worst, start later, level as it should be",
        forms=(
            Form("stage head", fixed(0.04, 0.07, 0.11, 0.16, 0.23, 0.32), applies=_centrifugal,
                 health=lambda s, setting: Health(pump_head_ratio=max(1.0 - s, 0.0))),
            Form("leak-back", fixed(0.05, 0.1, 0.17, 0.27, 0.42, 0.6), applies=_centrifugal,
                 health=lambda s, setting: Health(recirculation_ratio=s)),
            Form("slip", fixed(0.5, 1.0, 2.0, 4.0, 8.0, 15.0), applies=_displacement,
                 health=lambda s, setting: Health(slip_ratio=1.0 + s)),
            Form("displacement", fixed(0.08, 0.15, 0.25, 0.34, 0.5), applies=_displacement, weight=0.6,
                 health=lambda s, setting: Health(displacement_ratio=max(1.0 - s, 0.0)))),
        shapes={"ramp": 0.68, "step": 0.2, "day_one": 0.12}, prior=0.04, size_unit="1",
        size_means="head lost, leak-back over best flow, or extra slip over healthy slip, by the form named",
        test="Bucket and stopwatch with the level dipped at the same time; momentary shut-in pressure where the pump "
             "may be shut in.",
        readings=("Flow short at equal power with the level as described; shut-in pressure holds but is below the "
                  "curve.",),
        parts=("pump end", "wear parts"), dangers=("L1", "E1", "P1", "W1"),
        owner_of_cause="manufacturer of the pump",
        owner_action="Nothing to open. Do not let anybody pull the pump before we come.", urgency="two_weeks",
        needs=("flow_m3_s",),
        look_alikes={"falling_water_table": "dip the well: level as described means the pump, deeper means the source",
                     "riser_leak": "shut-in: pressure holds means wear, falls and then holds means a hole",
                     "motor_fault": "speed at the same power: down means motor or bearing, unchanged means wear",
                     "meter_under_reading": "bucket and stopwatch at the outlet",
                     "clogged_intake": "power at which water starts: moved means wear, unmoved means resistance"}),
    Cause(
        code="motor_fault", label="The motor or its bearing takes more for less", link="pump",
        moves="speed and flow down at the same power, or trips and attempts",
        forms=(Form("efficiency", fixed(0.06, 0.11, 0.18, 0.28, 0.42),
                    health=lambda s, setting: Health(motor_efficiency_ratio=max(1.0 - s, 0.0))),
               Form("trips", SHARE_OF_TIME, direct=_tripping, weight=0.25, loose=STANDING),
               Form("jam", SHARE_OF_TIME, direct=_jammed, weight=0.25,
                    loose={name: size for name, size in STANDING.items() if not name.startswith("dry")})),
        shapes={"ramp": 0.45, "step": 0.25, "intermittent": 0.2, "day_one": 0.1}, prior=0.02, size_unit="1",
        size_means="share of the motor's output lost, or of the hours it failed to run",
        test="Insulation and winding resistance, three phases alike; current at a start attempt.",
        readings=("Phases unequal, insulation low, or current high with speed low.",),
        parts=("motor", "brushes", "splice kit", "cable"), dangers=("E1", "E2", "L1"),
        owner_of_cause="manufacturer of the motor", owner_action="Nothing to open.", urgency="two_weeks",
        look_alikes={"worn_pump": "speed at the same power: down means motor or bearing, unchanged means wear",
                     "drive_stopped": "motor current at a start attempt: spikes and trips are the motor"}),
)
