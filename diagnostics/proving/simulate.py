"""The door of the proving plants: true plants and planted faults in, readings and truth out."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.proving.instruments import (
    clock_rows,
    meter_total,
    metered_flow,
    reading_of,
    rows_kept,
    with_sensor_faults,
)
from diagnostics.proving.loop import Batch, Column, Singles
from diagnostics.proving.planting import PlantedFault, conditions
from diagnostics.proving.sky import DailyWeather, draw_days
from diagnostics.proving.truth import Instrument, TruePlant
from diagnostics.proving.weather import SkyOverPlant, sky_over
from diagnostics.readings import SiteReadings

Floats = NDArray[np.float64]
STATES = ("night", "low_sun", "running", "capped", "tank_full", "low_water", "stopped", "battery_low")


@dataclass(frozen=True)
class Plant:
    """
    A proving plant after it ran.

    `truth` has the index of `readings` before any row was lost, with columns healthy_flow_m3_s (no fault, tank
    calling, same weather), true_flow_m3_s, state, water_level_m, light_ratio.
    """

    plant: TruePlant
    readings: SiteReadings
    truth: pd.DataFrame
    faults: tuple[PlantedFault, ...]
    rain_mm: "pd.Series[float]"


def simulate(site_truth: TruePlant, *, start_day: date, days: int, rng: np.random.Generator,
             step_s: float | None = None, faults: Sequence[PlantedFault] = (),
             dull_days: tuple[int, int] | None = None, inner_step_s: float = 120.0) -> Plant:
    """
    Run one plant.

    Parameters
    ----------
    site_truth : TruePlant
    start_day : date
        First local day.
    days : int
    rng : numpy.random.Generator
    step_s : float, optional
        Logger interval; the plant's own where it is not given. [s]
    faults : sequence of PlantedFault
    dull_days : tuple of int, optional
        First and last day of a sun-poor spell.
    inner_step_s : float, default 120.0
        Longest step of the simulation itself. [s]

    Returns
    -------
    plant : Plant
    """
    if step_s is not None:
        site_truth = site_truth.replaced(logger_step_s=step_s)
    return simulate_many([site_truth], start_day=start_day, days=days, rng=rng, faults=[faults],
                         dull_days=[dull_days], inner_step_s=inner_step_s)[0]


def simulate_many(plants: Sequence[TruePlant], *, start_day: date, days: int, rng: np.random.Generator,
                  faults: Sequence[Sequence[PlantedFault]] | None = None,
                  dull_days: Sequence[tuple[int, int] | None] | None = None,
                  inner_step_s: float = 120.0) -> list[Plant]:
    """
    Run many plants together, each beside its healthy twin under the same sky.

    Parameters
    ----------
    plants : sequence of TruePlant
    start_day : date
    days : int
    rng : numpy.random.Generator
    faults : sequence of sequences of PlantedFault, optional
        One sequence a plant.
    dull_days : sequence of tuple or None, optional
        One entry a plant.
    inner_step_s : float, default 120.0
        Longest step of the simulation itself; 300 is enough for statistics over many plants. [s]

    Returns
    -------
    plants : list of Plant

    Raises
    ------
    ValueError
        If `faults` or `dull_days` do not have one entry a plant.
    """
    planted = [tuple(f) for f in faults] if faults is not None else [()] * len(plants)
    dull = list(dull_days) if dull_days is not None else [None] * len(plants)
    if len(planted) != len(plants) or len(dull) != len(plants):
        raise ValueError(f"{len(plants)} plants need {len(plants)} lists of faults and dull days; got "
                         f"{len(planted)} and {len(dull)}.")
    record_s = float(np.gcd.reduce([int(p.logger_step_s) for p in plants]))
    step_s = record_s / np.ceil(record_s / inner_step_s)
    chances = rng.spawn(len(plants) + 1)
    day_numbers = np.array([(pd.Timestamp(start_day) + pd.Timedelta(days=d)).day_of_year for d in range(days)])
    weather = [_days_of(plant, day_numbers, chances[i], dull[i]) for i, plant in enumerate(plants)]
    columns, twin_of, hours = _columns(plants, planted, weather, days, chances)
    batch = Batch(columns, chances[-1])
    starts = [pd.Timestamp(start_day).tz_localize(p.site.timezone).tz_convert("UTC") for p in plants]
    block = int(np.clip(2400 // max(len(columns), 1), 4, 30))
    recorded: list[dict[str, Singles]] = []
    skies: list[list[SkyOverPlant]] = []
    for first in range(0, days, block):
        last = min(days, first + block)
        sky, seen = _block_sky(plants, weather, starts, first, last, step_s, chances, int(record_s / step_s))
        n_steps = int((last - first) * 86400 / step_s)
        t = (np.arange(n_steps) + 0.5) * step_s + first * 86400.0
        recorded.append(batch.run_block(sky, np.mod(t, 86400.0) / 3600.0, t / 86400.0,
                                        (t // 3600).astype(np.int64),
                                        day_numbers[np.minimum((t // 86400).astype(np.int64), days - 1)].astype(float),
                                        step_s, int(record_s / step_s)))
        skies.append(seen)
    whole = {name: np.concatenate([r[name] for r in recorded]) for name in recorded[0]}
    out = []
    for i, plant in enumerate(plants):
        own_sky = {f: np.concatenate([getattr(s[i], f) for s in skies])
                   for f in ("plane_w_m2", "horizontal_w_m2", "air_c", "cell_c", "wind_m_s", "elevation_deg")}
        out.append(_logged(plant, planted[i], whole, i, twin_of[i], own_sky, weather[i], starts[i], record_s,
                           hours, columns[i].courses, chances[i]))
    return out


def _days_of(plant: TruePlant, day_numbers: NDArray[np.int64], chance: np.random.Generator,
             dull: tuple[int, int] | None) -> DailyWeather:
    shared = np.random.default_rng(plant.region_seed) if plant.region_seed is not None else None
    gloomy = np.zeros(day_numbers.size, dtype=bool)
    if dull is not None:
        gloomy[dull[0]:dull[1] + 1] = True
    return draw_days(plant.climate, day_numbers, chance, dull=gloomy, region_rng=shared)


def _columns(plants: Sequence[TruePlant], planted: Sequence[tuple[PlantedFault, ...]], weather: list[DailyWeather],
             days: int, chances: list[np.random.Generator]) -> tuple[list[Column], list[int], Floats]:
    hours = np.arange(days * 24, dtype=np.float64) + 0.5
    faulty: list[Column] = []
    twins: list[Column] = []
    twin_of: list[int] = []
    for i, plant in enumerate(plants):
        array = plant.site.array
        substrings = max(1, array.module.bypass_diodes) * array.modules_in_series if array else 1
        shared = {"rain_mm": weather[i].rain_mm, "natural_dust_per_day": plant.dust_pct_day / 100.0,
                  "displacement": plant.machine.kind == "displacement", "substrings": float(substrings),
                  "strings": float(array.strings_in_parallel if array else 1)}
        courses = conditions(planted[i], hours, chances[i], **shared)  # type: ignore[arg-type]
        for fault in planted[i]:
            if fault.cause == "shaded_array":
                d = fault.details
                courses["_sector"] = np.array([d.get("azimuth_low", 225.0), d.get("azimuth_high", 300.0),
                                               d.get("below_elevation", 45.0)])
        healthy = conditions((), hours, chances[i], **shared)  # type: ignore[arg-type]
        always_calling = plant.site.tank is None
        faulty.append(Column(plant, i, courses, always_calling))
        if always_calling and not planted[i]:       # it is its own healthy twin
            twin_of.append(i)
        else:
            twin_of.append(len(plants) + len(twins))
            twins.append(Column(plant, i, healthy, always_calling=True))
    return faulty + twins, twin_of, hours


def _block_sky(plants: Sequence[TruePlant], weather: list[DailyWeather], starts: list[pd.Timestamp], first: int,
               last: int, step_s: float, chances: list[np.random.Generator],
               per_record: int) -> tuple[dict[str, Floats], list[SkyOverPlant]]:
    n = int((last - first) * 86400 / step_s)
    t: Floats = (np.arange(n, dtype=np.float64) + 0.5) * step_s
    local_h = np.mod(t, 86400.0) / 3600.0
    day_index = first + (t // 86400.0).astype(np.int64)
    names = ("light", "cell_c", "air_c", "beam_share", "azimuth_deg", "elevation_deg", "wind_w", "barometer_m")
    sky = {name: np.zeros((n, len(plants))) for name in names}
    seen = []
    for i, plant in enumerate(plants):
        unix = starts[i].timestamp() + first * 86400.0 + t
        one = sky_over(plant, weather[i], unix, local_h, day_index, step_s, chances[i])
        sky["light"][:, i] = one.light_w_m2 if plant.string else 0.0
        sky["cell_c"][:, i], sky["air_c"][:, i] = one.cell_c, one.air_c
        sky["beam_share"][:, i], sky["azimuth_deg"][:, i] = one.beam_share, one.azimuth_deg
        sky["elevation_deg"][:, i] = one.elevation_deg
        sky["barometer_m"][:, i] = plant.barometric_share * weather[i].pressure_anomaly_m[day_index]
        turbine = plant.site.wind
        if turbine is not None:
            speed, watts = np.array(turbine.power_curve).T
            hub = one.wind_m_s * (turbine.hub_height_m / 10.0) ** 0.16
            thin = np.exp(-plant.site.altitude_m / 9000.0)
            sky["wind_w"][:, i] = np.interp(hub, speed, watts) * thin * turbine.rectifier_efficiency
            one = SkyOverPlant(**{**{f: getattr(one, f) for f in one.__dataclass_fields__},
                                  "wind_m_s": one.wind_m_s * ((turbine.anemometer_height_m or 10.0) / 10.0) ** 0.16})
        seen.append(SkyOverPlant(**{f: getattr(one, f).reshape(-1, per_record).mean(axis=1)
                                    for f in one.__dataclass_fields__}))
    return sky, seen


def _binned(values: NDArray[np.floating], bins: int) -> Floats:
    means: Floats = np.asarray(values, dtype=np.float64).reshape(-1, bins).mean(axis=1)
    return means


def _logged(plant: TruePlant, faults: tuple[PlantedFault, ...], whole: dict[str, NDArray[np.float32]], column: int,
            twin: int, sky: dict[str, Floats], weather: DailyWeather, start: pd.Timestamp, record_s: float,
            hours: Floats, courses: dict[str, Floats], chance: np.random.Generator) -> Plant:
    step_s = plant.logger_step_s
    bins = round(step_s / record_s)
    site = plant.site
    true = {name: _binned(values[:, column], bins) for name, values in whole.items()}
    n = true["flow"].size
    when_h: Floats = (np.arange(n, dtype=np.float64) + 0.5) * step_s / 3600.0
    seen = {name: _binned(values, bins) for name, values in sky.items()}
    flow = metered_flow(true["flow"], plant, faults, when_h, step_s, chance)
    tank = whole["tank"][bins - 1::bins, column].astype(np.float64)
    raw: dict[str, Floats] = {
        "poa_irradiance_w_m2": seen["plane_w_m2"], "global_horizontal_irradiance_w_m2": seen["horizontal_w_m2"],
        "air_temperature_c": seen["air_c"], "module_temperature_c": seen["cell_c"] - 2.0 * seen["plane_w_m2"] / 1000.0,
        "wind_speed_m_s": np.maximum(seen["wind_m_s"], 0.0), "rain_mm_rain": _rain(weather, n, step_s, chance),
        "array_voltage_v": true["array_v"], "array_current_a": true["array_i"],
        "array_power_w": _binned(whole["array_v"][:, column] * whole["array_i"][:, column], bins),
        "motor_voltage_v": true["motor_v"], "motor_current_a": true["motor_i"], "pump_speed_rpm": true["speed"],
        "drive_frequency_hz": true["speed"] / site.pump.rated_speed_rpm * site.drive.rated_frequency_hz,
        "draw_flow_m3_s": true["draw"], "water_level_m": true["level"], "tank_level_m": tank,
        "tank_full_ratio": true["full"], "low_water_ratio": true["low_water"], "outlet_pressure_pa": true["pressure"],
        "suction_pressure_pa": true["suction"], "battery_voltage_v": true["battery_v"],
        "battery_current_a": true["battery_i"]}
    readings: dict[str, Floats] = {}
    for name in plant.channels:
        if name == "flow_m3_s":
            readings[name] = flow
        elif name == "meter_total_m3":
            total = meter_total(flow, plant, faults, when_h, step_s, 1234.0)
            readings[name] = np.asarray(np.round(total * 1000.0) / 1000.0, dtype=np.float64)
        elif name in raw:
            seen_value = reading_of(raw[name], plant.instruments.get(name, Instrument()), step_s, chance)
            if name in ("wind_speed_m_s", "pump_speed_rpm", "rain_mm_rain", "drive_frequency_hz", "draw_flow_m3_s"):
                seen_value = np.where(raw[name] <= 0, 0.0, np.maximum(seen_value, 0.0))
            readings[name] = seen_value
    readings = with_sensor_faults(readings, faults, when_h, chance)
    rows = clock_rows(n, faults, when_h, step_s, chance)
    kept = rows_kept(n, plant, faults, when_h, step_s, chance)
    index = pd.DatetimeIndex(start + pd.to_timedelta((np.arange(n) + 1) * step_s, unit="s"), name="interval_end_utc")
    values = pd.DataFrame({name: column_values[rows] for name, column_values in readings.items()}, index=index)
    values = values.astype("float64")[kept]
    light = courses["light"][np.minimum(when_h.astype(np.int64), hours.size - 1)]
    truth = pd.DataFrame({
        "healthy_flow_m3_s": _binned(whole["flow"][:, twin], bins), "true_flow_m3_s": true["flow"],
        "state": _states(true, seen["elevation_deg"]), "water_level_m": true["level"],
        "light_ratio": light}, index=index)
    masks = pd.DataFrame(0, index=values.index, columns=values.columns, dtype="int64")
    logged = SiteReadings(site_id=site.id, values=values, masks=masks,
                          interval_s=pd.Series(float(step_s), index=values.index, name="interval_s"))
    first = index[0].tz_convert(site.timezone).date()
    rain = pd.Series(weather.rain_mm, index=pd.date_range(first, periods=weather.rain_mm.size), name="rain_mm")
    return Plant(plant, logged, truth, faults, rain)


def _rain(weather: DailyWeather, n: int, step_s: float, rng: np.random.Generator) -> Floats:
    per_day = int(86400 // step_s)
    out = np.zeros((n // per_day, per_day))
    for day, total in enumerate(weather.rain_mm):
        if total > 0:
            start = int(rng.integers(0, max(1, per_day - per_day // 6)))
            length = max(1, int(per_day / 24 * (1 + 3 * rng.random())))
            share = rng.random(len(out[day, start:start + length])) + 0.1
            out[day, start:start + length] = total * share / share.sum()
    return out.reshape(-1)


def _states(true: dict[str, Floats], elevation_deg: Floats) -> NDArray[np.object_]:
    names = np.array(STATES, dtype=object)
    code = np.where(elevation_deg < 0.0, 0, 1)
    code = np.where((true["battery_low"] > 0.5) & (elevation_deg > 0), 7, code)
    code = np.where((true["low_water"] > 0.5) & (elevation_deg > 0), 5, code)
    code = np.where((true["full"] > 0.5) & (elevation_deg > 0), 4, code)
    code = np.where((true["off"] > 0.5) & (elevation_deg > 0), 6, code)
    code = np.where(true["run"] > 0.5, 2, code)
    code = np.where(true["capped"] > 0.5, 3, code)
    return np.asarray(names[code])
