"""
Readings made from the chain itself with a health that changes by day, plus weather, noise and tolerance.

They prove the mechanics of the inference (a planted shift is found, dated and named); what the diagnosis is worth on
systems with other physics is measured on the proving plants.
"""

from collections.abc import Callable
from datetime import date

import numpy as np
import pandas as pd

from diagnostics.expected import SiteModel, daylight, expect
from diagnostics.health import HEALTHY, Health
from diagnostics.readings import SiteReadings
from diagnostics.site import (
    Array,
    CurvePoint,
    Drive,
    Module,
    Motor,
    PipeRun,
    Pipework,
    Pump,
    Site,
    Tank,
    Well,
)

FIRST_DAY = date(2025, 3, 1)
RICH = ("poa_irradiance_w_m2", "air_temperature_c", "module_temperature_c", "array_voltage_v", "array_current_a",
        "flow_m3_s", "pump_speed_rpm", "water_level_m", "outlet_pressure_pa")
PLAIN = ("poa_irradiance_w_m2", "air_temperature_c", "module_temperature_c", "array_voltage_v", "array_current_a",
         "flow_m3_s")


def centrifugal_site(**changes: object) -> Site:
    """A centrifugal submersible with a tracking drive on three strings."""
    module = Module(key="m", power_w=127, vmp_v=32.0, imp_a=3.97, voc_v=39.2, isc_a=4.22, cells_in_series=60,
                    temperature_coefficient_voc_per_k=-0.0031, temperature_coefficient_isc_per_k=0.0005,
                    temperature_coefficient_power_per_k=-0.0041)
    points = [(0.0, 68.0, 450.0), (0.36e-3, 65.0, 590.0), (0.72e-3, 60.0, 770.0), (0.96e-3, 55.6, 910.0),
              (1.2e-3, 50.0, 1070.0), (1.44e-3, 43.0, 1230.0), (1.68e-3, 35.7, 1380.0)]
    pump = Pump(key="p", family="centrifugal_submersible", stages=9, rated_speed_rpm=3000,
                motor=Motor(kind="brushless_dc", rated_power_w=1450, rated_efficiency=0.8, rated_voltage_v=150,
                            rated_speed_rpm=3000),
                curve=[CurvePoint(flow_m3_s=q, head_m=h, power_w=w) for q, h, w in points])
    fields: dict[str, object] = {
        "id": "made-site", "name": "Made site", "latitude_deg": 33.0, "longitude_deg": -106.0, "altitude_m": 1300.0,
        "timezone": "America/Denver", "installed_on": date(2024, 1, 1),
        "array": Array(module=module, modules_in_series=5, strings_in_parallel=1 + 2, tilt_deg=30.0,
                       azimuth_deg=180.0),
        "drive": Drive(key="d", kind="tracking", rated_efficiency=0.95, max_speed_rpm=3600, has_low_water_stop=True),
        "pump": pump,
        "well": Well(static_water_level_m=28.0, drawdown_linear_s_m2=2500.0, drawdown_quadratic_s2_m5=0.6e6,
                     pump_setting_depth_m=55.0, low_water_probe_depth_m=53.0, well_depth_m=70.0),
        "pipework": Pipework(runs=[PipeRun(length_m=60.0, bore_m=0.04), PipeRun(length_m=40.0, bore_m=0.05)],
                             outlet_height_m=6.0),
        "tank": Tank(shape="vertical_cylinder", diameter_m=4.0, height_m=2.2, full_level_m=2.0,
                     float_reset_level_m=1.7, overflow_level_m=2.1),
    }
    fields.update(changes)
    return Site.model_validate(fields)


def made_weather(site: Site, days: int, *, seed: int = 1, step_s: float = 900.0, cloudiness: float = 0.35
                 ) -> pd.DataFrame:
    """Clear-sky light times a cloud factor that wanders through the day; some days dull."""
    rng = np.random.default_rng(seed)
    start = pd.Timestamp(FIRST_DAY, tz=site.timezone).tz_convert("UTC")
    count = int(days * 86400 / step_s)
    index = pd.DatetimeIndex(start + pd.to_timedelta(np.arange(1, count + 1) * step_s, unit="s"),
                             name="interval_end_utc")
    bare = pd.DataFrame({"air_temperature_c": np.full(count, 20.0)}, index=index)
    clear = expect(site, bare, step_s)["clear_sky_poa_w_m2"].fillna(0.0).to_numpy()
    day = (np.arange(count) * step_s // 86400).astype(int)
    dull = rng.random(days) < cloudiness
    level = np.where(dull, rng.uniform(0.25, 0.8, days), rng.uniform(0.96, 1.0, days))
    rough = np.where(dull, 0.25, 0.01)
    wander = rng.standard_normal(count)
    wander = np.convolve(wander, np.ones(3) / 3**0.5, mode="same")
    factor = np.clip(level[day] * (1.0 + rough[day] * wander), 0.06, 1.05)
    hour = (np.arange(count) * step_s % 86400) / 3600.0
    air = 18.0 + 6.0 * np.sin(2 * np.pi * (day - 60) / 365.0) + 8.0 * np.sin(2 * np.pi * (hour - 9.0) / 24.0)
    poa = clear * factor
    return pd.DataFrame({"poa_irradiance_w_m2": poa, "air_temperature_c": air,
                         "module_temperature_c": air + 0.028 * poa}, index=index)


def made_readings(site: Site, days: int, *, health_of_day: Callable[[int], Health] = lambda day: HEALTHY,
                  channels: tuple[str, ...] = RICH, seed: int = 1, step_s: float = 900.0, noise: float = 0.01,
                  own: Health = HEALTHY, cloudiness: float = 0.35,
                  change: Callable[[pd.DataFrame, np.ndarray], None] | None = None) -> SiteReadings:
    """
    Run the chain under made weather with the health of each day and add reading noise.

    `own` is how this site differs from its sheet while well; `change` edits the finished table in place, given the
    day number of each row.
    """
    weather = made_weather(site, days, seed=seed, step_s=step_s, cloudiness=cloudiness)
    rng = np.random.default_rng(seed + 1000)
    day = (np.arange(len(weather)) * step_s // 86400).astype(int)
    light = daylight(site, weather, step_s)
    table = pd.DataFrame(index=weather.index)
    states: dict[Health, list[int]] = {}
    for number in range(days):
        states.setdefault(_joined(own, health_of_day(number)), []).append(number)
    parts: dict[str, np.ndarray] = {}
    for health, numbers in states.items():
        model = SiteModel.build(site, health)
        ran = expect(site, weather, step_s, health=health, model=model, light=light)
        chosen = np.isin(day, numbers)
        flow = ran["expected_flow_m3_s"].to_numpy(dtype=float)
        columns = {
            "array_voltage_v": ran["expected_array_voltage_v"], "array_current_a": ran["expected_array_current_a"],
            "flow_m3_s": flow, "pump_speed_rpm": ran["expected_speed_rpm"],
            "water_level_m": ran["expected_water_level_m"],
            "outlet_pressure_pa": model.outlet_pressure_at_flow(np.nan_to_num(flow))}
        for name, column in columns.items():
            parts.setdefault(name, np.full(len(weather), np.nan))[chosen] = np.asarray(column, dtype=float)[chosen]
    for name in channels:
        source = weather[name].to_numpy() if name in weather.columns else parts.get(name)
        if source is not None:
            table[name] = np.asarray(source, dtype=float)
    for name in table.columns:
        if name.endswith("_c"):
            table[name] += rng.normal(0.0, 0.3, len(table))
        elif name == "water_level_m":
            table[name] += rng.normal(0.0, 0.03, len(table))
        else:
            table[name] *= 1.0 + noise * rng.standard_normal(len(table))
    if change is not None:
        change(table, day)
    masks = pd.DataFrame(0, index=table.index, columns=table.columns)
    return SiteReadings(site.id, table, masks, pd.Series(step_s, index=table.index))


def _joined(first: Health, second: Health) -> Health:
    """Put two healths on top of each other; neither may set what the other sets."""
    return first.replaced(**second.changed())
