"""A healthy site as its sensors would log it, with everything that looks like a fault and is none."""

from datetime import date

import numpy as np
import pandas as pd
import pvlib
import pytest

from diagnostics.site import Site


def described_site(**changes: object) -> Site:
    return Site.model_validate({
        "id": "well-1", "name": "Well 1", "latitude_deg": -1.5, "longitude_deg": 37.2, "altitude_m": 1200.0,
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
        "well": {"static_water_level_m": 20.0, "pump_setting_depth_m": 35.0, "drawdown_linear_s_m2": 3000.0},
        "pipework": {"runs": [{"length_m": 40.0, "bore_m": 0.04}], "outlet_height_m": 3.0},
        "tank": {"shape": "vertical_cylinder", "diameter_m": 3.0, "height_m": 2.5, "full_level_m": 2.3},
        **changes})


def healthy_values(days: int = 10, seed: int = 3, minutes: int = 5) -> pd.DataFrame:
    """
    Ten days, sensors rounding as loggers do. From day 6 the tank is full from noon on: the array rests at
    open-circuit voltage, the level stands at its float, the well rests. Cloud edges lift irradiance to 1.3 times the
    clear sky. The drive is capped: speed stands at 2900 rpm for hours.
    """
    rng = np.random.default_rng(seed)
    a_day = 1440 // minutes
    start = pd.Timestamp("2026-02-01", tz="UTC") + pd.Timedelta(minutes=minutes)
    index = pd.date_range(start, periods=days * a_day, freq=f"{minutes}min", name="interval_end_utc")
    middle = index - pd.Timedelta(minutes=minutes / 2)
    sun = pvlib.solarposition.get_solarposition(middle, -1.5, 37.2, altitude=1200)
    clear = pvlib.clearsky.haurwitz(sun["apparent_zenith"])["ghi"].to_numpy()
    local_hour = (index.hour + index.minute / 60 + 3) % 24
    day = np.arange(len(index)) // a_day
    cloud = np.clip(rng.normal(0.85, 0.25, len(index)), 0.08, 1.3)
    cloud = np.where(day % 3 == 0, 1.0, cloud)
    ghi = clear * cloud * rng.normal(1.0, 0.003, len(index))
    night_offset = np.where(clear > 0, 0.0, rng.normal(-2.0, 0.7, len(index)))
    full = (day >= 6) & (local_hour > 12)
    running = (ghi > 250) & ~full
    flow = np.where(running, np.minimum(1e-6 * ghi, 0.0008), 0.0)
    module_c = np.interp(local_hour, [0, 6, 14, 19, 24], [15, 12, 27, 20, 15]) + 0.03 * np.clip(ghi, 0, None)
    current = np.where(running, 6.0 * ghi / 1000, 0.0)
    voltage = np.where(ghi > 20, np.where(running, 144.0, 176.0) * (1 - 0.003 * (module_c - 25)), 0.0)
    filled = np.cumsum(np.where(running, 0.0004 * minutes, 0.0))
    level = np.minimum(1.2 + filled - 0.0006 * np.arange(len(index)) % 0.4, 2.3)
    return pd.DataFrame({
        "poa_irradiance_w_m2": np.round(ghi + night_offset, 1),
        "global_horizontal_irradiance_w_m2": np.round(ghi + night_offset, 1),
        "air_temperature_c": np.round(np.interp(local_hour, [0, 6, 14, 19, 24], [15, 12, 27, 20, 15]) * 2) / 2,
        "module_temperature_c": np.round(module_c, 1),
        "array_voltage_v": np.round(voltage), "array_current_a": np.round(current, 1) + 0.05,
        "pump_speed_rpm": np.where(running, np.minimum(np.round(ghi * 4, -1), 2900.0), 0.0),
        "flow_m3_s": np.round(flow * minutes * 60 / 0.01) * 0.01 / (minutes * 60),
        "water_level_m": np.round(20.0 + 3000.0 * flow, 2),
        "tank_level_m": np.round(np.where(full, 2.3, level), 2),
        "wind_speed_m_s": np.round(np.clip(rng.normal(2, 2, len(index)), 0, None), 1),
        "rain_mm_rain": np.zeros(len(index)),
    }, index=index)


@pytest.fixture
def site() -> Site:
    return described_site()


@pytest.fixture
def healthy() -> pd.DataFrame:
    return healthy_values()


@pytest.fixture
def healthy_at():
    return lambda minutes: healthy_values(minutes=minutes)


@pytest.fixture
def interval_s(healthy: pd.DataFrame) -> "pd.Series[float]":
    return pd.Series(300.0, index=healthy.index)
