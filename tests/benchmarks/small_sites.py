"""A small site for benchmarks that need one and look at nothing of it."""

from datetime import date

from diagnostics.site import Site


def small_site(site_id: str, **changes: object) -> Site:
    """Return a described site."""
    return Site.model_validate({
        "id": site_id, "name": site_id, "latitude_deg": -1.5, "longitude_deg": 37.2, "altitude_m": 1200.0,
        "timezone": "Africa/Nairobi", "installed_on": date(2020, 1, 1),
        "array": {"module": {"key": "m", "power_w": 100.0, "vmp_v": 18.0, "imp_a": 5.56, "voc_v": 22.0, "isc_a": 6.0,
                             "cells_in_series": 36, "temperature_coefficient_voc_per_k": -0.003,
                             "temperature_coefficient_isc_per_k": 0.0005,
                             "temperature_coefficient_power_per_k": -0.004},
                  "modules_in_series": 8, "strings_in_parallel": 1, "tilt_deg": 10.0, "azimuth_deg": 0.0},
        "drive": {"kind": "tracking"},
        "pump": {"key": "p", "family": "centrifugal_submersible", "rated_speed_rpm": 2900.0,
                 "motor": {"kind": "brushless_dc", "rated_power_w": 700.0, "rated_efficiency": 0.8,
                           "rated_voltage_v": 140.0, "rated_speed_rpm": 2900.0},
                 "curve": [{"flow_m3_s": 0.0, "head_m": 60.0}, {"flow_m3_s": 0.0005, "head_m": 50.0},
                           {"flow_m3_s": 0.001, "head_m": 30.0}]},
        "well": {"static_water_level_m": 20.0, "pump_setting_depth_m": 35.0},
        "pipework": {"runs": [{"length_m": 40.0, "bore_m": 0.04}], "outlet_height_m": 3.0},
        **changes})
