"""A sound site as a technician writes it, and a way to change one thing in it."""

import copy
from collections.abc import Callable
from typing import Any

import pytest

WRITTEN: dict[str, Any] = {
    "id": "well-7", "name": "Well seven", "latitude_deg": -1.2, "longitude_deg": 36.8, "altitude_m": 1650.0,
    "timezone": "Africa/Nairobi", "installed_on": "2025-01-01",
    "array": {
        "module": {"key": "m330", "power_w": 330.0, "vmp_v": 37.6, "imp_a": 8.78, "voc_v": 45.9, "isc_a": 9.3,
                   "cells_in_series": 72, "temperature_coefficient_voc_pct_per_k": -0.31,
                   "temperature_coefficient_isc_pct_per_k": 0.05, "temperature_coefficient_power_pct_per_k": -0.40},
        "modules_in_series": 8, "tilt_deg": 20.0, "azimuth_deg": 0.0},
    "drive": {"kind": "frequency", "max_input_voltage_v": 450.0, "start_power_w": 200.0, "stop_power_w": 150.0},
    "pump": {"key": "c14", "family": "centrifugal_submersible", "rated_speed_rpm": 2850.0, "stages": 14,
             "curve": [{"flow_l_s": 0.0, "head_m": 90.0, "power_w": 500.0},
                       {"flow_l_s": 0.6, "head_m": 75.0, "power_w": 800.0},
                       {"flow_l_s": 1.1, "head_m": 40.0, "power_w": 900.0}],
             "motor": {"kind": "induction", "rated_power_w": 1500.0, "rated_efficiency": 0.75,
                       "rated_voltage_v": 220.0, "rated_speed_rpm": 2850.0}},
    "well": {"static_water_level_m": 30.0, "pump_setting_depth_m": 60.0, "low_water_probe_depth_m": 58.0,
             "well_depth_m": 80.0},
    "pipework": {"outlet_height_m": 5.0, "runs": [{"length_m": 70.0, "bore_mm": 40.0}]},
    "tank": {"shape": "vertical_cylinder", "diameter_m": 3.0, "height_m": 2.5, "full_level_m": 2.3,
             "float_reset_level_m": 2.0, "overflow_level_m": 2.4},
    "guarantee": {"daily_volume_m3": 10.0, "total_dynamic_head_m": 40.0, "daily_irradiation_kwh_m2": 6.0,
                  "starts_on": "2025-01-01", "ends_on": "2030-01-01"},
}

BATTERY = {"nominal_voltage_v": 24.0, "capacity_ah": 200.0, "low_voltage_disconnect_v": 22.8,
           "reconnect_voltage_v": 24.5, "absorption_voltage_v": 28.6}

DIAPHRAGM = {"key": "d1", "family": "diaphragm_submersible", "rated_speed_rpm": 1600.0, "chambers": 3,
             "displacement_ml_rev": 4.0, "volumetric_efficiency": 0.9, "rated_head_m": 50.0, "max_head_m": 70.0,
             "motor": {"kind": "brushed_dc", "rated_power_w": 110.0, "rated_efficiency": 0.7, "rated_voltage_v": 30.0,
                       "rated_speed_rpm": 1600.0}}


def changed(written: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    """Return a copy with values changed at dotted paths; the value None takes a key out."""
    copied = copy.deepcopy(written)
    for path, value in changes.items():
        holder: Any = copied
        *steps, last = path.split(".")
        for step in steps:
            holder = holder[int(step)] if isinstance(holder, list) else holder.setdefault(step, {})
        if value is None:
            del holder[last]
        else:
            holder[int(last) if isinstance(holder, list) else last] = value
    return copied


@pytest.fixture
def written() -> Callable[..., dict[str, Any]]:
    """Return a function that gives the sound site, with some things changed at dotted paths."""
    def build(**changes: Any) -> dict[str, Any]:
        return changed(WRITTEN, {path.replace("__", "."): value for path, value in changes.items()})
    return build


@pytest.fixture
def battery() -> dict[str, Any]:
    """Return a sound 24 V battery."""
    return dict(BATTERY)


@pytest.fixture
def diaphragm() -> dict[str, Any]:
    """Return a sound diaphragm pump."""
    return copy.deepcopy(DIAPHRAGM)
