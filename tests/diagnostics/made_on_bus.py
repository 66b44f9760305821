"""Small plants on a battery or on wind: users call at fixed hours, the bus voltage or the wind sets the pace."""

from collections.abc import Callable

import numpy as np
import pandas as pd

from diagnostics.chain.power_source import CHARGER_EFFICIENCY, wind_power_w
from diagnostics.evidence.source_power import as_running, charging_point, motor_side, motor_volts, power_at_bus
from diagnostics.expected import SiteModel
from diagnostics.health import HEALTHY, Health
from diagnostics.readings import SiteReadings
from diagnostics.site import Array, Battery, Drive, Site, WindTurbine
from tests.diagnostics.made_readings import FIRST_DAY, centrifugal_site, made_weather

CALLS_H = ((6.0, 9.0), (11.0, 15.5), (18.0, 20.0))
INNER_H = 0.05      # resistance times capacity over nominal voltage


def bus_site(**changes: object) -> Site:
    """The centrifugal submersible on a 144 V battery, without a tank: nobody logs who calls."""
    module = centrifugal_site().array.module
    fields: dict[str, object] = {
        "array": Array(module=module, modules_in_series=8, strings_in_parallel=2, tilt_deg=30.0, azimuth_deg=180.0),
        "drive": Drive(key="d", kind="battery_bus", rated_efficiency=0.95), "tank": None,
        "battery": Battery(nominal_voltage_v=144, capacity_ah=160, low_voltage_disconnect_v=132,
                           reconnect_voltage_v=146, absorption_voltage_v=172.8)}
    return centrifugal_site(**(fields | changes))


def bus_readings(site: Site, days: int, *, health_of_day: Callable[[int], Health] = lambda day: HEALTHY,
                 give_of_day: Callable[[int], float] = lambda day: 1.0, seed: int = 1, step_s: float = 900.0,
                 change: Callable[[pd.DataFrame, np.ndarray], None] | None = None) -> SiteReadings:
    """Return readings: rest voltage by a slow course of charge, less what load and charge make of it."""
    weather = made_weather(site, days, seed=seed, step_s=step_s)
    rng = np.random.default_rng(seed + 7)
    count = len(weather)
    day = (np.arange(count) * step_s // 86400).astype(int)
    hour = (np.arange(count) * step_s % 86400) / 3600.0
    calls = np.zeros(count, dtype=bool)
    for begins, ends in CALLS_H:
        late = np.round(rng.uniform(-1.0, 1.0, days) * 4.0)[day] / 4.0
        calls |= (hour >= begins + late) & (hour < ends + late)
    battery = site.battery
    rest = battery.nominal_voltage_v * (1.0 + 0.03 * np.sin(2.0 * np.pi * (hour - 9.0) / 24.0)
                                        + 0.01 * rng.standard_normal(days)[day])
    give = INNER_H * battery.nominal_voltage_v / battery.capacity_ah * np.array([give_of_day(d) for d in range(days)])
    level = np.full(count, site.well.static_water_level_m)
    cell = weather["module_temperature_c"].to_numpy()
    columns: dict[str, np.ndarray] = {}
    states: dict[Health, list[int]] = {}
    for number in range(days):
        states.setdefault(health_of_day(number), []).append(number)
    for health, numbers in states.items():
        model = SiteModel.build(as_running(site), health)
        array_v, array_a = charging_point(site, model, weather["poa_irradiance_w_m2"].to_numpy(), cell)
        array_v = np.where(array_a > 0.0, array_v, 0.0)
        bus, power = rest, np.zeros(count)
        for _ in range(8):
            power = np.where(calls, power_at_bus(model, motor_volts(site, bus), level), 0.0)
            into = (CHARGER_EFFICIENCY * array_v * array_a - power) / bus
            bus = 0.5 * bus + 0.5 * (rest + give[day] * into)
        flow = np.where(calls, model.flow_at_power(power, static_level_m=level), 0.0)
        ran = {"array_voltage_v": array_v, "array_current_a": array_a, "battery_voltage_v": bus,
               "battery_current_a": into, "flow_m3_s": flow}
        for name, values in ran.items():
            columns.setdefault(name, np.zeros(count))[np.isin(day, numbers)] = values[np.isin(day, numbers)]
    table = pd.DataFrame({"poa_irradiance_w_m2": weather["poa_irradiance_w_m2"],
                          "module_temperature_c": weather["module_temperature_c"], **columns}, index=weather.index)
    return _read(site, table, day, step_s, rng, change)


def wind_site(**changes: object) -> Site:
    """The centrifugal submersible behind a turbine, its motor's volts and amperes logged."""
    fields: dict[str, object] = {
        "array": None, "tank": None, "wind": WindTurbine(
            hub_height_m=12.0, anemometer_height_m=10.0, rectifier_efficiency=0.9,
            power_curve=[(0, 0), (3, 0), (4, 150), (5, 420), (6, 800), (7, 1300), (8, 1900), (10, 3200), (25, 3200)])}
    return centrifugal_site(**(fields | changes))


def wind_readings(site: Site, days: int, *, health_of_day: Callable[[int], Health] = lambda day: HEALTHY,
                  source_of_day: Callable[[int], float] = lambda day: 1.0, seed: int = 1, step_s: float = 900.0,
                  change: Callable[[pd.DataFrame, np.ndarray], None] | None = None) -> SiteReadings:
    """Return readings under a wind that wanders over hours; the source gives a share of the printed curve."""
    rng = np.random.default_rng(seed)
    start = pd.Timestamp(FIRST_DAY, tz=site.timezone).tz_convert("UTC")
    count = int(days * 86400 / step_s)
    index = pd.DatetimeIndex(start + pd.to_timedelta(np.arange(1, count + 1) * step_s, unit="s"),
                             name="interval_end_utc")
    day = (np.arange(count) * step_s // 86400).astype(int)
    course = np.convolve(rng.standard_normal(count + 40), np.ones(41) / 41**0.5, mode="valid")
    wind = np.maximum(5.5 + 2.2 * course, 0.3)
    sound = SiteModel.build(site)
    level = np.full(count, site.well.static_water_level_m)
    offered = wind_power_w(site.wind, wind, site.altitude_m, np.full(count, 20.0)) * np.array(
        [source_of_day(d) for d in range(days)])[day]
    flow, volts, amps = np.zeros(count), np.zeros(count), np.zeros(count)
    for number in range(days):
        rows = day == number
        health = health_of_day(number)
        model = sound if health == HEALTHY else SiteModel.build(site, health)
        nothing = np.zeros(rows.sum())
        taken = model.operate(nothing, nothing + 25.0, nothing + 20.0, level[rows], offered[rows]).power_taken_w
        taken = np.where(taken > float(model.threshold_power_w()), taken, 0.0)
        flow[rows] = model.flow_at_power(taken, static_level_m=level[rows])
        volts[rows] = np.where(taken > 0.0, 60.0 + 0.06 * taken, 0.0)
        amps[rows] = np.where(taken > 0.0, motor_side(model.drive, taken) / np.maximum(volts[rows], 1.0), 0.0)
    table = pd.DataFrame({"wind_speed_m_s": wind, "motor_voltage_v": volts, "motor_current_a": amps,
                          "flow_m3_s": flow}, index=index)
    return _read(site, table, day, step_s, rng, change)


def _read(site: Site, table: pd.DataFrame, day: np.ndarray, step_s: float, rng: np.random.Generator,
          change: Callable[[pd.DataFrame, np.ndarray], None] | None) -> SiteReadings:
    for name in table.columns:
        table[name] *= 1.0 + (0.001 if name == "battery_voltage_v" else 0.01) * rng.standard_normal(len(table))
    if change is not None:
        change(table, day)
    masks = pd.DataFrame(0, index=table.index, columns=table.columns)
    return SiteReadings(site.id, table, masks, pd.Series(step_s, index=table.index))
