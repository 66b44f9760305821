"""
What happened in the demo scenario: which sites hide which fault, from when, how large, and what each logger writes.

Days count from `FIRST_DAY`. Nothing of this is read by the program; `make_demo.py` turns it into logger files.
"""

from dataclasses import dataclass, field
from datetime import date

from diagnostics.proving.planting import PlantedFault

FIRST_DAY = date(2026, 3, 1)
DAYS = 172
SEED = 20260301
REGION_SEEDS = {"Cinder Bench": 101, "Tule Flats": 202, "Mesa": 303}

SUN = "poa_irradiance_w_m2"
FULL_ARRAY = (SUN, "module_temperature_c", "array_voltage_v", "array_current_a")
SMALL_PUMP = (SUN, "air_temperature_c", "array_voltage_v", "array_current_a", "motor_voltage_v", "motor_current_a",
              "flow_m3_s")
GATEWAY = ("air_temperature_c", "array_voltage_v", "array_current_a", "flow_m3_s")


@dataclass(frozen=True)
class SiteScenario:
    """One site: what its logger writes, how much water is asked for, and what was planted."""

    channels: tuple[str, ...]
    step_s: float = 900.0
    demand_m3_day: float | None = None
    demand_kind: str = "stock"
    faults: tuple[PlantedFault, ...] = ()
    dull_days: tuple[int, int] | None = None
    cause: str = "sound"
    state: str = ""
    wind_m_s: float = 3.6
    group: tuple[str, ...] = ()
    says: str = ""
    events: tuple[tuple[float, str, str, str, str], ...] = field(default=())


SCENARIO: dict[str, SiteScenario] = {
    "cinder-north": SiteScenario(
        (*FULL_ARRAY, "pump_speed_rpm", "flow_m3_s", "water_level_m", "outlet_pressure_pa", "tank_level_m",
         "tank_full_ratio", "low_water_ratio"), demand_m3_day=33.0, dull_days=(122, 152), state="dull",
        says="Sound; July is sun-poor."),
    "cinder-south": SiteScenario(
        (*FULL_ARRAY, "pump_speed_rpm", "flow_m3_s", "water_level_m", "low_water_ratio"), dull_days=(122, 152),
        faults=(PlantedFault("falling_water_table", 70.0, 11.0, "ramp", 75.0),), cause="falling_water_table",
        says="The water table falls 11 m in 75 days; the level is logged."),
    "draw-camp": SiteScenario(
        (*FULL_ARRAY, "flow_m3_s"), faults=(PlantedFault("string_open", 88.45, 1.0, "step"),), cause="string_open",
        says="One of two strings opens at noon."),
    "ridge-well": SiteScenario(
        (*FULL_ARRAY, "pump_speed_rpm", "flow_m3_s", "water_level_m", "low_water_ratio"),
        faults=(PlantedFault("low_water_cutout", 78.0, 2.3, "ramp", 35.0),), cause="low_water_cutout",
        says="The fracture zone gives less and less; the probe stops the pump, the timer starts it again."),
    "corral-well": SiteScenario(
        (*FULL_ARRAY, "pump_speed_rpm", "flow_m3_s", "water_level_m", "outlet_pressure_pa", "tank_level_m",
         "draw_flow_m3_s", "tank_full_ratio"), demand_m3_day=30.0,
        faults=(PlantedFault("meter_stopped", 95.3, 1.0, "step"),), cause="meter_stopped",
        says="The water meter stops counting; the tank goes on filling."),
    "school-well": SiteScenario(
        (*FULL_ARRAY, "pump_speed_rpm", "flow_m3_s", "tank_level_m", "tank_full_ratio"), demand_m3_day=3.6,
        demand_kind="people", state="tank_full", says="Sound; the tank is full by late morning."),
    "tule-house": SiteScenario((*SMALL_PUMP, "tank_level_m"), 600.0, demand_m3_day=3.4, demand_kind="people",
                               says="Sound."),
    "tule-south": SiteScenario(
        (*SMALL_PUMP, "water_level_m"), 600.0, faults=(PlantedFault("worn_pump", 65.0, 4.0, "ramp", 50.0),),
        cause="worn_pump", group=("worn_pump", "riser_leak"),
        says="The diaphragms' valves let more and more slip back."),
    "north-trough": SiteScenario(
        (*SMALL_PUMP, "water_level_m"), 600.0, faults=(PlantedFault("riser_leak", 80.5, 0.30, "step"),),
        cause="riser_leak", group=("riser_leak", "worn_pump"), says="A joint of the riser parts above the water."),
    "heron-pond-lower": SiteScenario(
        (SUN, *GATEWAY, "suction_pressure_pa", "outlet_pressure_pa"),
        faults=(PlantedFault("clogged_intake", 60.0, 0.9, "ramp", 38.0, end_day=104.4),), cause="clogged_intake",
        says="The strainer basket fills with weed and is cleaned after six weeks.",
        events=((104.42, "T. Okafor", "cleaned_strainer", "clogged_intake",
                 "Basket full of weed, cleaned and refitted"),)),
    "heron-pond-upper": SiteScenario(("global_horizontal_irradiance_w_m2", *GATEWAY, "rain_mm_rain"),
                                       says="Sound; level pyranometer and rain gauge."),
    "orchard-jet": SiteScenario((SUN, *GATEWAY), says="Sound."),
    "gallery-jet": SiteScenario((SUN, *GATEWAY, "outlet_pressure_pa"), says="Sound."),
    "bunkhouse-jet": SiteScenario((SUN, *GATEWAY), says="Sound."),
    "windy-point": SiteScenario(
        ("wind_speed_m_s", "motor_voltage_v", "motor_current_a", "pump_speed_rpm", "flow_m3_s", "water_level_m"),
        wind_m_s=6.2, faults=(PlantedFault("logger_silent", 161.2, 1.0, "step"),), cause="logger_silent",
        says="Nothing is heard of the logger any more."),
    "mesa-line": SiteScenario(
        (*FULL_ARRAY, "pump_speed_rpm", "flow_m3_s", "meter_total_m3", "water_level_m", "outlet_pressure_pa",
         "low_water_ratio"), faults=(PlantedFault("blocked_delivery", 72.0, 0.65, "ramp", 45.0),),
        cause="blocked_delivery", says="The long delivery line scales up; cleaning the intake did not help.",
        events=((126.6, "R. Imbert", "cleaned_intake", "clogged_intake",
                 "Pulled and cleaned the intake screen, it was clean"),)),
    "clinic-well": SiteScenario(
        (*FULL_ARRAY, "drive_frequency_hz", "flow_m3_s", "meter_total_m3", "water_level_m", "tank_level_m",
         "tank_full_ratio", "low_water_ratio"), demand_m3_day=60.0, demand_kind="people",
        faults=(PlantedFault("drive_stopped", 150.6, 1.0, "step"),), cause="drive_stopped",
        group=("drive_stopped", "motor_fault"), says="The drive stops after a thunderstorm and stays off."),
    "vineyard-booster": SiteScenario(
        (*FULL_ARRAY, "battery_voltage_v", "battery_current_a", "motor_current_a", "flow_m3_s", "meter_total_m3",
         "outlet_pressure_pa", "tank_level_m"), demand_m3_day=15.0, demand_kind="irrigation",
        state="tank_full", says="Sound; asked for a third of what it could give."),
    "basin-trough": SiteScenario(
        (*FULL_ARRAY, "flow_m3_s", "water_level_m", "motor_voltage_v", "motor_current_a", "rain_mm_rain"),
        faults=(PlantedFault("soiled_array", 48.0, 0.009, "ramp", washes=(112.0,)),), cause="soiled_array",
        says="Dust of a haul road; washed once, dusty again until the rains.",
        events=((112.35, "T. Okafor", "washed_array", "soiled_array", "Washed all eight modules"),)),
    "hillside-plunger": SiteScenario(
        (*FULL_ARRAY, "motor_voltage_v", "motor_current_a", "pump_speed_rpm", "flow_m3_s", "outlet_pressure_pa",
         "tank_level_m"), demand_m3_day=2.6, state="tank_full", says="Sound; the tank is full on good days."),
}
