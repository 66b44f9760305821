"""What a crew can write into the service log: known actions, the causes they are meant for, and what they restart."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ServiceAction:
    """
    One known action.

    `starts_epoch` says that the physics of the site is another one afterwards than any it had before, so that its
    healthy state must be learned anew. Work that only brings the healthy state back (washing, cleaning, opening a
    valve) starts none: the old state is what shows that it worked.
    """

    code: str
    label: str
    meant_for: tuple[str, ...]
    starts_epoch: bool
    note: str = ""


_ALL = (
    ServiceAction("washed_array", "Washed the modules", ("soiled_array",), False),
    ServiceAction("cleaned_strainer", "Cleaned the strainer or basket", ("clogged_intake", "cavitation"), False),
    ServiceAction("cleaned_intake", "Cleaned the intake", ("clogged_intake",), False),
    ServiceAction("replaced_pump", "Replaced pump and motor", ("worn_pump", "motor_fault"), True,
                  "Change the pump in the site file on the same day."),
    ServiceAction("replaced_pump_end", "Replaced the pump end", ("worn_pump",), True),
    ServiceAction("replaced_motor", "Replaced the motor or its brushes", ("motor_fault",), True),
    ServiceAction("replaced_drive", "Replaced the controller or drive",
                  ("drive_stopped", "drive_derated", "drive_limited", "off_mpp"), True),
    ServiceAction("repaired_string", "Brought a string back", ("string_open",), False),
    ServiceAction("replaced_module", "Replaced one or more modules",
                  ("module_bypassed", "array_degraded", "string_open"), True),
    ServiceAction("tightened_connection", "Mended a connection or cable", ("wiring_resistance", "string_open"), False),
    ServiceAction("replaced_meter", "Replaced the water meter",
                  ("meter_stopped", "meter_under_reading", "meter_over_reading", "totaliser_reset"), True,
                  "Write the pulse volume of the new meter into the site file."),
    ServiceAction("checked_meter", "Checked the meter against a known volume",
                  ("meter_under_reading", "meter_over_reading"), False, "Write the volumes compared into 'says'."),
    ServiceAction("replaced_sensor", "Replaced another sensor",
                  ("irradiance_sensor_fault", "temperature_sensor_fault", "level_sensor_fault",
                   "electrical_sensor_fault"), True),
    ServiceAction("cleaned_sensor", "Cleaned or levelled a sensor", ("irradiance_sensor_fault",), False),
    ServiceAction("set_clock", "Set the logger's clock", ("clock_shift",), False,
                  "Write the old, the new and the true time into 'says'."),
    ServiceAction("changed_setting", "Changed a setting of the drive or logger",
                  ("drive_limited", "off_mpp", "unit_mistake", "swapped_channels"), True,
                  "Write the setting, old and new, into 'says'."),
    ServiceAction("opened_valve", "Opened a valve", ("blocked_delivery",), False),
    ServiceAction("repaired_riser", "Mended the riser or the delivery line", ("riser_leak", "air_in_line"), False),
    ServiceAction("replaced_check_valve", "Replaced a check or foot valve", ("check_valve_leak", "lost_prime"), False),
    ServiceAction("cleared_delivery", "Cleared the delivery line", ("blocked_delivery",), False),
    ServiceAction("rehabilitated_well", "Cleaned or developed the well", ("screen_fouled",), True),
    ServiceAction("lowered_pump", "Set the pump deeper", ("falling_water_table", "low_water_cutout"), True,
                  "Write the new setting depth into the site file."),
    ServiceAction("repaired_tank", "Mended the tank or its fittings", ("tank_leak", "overflow"), False),
    ServiceAction("freed_float", "Freed or replaced the float switch", ("stuck_float", "overflow"), False),
    ServiceAction("switched_off", "Switched the pump off", (), False),
    ServiceAction("switched_on", "Switched the pump on", ("drive_stopped",), False),
    ServiceAction("replaced_battery", "Replaced the battery", ("battery_weak", "charging_fault"), True),
    ServiceAction("inspected", "Looked, changed nothing", (), False),
    ServiceAction("other", "Something else; see the remark", (), False),
)

SERVICE_ACTIONS: dict[str, ServiceAction] = {action.code: action for action in _ALL}
