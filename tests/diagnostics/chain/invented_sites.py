"""Invented systems, one of each kind the chain knows, with plausible sheets. No product stands behind any of them."""

from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from diagnostics.expected import daylight
from diagnostics.site import (
    Array,
    Battery,
    CurvePoint,
    Drive,
    Ejector,
    Module,
    Motor,
    PipeRun,
    Pipework,
    PowerTablePoint,
    Pump,
    Site,
    Well,
    WindTurbine,
)

LARGE_MODULE = Module(key="large", power_w=320, vmp_v=37.2, imp_a=8.6, voc_v=45.6, isc_a=9.1, cells_in_series=72,
                      temperature_coefficient_voc_per_k=-0.0031, temperature_coefficient_isc_per_k=0.0005,
                      temperature_coefficient_power_per_k=-0.0041)
SMALL_MODULE = Module(key="small", power_w=100, vmp_v=18.0, imp_a=5.56, voc_v=22.3, isc_a=5.95, cells_in_series=36,
                      temperature_coefficient_voc_per_k=-0.0034, temperature_coefficient_isc_per_k=0.0005,
                      temperature_coefficient_power_per_k=-0.0045)


def _array(module: Module, series: int, parallel: int = 1, **changes: Any) -> Array:
    return Array(**{"module": module, "modules_in_series": series, "strings_in_parallel": parallel, "tilt_deg": 15.0,
                    "azimuth_deg": 0.0, "cable_length_m": 15.0, **changes})


def _curve(flow_l_s: list[float], head_m: list[float], power_w: list[float]) -> list[CurvePoint]:
    return [CurvePoint(flow_m3_s=q / 1000, head_m=h, power_w=p)
            for q, h, p in zip(flow_l_s, head_m, power_w, strict=True)]


def _site(kind: str, parts: dict[str, Any], changes: dict[str, Any]) -> Site:
    return Site(**{"id": kind, "name": kind, "latitude_deg": -1.3, "longitude_deg": 36.8, "altitude_m": 1200.0,
                   "timezone": "Africa/Nairobi", "installed_on": date(2023, 1, 1), **parts, **changes})


def centrifugal(**changes: Any) -> Site:
    """Deep-well centrifugal on a tracking drive."""
    pump = Pump(key="c", family="centrifugal_submersible", rated_speed_rpm=3000, stages=8,
                motor=Motor(kind="brushless_dc", rated_power_w=1000, rated_efficiency=0.82, rated_voltage_v=100,
                            rated_speed_rpm=3000),
                curve=_curve([0, 0.25, 0.5, 0.75, 1.0, 1.2], [75, 73, 68, 60, 48, 36], [480, 560, 650, 730, 790, 820]))
    return _site("centrifugal", {
        "array": _array(LARGE_MODULE, 4), "drive": Drive(kind="tracking", max_speed_rpm=3200), "pump": pump,
        "well": Well(static_water_level_m=35, drawdown_linear_s_m2=2000, drawdown_quadratic_s2_m5=1e6,
                     pump_setting_depth_m=60),
        "pipework": Pipework(runs=[PipeRun(length_m=60, bore_m=0.04, minor_loss_k=3),
                                   PipeRun(length_m=150, bore_m=0.05)], outlet_height_m=5)}, changes)


def frequency(**changes: Any) -> Site:
    """The same well with an induction motor on a frequency drive."""
    pump = Pump(key="v", family="centrifugal_submersible", rated_speed_rpm=2850, stages=12,
                motor=Motor(kind="induction", rated_power_w=2000, rated_efficiency=0.76, rated_voltage_v=230,
                            rated_speed_rpm=2850),
                curve=_curve([0, 0.4, 0.8, 1.2, 1.6, 1.9], [95, 92, 86, 74, 56, 38],
                             [700, 850, 1050, 1220, 1340, 1380]))
    return _site("frequency", {
        "array": _array(LARGE_MODULE, 9), "pump": pump,
        "drive": Drive(kind="frequency", min_frequency_hz=25, max_frequency_hz=50, rated_frequency_hz=50,
                       standby_power_w=12),
        "well": Well(static_water_level_m=42, drawdown_linear_s_m2=1500, pump_setting_depth_m=75),
        "pipework": Pipework(runs=[PipeRun(length_m=75, bore_m=0.05), PipeRun(length_m=200, bore_m=0.05)],
                             outlet_height_m=6)}, changes)


def diaphragm(**changes: Any) -> Site:
    """Small diaphragm submersible on a current booster."""
    pump = Pump(key="d", family="diaphragm_submersible", rated_speed_rpm=2200, displacement_m3_rev=2.1e-6,
                volumetric_efficiency=0.9, rated_head_m=60,
                motor=Motor(kind="brushed_dc", rated_power_w=110, rated_efficiency=0.72, rated_voltage_v=24,
                            rated_speed_rpm=2200))
    return _site("diaphragm", {
        "array": _array(SMALL_MODULE, 2), "pump": pump,
        "drive": Drive(kind="current_booster", held_voltage_v=31, max_output_voltage_v=30),
        "well": Well(static_water_level_m=40, pump_setting_depth_m=60),
        "pipework": Pipework(runs=[PipeRun(length_m=60, bore_m=0.016)], outlet_height_m=4)}, changes)


def diaphragm_direct(**changes: Any) -> Site:
    """The diaphragm pump straight on its array: current pinned by head, stall before the start."""
    return diaphragm(**{"id": "diaphragm-direct", "drive": Drive(kind="direct"),
                        "pump": diaphragm().pump.replaced(breakaway_torque_ratio=1.3), **changes})


def helical(**changes: Any) -> Site:
    """Helical rotor with break-away torque on a tracking drive."""
    pump = Pump(key="h", family="helical_submersible", rated_speed_rpm=3000, displacement_m3_rev=8.5e-6,
                volumetric_efficiency=0.88, rated_head_m=100, breakaway_torque_ratio=2.2,
                motor=Motor(kind="brushless_dc", rated_power_w=900, rated_efficiency=0.8, rated_voltage_v=120,
                            rated_speed_rpm=3000))
    return _site("helical", {
        "array": _array(LARGE_MODULE, 4), "drive": Drive(kind="tracking", max_speed_rpm=3300), "pump": pump,
        "well": Well(static_water_level_m=80, drawdown_linear_s_m2=6000, pump_setting_depth_m=120),
        "pipework": Pipework(runs=[PipeRun(length_m=120, bore_m=0.03), PipeRun(length_m=100, bore_m=0.03)],
                             outlet_height_m=5)}, changes)


def circulation(**changes: Any) -> Site:
    """Pond circulation, panel-direct, with a strainer basket."""
    pump = Pump(key="s", family="surface_circulation", rated_speed_rpm=2800, npsh_required_m=1.5,
                motor=Motor(kind="brushed_dc", rated_power_w=230, rated_efficiency=0.72, rated_voltage_v=34,
                            rated_speed_rpm=2800),
                curve=_curve([0, 0.8, 1.6, 2.4, 3.0], [9, 8.4, 7, 4.6, 2.2], [90, 120, 150, 170, 175]))
    return _site("circulation", {
        "array": _array(SMALL_MODULE, 2, 2), "drive": Drive(kind="direct"), "pump": pump,
        "well": Well(kind="open", static_water_level_m=0.5),
        "pipework": Pipework(runs=[PipeRun(length_m=30, bore_m=0.04)], suction=PipeRun(length_m=3, bore_m=0.05),
                             outlet_height_m=1.5, strainer_loss_k=3, pump_height_m=0.3)}, changes)


def _jet_motor() -> Motor:
    return Motor(kind="brushless_dc", rated_power_w=900, rated_efficiency=0.8, rated_voltage_v=100,
                 rated_speed_rpm=3400)


def jet_deep(**changes: Any) -> Site:
    """Twin-pipe jet on a deep well."""
    pump = Pump(key="j", family="jet_deep", rated_speed_rpm=3400, npsh_required_m=2.0, motor=_jet_motor(),
                curve=_curve([0, 0.5, 1.0, 1.5, 2.0], [48, 46, 41, 33, 21], [330, 460, 560, 640, 690]),
                ejector=Ejector(nozzle_diameter_m=0.0065, throat_diameter_m=0.0105, depth_m=18,
                                drive_pipe_bore_m=0.032))
    return _site("jet-deep", {
        "array": _array(LARGE_MODULE, 4), "drive": Drive(kind="tracking", max_speed_rpm=3600), "pump": pump,
        "well": Well(static_water_level_m=12, pump_setting_depth_m=18, drawdown_linear_s_m2=1000),
        "pipework": Pipework(runs=[PipeRun(length_m=18, bore_m=0.04), PipeRun(length_m=40, bore_m=0.032)],
                             outlet_height_m=4)}, changes)


def jet_shallow(**changes: Any) -> Site:
    """Single-pipe jet at the surface."""
    pump = jet_deep().pump.replaced(family="jet_shallow", ejector={"nozzle_diameter_m": 0.0065,
                                                                   "throat_diameter_m": 0.0115})
    return jet_deep(**{
        "id": "jet-shallow", "pump": pump, "altitude_m": 200.0,
        "well": Well(kind="dug", static_water_level_m=4.5, drawdown_linear_s_m2=300),
        "pipework": Pipework(runs=[PipeRun(length_m=40, bore_m=0.032)], suction=PipeRun(length_m=7, bore_m=0.04),
                             outlet_height_m=6, pump_height_m=0.4), **changes})


def booster(**changes: Any) -> Site:
    """Multistage booster with flooded suction through a long line uphill, voltage booster drive."""
    pump = Pump(key="b", family="multistage_booster", rated_speed_rpm=3000, stages=6, npsh_required_m=2.0,
                motor=Motor(kind="brushless_dc", rated_power_w=800, rated_efficiency=0.8, rated_voltage_v=180,
                            rated_speed_rpm=3000),
                curve=_curve([0, 0.3, 0.6, 0.9, 1.2], [62, 60, 54, 43, 27], [290, 380, 480, 560, 600]))
    return _site("booster", {
        "array": _array(LARGE_MODULE, 3), "drive": Drive(kind="voltage_booster", max_output_voltage_v=190),
        "pump": pump, "well": Well(kind="open", static_water_level_m=-1.5),
        "pipework": Pipework(runs=[PipeRun(length_m=1200, bore_m=0.05, hazen_williams_c=145)], outlet_height_m=28,
                             suction=PipeRun(length_m=4, bore_m=0.05))}, changes)


def pressure_system(**changes: Any) -> Site:
    """The booster on a battery bus against a pressure tank."""
    return booster(**{
        "id": "pressure-system", "drive": Drive(kind="battery_bus"), "array": _array(LARGE_MODULE, 2),
        "battery": Battery(nominal_voltage_v=48, capacity_ah=200, low_voltage_disconnect_v=44, reconnect_voltage_v=50,
                           absorption_voltage_v=57.6),
        "pump": booster().pump.replaced(motor={"kind": "brushless_dc", "rated_power_w": 800, "rated_efficiency": 0.8,
                                               "rated_voltage_v": 48, "rated_speed_rpm": 3000}),
        "pipework": Pipework(runs=[PipeRun(length_m=30, bore_m=0.032)], outlet_height_m=2,
                             outlet_pressure_pa=250e3), **changes})


def plunger(**changes: Any) -> Site:
    """Triplex plunger with relief valve, uphill at high pressure."""
    pump = Pump(key="p", family="plunger_booster", rated_speed_rpm=900, displacement_m3_rev=1.6e-5,
                volumetric_efficiency=0.95, rated_head_m=300, npsh_required_m=3.0, relief_pressure_pa=4.5e6,
                motor=Motor(kind="brushless_dc", rated_power_w=1150, rated_efficiency=0.84, rated_voltage_v=120,
                            rated_speed_rpm=900))
    return _site("plunger", {
        "array": _array(LARGE_MODULE, 5), "drive": Drive(kind="tracking", max_speed_rpm=1000), "pump": pump,
        "well": Well(kind="open", static_water_level_m=-1.0),
        "pipework": Pipework(runs=[PipeRun(length_m=2000, bore_m=0.025)], outlet_height_m=260,
                             suction=PipeRun(length_m=3, bore_m=0.04))}, changes)


def printed_table(**changes: Any) -> Site:
    """A submersible known only by a table of flow against input power."""
    rows = [(20, 150, 0.16), (20, 300, 0.46), (20, 600, 0.80), (40, 250, 0.10), (40, 400, 0.34), (40, 600, 0.55),
            (60, 400, 0.09), (60, 600, 0.32), (60, 800, 0.48)]
    pump = Pump(key="t", family="centrifugal_submersible", rated_speed_rpm=3000,
                motor=Motor(kind="brushless_dc", rated_power_w=900, rated_efficiency=0.8, rated_voltage_v=100,
                            rated_speed_rpm=3000),
                power_table=[PowerTablePoint(head_m=h, input_power_w=p, flow_m3_s=q / 1000) for h, p, q in rows])
    return centrifugal(**{"id": "printed-table", "pump": pump, "array": _array(LARGE_MODULE, 3), **changes})


def wind_charged(**changes: Any) -> Site:
    """The helical pump on a small wind turbine."""
    turbine = WindTurbine(hub_height_m=15, anemometer_height_m=10, rectifier_efficiency=0.9,
                          power_curve=[(3, 0), (5, 110), (7, 380), (9, 820), (11, 1300), (13, 1500), (18, 1500)])
    site = helical(**{"id": "wind-charged", "wind": turbine, **changes})
    return site.model_copy(update={"array": None})


ALL = (centrifugal, frequency, diaphragm, diaphragm_direct, helical, circulation, jet_deep, jet_shallow, booster,
       pressure_system, plunger, printed_table, wind_charged)
WITH_ARRAY = tuple(make for make in ALL if make is not wind_charged)


def clear_days(site: Site, start: str = "2024-03-01", days: int = 2, step_s: int = 600,
               share: float = 1.0) -> pd.DataFrame:
    """Clear-sky weather in the plane of the site's array, 25 degC and a breeze."""
    index = pd.date_range(start, periods=int(days * 86400 / step_s), freq=f"{step_s}s", tz="UTC",
                          name="interval_end_utc") + pd.Timedelta(step_s, unit="s")
    weather = pd.DataFrame({"air_temperature_c": 25.0, "wind_speed_m_s": 2.0}, index=index)
    if site.array is not None:
        light = daylight(site, weather, float(step_s))
        plane = np.zeros(len(index))
        plane[light.rows] = light.clear_sky_poa_w_m2 * share
        weather["poa_irradiance_w_m2"] = plane
    if site.wind is not None:
        weather["wind_speed_m_s"] = 6.0 + 3.0 * np.sin(np.arange(len(index)) / 40.0)
    return weather
