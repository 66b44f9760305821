"""An example of every key of a fleet folder that has no default to show: what a careful installer would write."""

# Description -> key -> what stands behind the equals sign.
EXAMPLES: dict[str, dict[str, str]] = {
    "Site": {
        "id": '"ridge-well"', "name": '"Ridge well"', "latitude_deg": "34.12", "longitude_deg": "-104.58",
        "altitude_m": "1390", "timezone": '"America/Denver"', "installed_on": "2022-06-14",
        "installer": '"Crew of the yard"', "aquifer": '"Upper sands"', "region": '"North bench"',
        "note": '"Gate opens inwards"', "parts_absent": '["pump", "drive", "well"]'},
    "Array": {"modules_in_series": "4", "tilt_deg": "32", "azimuth_deg": "180",
              "seasonal_tilts_deg": "{4 = 15, 10 = 50}"},
    "Module": {
        "key": '"m250"', "power_w": "250", "vmp_v": "30.0", "imp_a": "8.33", "voc_v": "37.5", "isc_a": "8.90",
        "cells_in_series": "60", "temperature_coefficient_voc_per_k": "-0.0032",
        "temperature_coefficient_isc_per_k": "0.0005", "temperature_coefficient_power_per_k": "-0.0043"},
    "Battery": {
        "nominal_voltage_v": "48", "capacity_ah": "400", "low_voltage_disconnect_v": "46.0",
        "reconnect_voltage_v": "49.5", "absorption_voltage_v": "57.6"},
    "WindTurbine": {"hub_height_m": "15", "power_curve": "[[3, 0], [6, 250], [10, 1000]]",
                    "anemometer_height_m": "10"},
    "Drive": {
        "key": '"track-2k"', "held_voltage_v": "60", "max_input_voltage_v": "200", "max_output_power_w": "1800",
        "max_output_voltage_v": "120", "max_speed_rpm": "3600", "min_frequency_hz": "20", "max_frequency_hz": "60",
        "start_power_w": "120", "stop_power_w": "80", "timer_windows": "[[7.5, 17.0]]", "overvoltage_lockout_v": "190",
        "derating_start_temperature_c": "50"},
    "Pump": {
        "key": '"c14"', "rated_speed_rpm": "2900", "displacement_m3_rev": "0.00011", "volumetric_efficiency": "0.92",
        "rated_head_m": "60", "max_head_m": "90", "relief_pressure_pa": "900000"},
    "Motor": {
        "rated_power_w": "1100", "rated_efficiency": "0.82", "rated_voltage_v": "90", "rated_speed_rpm": "2900",
        "armature_resistance_ohm": "0.45", "torque_constant_n_m_a": "0.28", "friction_torque_n_m": "0.05"},
    "CurvePoint": {"flow_m3_s": "0.0012", "head_m": "58", "power_w": "1150"},
    "PowerTablePoint": {"head_m": "40", "input_power_w": "600", "flow_m3_s": "0.0008"},
    "Ejector": {"nozzle_diameter_m": "0.008", "throat_diameter_m": "0.014"},
    "Well": {
        "static_water_level_m": "38.1", "level_uncertainty_m": "0.5", "pump_setting_depth_m": "60",
        "low_water_probe_depth_m": "57", "level_logger_depth_m": "58", "well_depth_m": "75"},
    "Pipework": {"outlet_height_m": "4.5", "check_valve_depths_m": "[58.5]", "weep_hole_depth_m": "2.0"},
    "PipeRun": {"length_m": "60", "bore_m": "0.040", "hazen_williams_c": "140"},
    "Tank": {
        "diameter_m": "3.6", "top_diameter_m": "4.0", "length_m": "4.0", "width_m": "2.5", "height_m": "2.4",
        "level_table_m": "[0, 1, 2]", "volume_table_m3": "[0, 9, 20]", "full_level_m": "2.2",
        "float_reset_level_m": "1.9", "overflow_level_m": "2.35"},
    "FlowMeter": {"pulse_volume_m3": "0.01", "totaliser_modulus_m3": "100000"},
    "Sensor": {"uncertainty_pct": "3", "note": '"Cleaned every spring"'},
    "Demand": {"daily_need_m3": "9"},
    "Guarantee": {
        "reference": '"Offer 2024-17"', "daily_volume_m3": "17", "total_dynamic_head_m": "62",
        "daily_irradiation_kwh_m2": "6.5", "starts_on": "2024-06-14", "ends_on": "2029-06-14",
        "air_temperature_c": "25", "ageing_allowance_pct_per_year": "0.7"},
    "Owner": {"name": '"Ridge Sheep Company"', "email": '"owner@ridge.example"', "greeting_name": '"Marlow"'},
    "LogSource": {"profile": '"weekly-comma"', "files": '"ridge-well/*.csv*"', "logger_id": '"RW-01"',
                  "columns": '{"Chan 3" = "flow_m3_s"}'},
    "WeatherFile": {"file": '"station.dat.gz"', "reader": '"surfrad"', "column": '"Global PSP [W/m^2]"'},
    "LoggerProfile": {
        "key": '"weekly-comma"', "says": '"Weekly export of the well loggers"', "header_starts_with": '"Date"',
        "thousands": '","', "columns": '["stamp", "flow", "volts"]', "widths": "[19, 8, 8]", "units_row": "1",
        "section_starts_with": '"[Data]"', "section_ends_with": '"[Events]"', "comment": '"#"',
        "trailer_starts_with": '"Total"', "sentinels": '["-9999", "ERR"]', "sheet": '"Readings"', "records": '"row"',
        "record_keys": '["variable/code"]', "ignored_columns": '["RSSI"]'},
    "TimeRule": {
        "columns": '["Date", "Time"]', "parts": '{year = "YYYY", day_of_year = "DOY", hhmm = "TIME"}',
        "header_pattern": '"Year: (?P<year>\\\\d{4})"', "zone": '"America/Denver"', "interval_s": "900"},
    "ColumnRule": {
        "channel": '"flow_m3_s"', "unit": '"gpm_us"', "pulse_volume": "10", "rollover": "1000000",
        "good_codes": '["A", "G"]', "code_column": '"Flow quality"'},
    "LongRule": {"name_column": '"tag"', "value_column": '"value"'},
    "SiteRule": {"files": '"export/*.csv"', "path_pattern": "'^(?P<site>[^/]+)/'", "column": '"station"'},
    "Company": {
        "name": '"Three Wells Service"', "timezone": '"America/Denver"', "water_value_per_m3": "4.5",
        "currency": '"USD"', "alerts": '{service_desk = ["desk@threewells.example"]}', "note": '"Since 2011"'},
    "Letters": {"sender": '"letters@threewells.example"', "sender_name": '"Three Wells Service"',
                "reply_to": '"desk@threewells.example"', "phone": '"555-0142, 7 to 17 h"'},
    "Depot": {"name": '"Yard"', "latitude_deg": "34.14", "longitude_deg": "-104.62"},
    "ThresholdChange": {"value": "0.8", "why": '"Our meters are checked every year"'},
}


def example_of(description: str, key: str) -> str:
    """Return what may stand behind `key =` in a description, empty where none is kept."""
    return EXAMPLES.get(description, {}).get(key, "")
