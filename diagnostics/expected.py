"""Expected delivery: what the described site, in a given state of health, would have delivered in each interval."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.chain.array_alone import array_alone, level_sky
from diagnostics.chain.clouds import NEGLIGIBLE_SPREAD
from diagnostics.chain.daylight import LOWEST_SUN_DEG, SOURCES, Daylight, daylight, follows_directly
from diagnostics.chain.describable import ChainNotAvailable
from diagnostics.chain.drive import after_starting, running_state, timer_allows
from diagnostics.chain.learned import SHEET, Learned
from diagnostics.chain.pipework import drained_volume_m3
from diagnostics.chain.site_model import SiteModel
from diagnostics.chain.subhourly import daylight_in_pieces, joined, pieces_for
from diagnostics.chain.supply import Operation
from diagnostics.chain.uncertainty import FlowInterval, flow_interval
from diagnostics.chain.well import aquifer_drawdown_m
from diagnostics.health import HEALTHY, Health
from diagnostics.site import Site

Floats = NDArray[np.float64]

STATES = ("night", "low_sun", "running", "capped", "no_irradiance", "no_chain", "timer_off", "locked_out")
EXPECTED_COLUMNS = (
    "poa_irradiance_w_m2", "irradiance_source", "clear_sky_poa_w_m2", "sun_elevation_deg", "cell_temperature_c",
    "array_power_available_w", "expected_array_voltage_v", "expected_array_current_a", "expected_array_power_w",
    "expected_flow_m3_s", "expected_flow_low_m3_s", "expected_flow_high_m3_s", "expected_speed_rpm",
    "expected_water_level_m", "expected_state")
_LAG_PASSES = 3

__all__ = ["EXPECTED_COLUMNS", "STATES", "ChainNotAvailable", "Daylight", "SiteModel", "daylight", "expect",
           "light_of"]


@dataclass(frozen=True)
class _Delivery:
    """Water side of the daylight rows."""

    operation: Operation
    flow_m3_s: Floats           # true flow, before the meter
    level_m: Floats             # aquifer level at the well
    running: NDArray[np.bool_]
    allowed: NDArray[np.bool_]  # by the timer
    locked: NDArray[np.bool_]   # by too high a voltage


def expect(site: Site, weather: pd.DataFrame, interval_s: "pd.Series[float] | float", *, health: Health = HEALTHY,
           model: SiteModel | None = None, light: Daylight | None = None,
           use_measured_level: bool = False, learned: Learned = SHEET, with_effects: bool = False) -> pd.DataFrame:
    """
    Expected delivery of every interval, tank calling.

    The interval of 95 % is propagated to first order from irradiance, nameplate, temperature, pump grade, level and
    meter: each input is moved by its standard uncertainty through the same tables, upwards and downwards apart, and
    the moves are added in quadrature on each side (JCGM 100:2008, 5.1.2, with asymmetric steps because the flow
    begins at a threshold).

    Parameters
    ----------
    site : Site
    weather : DataFrame
        UTC index of interval ends; whatever channels of `quantities.CHANNELS` are known and sound, NaN elsewhere.
        Columns ``neighbour_global_horizontal_irradiance_w_m2`` and ``imported_global_horizontal_irradiance_w_m2`` are
        used where the site's own sensors are silent. [UTC]
    interval_s : Series or float
        Length of each interval. [s]
    health : Health, default healthy
        Ignored where `model` is given.
    model : SiteModel, optional
        Built before, to save time.
    light : Daylight, optional
        `light_of(site, weather, interval_s)` worked out before: it does not depend on health.
    use_measured_level : bool, default False
        True takes the logged pumping level instead of the sheet's well, where it is logged. [1]
    learned : Learned, default nothing beyond the sheet
        What the site's own sound days have taught: flow and its limits are then the site's own.
    with_effects : bool, default False
        True adds `EFFECT_COLUMNS`, for learning from the table. [1]

    Returns
    -------
    expected : DataFrame
        Index of `weather`; columns `EXPECTED_COLUMNS`. Flow is 0 at night (unless a battery or a turbine feeds the
        pump) and NaN where irradiance (or the wind of a turbine) is not known. On a battery the flow is what its
        energy could deliver while water is always wanted; users who want less make it run less, so such a site is
        judged by `SiteModel.water_per_energy_m3_j`.
    """
    if model is None:
        try:
            model = SiteModel.build(site, health)
        except ChainNotAvailable:
            return _without_chain(site, weather, interval_s, health, light)
    light = light_of(site, weather, interval_s) if light is None else light
    pieces = max(len(light.when_utc) // max(len(weather.index), 1), 1)
    measured = None
    if use_measured_level and "water_level_m" in weather.columns:
        logged = np.asarray(weather["water_level_m"], dtype=np.float64)
        measured = np.repeat(logged, pieces)[light.rows]
    delivery = _deliver(model, light, measured)
    interval = flow_interval(model, light, delivery.operation, delivery.flow_m3_s, delivery.level_m, learned)
    table = _table(model, light, delivery, interval)
    if with_effects:
        for name, effect in interval.effects.items():
            full = np.zeros(len(light.when_utc))
            full[light.rows] = effect * model.health.meter_ratio
            table[name] = full
    return table if pieces == 1 else joined(table, pd.DatetimeIndex(weather.index), pieces)


def light_of(site: Site, weather: pd.DataFrame, interval_s: "pd.Series[float] | float") -> Daylight:
    """
    Light that `expect` would work out for itself, to be passed in when many states of health share one weather.

    Parameters
    ----------
    site : Site
    weather : DataFrame
        As for `expect`. [UTC]
    interval_s : Series or float
        [s]

    Returns
    -------
    light : Daylight
        Intervals longer than twenty minutes come cut into quarters of an hour.
    """
    lengths = np.asarray(np.broadcast_to(np.asarray(interval_s, dtype=np.float64), (len(weather.index),)))
    evened_out = site.array is None or site.wind is not None or site.drive.kind == "battery_bus"
    pieces = 1 if evened_out else pieces_for(lengths)
    return (daylight(site, weather, interval_s) if pieces == 1
            else daylight_in_pieces(site, _numbers(weather), lengths, pieces))


def _numbers(weather: pd.DataFrame) -> pd.DataFrame:
    return weather.select_dtypes("number")


def _deliver(model: SiteModel, light: Daylight, measured_level_m: Floats | None) -> _Delivery:
    """
    Run source, drive, pump and well for the daylight rows.

    The aquifer's drawdown lags the flow and the flow depends on the level: a few damped passes over all rows settle
    both. The light's spread inside each interval is then put back by the mean of two points, one standard deviation
    above and below, as far as the delivery bends between them.
    """
    cell, air = light.cell.temperature_c, light.air_temperature_c
    effective = light.effective_w_m2 * model.health.irradiance_ratio
    when = light.when_utc[light.rows]
    static = model.static_level(when) + model.health.extra_static_level_m
    well, loss = model.site.well, model.health.well_loss_ratio
    level = static
    lengths = light.interval_s[light.rows]
    broken = ~follows_directly(when, lengths)

    allowed = timer_allows(model.site.drive, when - pd.to_timedelta(lengths / 2.0, unit="s"), model.site.timezone)

    def operate(at_level: Floats) -> Operation:
        offered = model.operate(effective, cell, air, at_level, light.wind_power_w)
        return model.supply.through_store(offered, at_level, lengths, allowed) if model.on_battery else offered

    operation = operate(level)
    cannot_start, stops = model.supply.locked_out(operation, effective, cell)
    running = _running(model, operation, effective, cell, level, broken, ~allowed | stops, cannot_start)
    if well.drawdown_linear_s_m2 > 0.0 or measured_level_m is not None:
        flow = _flow(model, operation, level, running, steady=True)
        for _ in range(_LAG_PASSES):
            level = static + aquifer_drawdown_m(well.drawdown_linear_s_m2 * loss * flow, when, lengths,
                                                well.recovery_time_s)
            if measured_level_m is not None:
                own = well.drawdown_quadratic_s2_m5 * loss * flow**2
                level = np.where(np.isfinite(measured_level_m), measured_level_m - own, level)
            if model.crossing is not None:
                operation = operate(level)
            flow = 0.5 * flow + 0.5 * _flow(model, operation, level, running, steady=False)
        operation = operate(level)
    flow = _flow(model, operation, level, running, steady=False)
    flow = flow + np.where(allowed & ~stops, _bend(model, light, effective, level, flow, running), 0.0)
    flow = after_starting(flow, running, broken, lengths, restart_delay_s=model.site.drive.restart_delay_s,
                          fill_m3=drained_volume_m3(model.site.pipework))
    return _Delivery(operation, flow, level, running, allowed, (cannot_start | stops) & ~running)


def _flow(model: SiteModel, operation: Operation, level: Floats, running: NDArray[np.bool_], *,
          steady: bool) -> Floats:
    flow = model.read_flow(operation.pumping_power_w, level, steady=steady)
    return np.where(running | np.isnan(flow), flow, 0.0)


def _bend(model: SiteModel, light: Daylight, effective: Floats, level: Floats, flow: Floats,
          running: NDArray[np.bool_]) -> Floats:
    """Mean flow of a lighter and a darker half of each unsteady interval, less the flow at the mean light."""
    extra = np.zeros_like(flow)
    rows = np.flatnonzero((light.cloud_spread > NEGLIGIBLE_SPREAD) & np.isfinite(flow))
    if rows.size == 0 or model.on_battery:
        return extra
    cell, air = light.cell.temperature_c[rows], light.air_temperature_c[rows]
    wind = None if light.wind_power_w is None else light.wind_power_w[rows]
    start, stop = model.thresholds(cell, level[rows])
    halves = np.zeros(rows.size)
    for side in (1.0, -1.0):
        lit = effective[rows] * (1.0 + side * light.cloud_spread[rows])
        operation = model.operate(lit, cell, air, level[rows], wind)
        signal = lit if model.site.drive.kind == "direct" else operation.power_taken_w
        goes = signal >= np.where(running[rows], stop, start)
        halves += 0.5 * np.where(goes, model.read_flow(operation.power_taken_w, level[rows], steady=False), 0.0)
    extra[rows] = halves - flow[rows]
    return extra


def _running(model: SiteModel, operation: Operation, effective: Floats, cell: Floats, level: Floats,
             broken: NDArray[np.bool_], held_off: NDArray[np.bool_],
             cannot_start: NDArray[np.bool_]) -> NDArray[np.bool_]:
    start, stop = model.thresholds(cell, level)
    signal = effective if model.site.drive.kind == "direct" else operation.power_taken_w
    if held_off.any() or cannot_start.any():
        start, stop = np.where(held_off | cannot_start, np.inf, start), np.where(held_off, np.inf, stop)
    return running_state(signal, start, stop, broken)


def _table(model: SiteModel, light: Daylight, delivery: _Delivery, interval: FlowInterval) -> pd.DataFrame:
    count, rows = len(light.when_utc), light.rows
    operation, meter = delivery.operation, model.health.meter_ratio
    power = operation.power_taken_w
    with np.errstate(invalid="ignore", divide="ignore"):
        current = np.where(operation.array_voltage_v > 0, power / operation.array_voltage_v, 0.0)
    speed = model._speed(model.aquifer, operation.pumping_power_w, delivery.level_m)
    well = model.site.well
    pumping = delivery.level_m + (model.health.well_loss_ratio * well.drawdown_quadratic_s2_m5
                                  * delivery.flow_m3_s**2)

    def spread(day: Floats, night: float) -> Floats:
        full = np.full(count, night)
        full[rows] = day
        return full

    night_level = model.static_level(light.when_utc) + model.health.extra_static_level_m
    night_level[rows] = pumping
    unknown = np.isnan(light.poa_w_m2)
    if light.wind_power_w is not None:
        unknown = unknown | np.isnan(light.wind_power_w)
    state = np.zeros(count, dtype=np.int8)
    still = np.where(~delivery.allowed, 6, np.where(delivery.locked, 7, 1))
    state[rows] = np.where(unknown, 4, np.where(~(delivery.flow_m3_s > 0), still,
                                                np.where(operation.is_capped, 3, 2)))
    source = np.zeros(count, dtype=np.int8)
    source[rows] = light.source
    values = {
        "poa_irradiance_w_m2": spread(light.poa_w_m2, 0.0),
        "irradiance_source": pd.Categorical.from_codes(source, categories=pd.Index(SOURCES)),
        "clear_sky_poa_w_m2": spread(light.clear_sky_poa_w_m2, 0.0),
        "sun_elevation_deg": light.elevation_all_deg,
        "cell_temperature_c": spread(np.where(light.elevation_all_deg[rows] > LOWEST_SUN_DEG, light.cell.temperature_c,
                                              np.nan), np.nan),
        "array_power_available_w": spread(operation.power_available_w, 0.0),
        "expected_array_voltage_v": spread(operation.array_voltage_v, 0.0),
        "expected_array_current_a": spread(current, 0.0),
        "expected_array_power_w": spread(power, 0.0),
        "expected_flow_m3_s": spread(interval.flow_m3_s * meter, 0.0),
        "expected_flow_low_m3_s": spread(interval.low_m3_s * meter, 0.0),
        "expected_flow_high_m3_s": spread(interval.high_m3_s * meter, 0.0),
        "expected_speed_rpm": spread(np.where(delivery.running | np.isnan(speed), speed, 0.0), 0.0),
        "expected_water_level_m": night_level,
        "expected_state": pd.Categorical.from_codes(state, categories=pd.Index(STATES)),
    }
    return pd.DataFrame(values, index=light.when_utc, copy=False)


def _without_chain(site: Site, weather: pd.DataFrame, interval_s: "pd.Series[float] | float", health: Health,
                   light: Daylight | None) -> pd.DataFrame:
    """Say what can be said without a pump: light and, behind a drive that tracks, the array's own operating point."""
    count = len(weather.index)
    table = pd.DataFrame({name: np.full(count, np.nan) for name in EXPECTED_COLUMNS}, index=weather.index)
    source = np.zeros(count, dtype=np.int8)
    if site.array is not None:
        light = daylight(site, weather, interval_s) if light is None else light
        alone = array_alone(site, light.effective_w_m2 * health.irradiance_ratio, light.cell.temperature_c, health)
        for name, values, night in (("poa_irradiance_w_m2", light.poa_w_m2, 0.0),
                                    ("clear_sky_poa_w_m2", light.clear_sky_poa_w_m2, 0.0),
                                    ("cell_temperature_c", light.cell.temperature_c, np.nan),
                                    ("array_power_available_w", alone.power_available_w, 0.0),
                                    ("expected_array_power_w", alone.power_w, 0.0),
                                    ("expected_array_voltage_v", alone.voltage_v, np.nan),
                                    ("expected_array_current_a", alone.current_a, 0.0)):
            full = np.full(count, night)
            full[light.rows] = values
            table[name] = full
        table["sun_elevation_deg"] = light.elevation_all_deg
        source[light.rows] = light.source
    else:
        table["sun_elevation_deg"], table["clear_sky_poa_w_m2"] = level_sky(site, pd.DatetimeIndex(weather.index),
                                                                           interval_s)
    table["irradiance_source"] = pd.Categorical.from_codes(source, categories=pd.Index(SOURCES))
    state = np.full(count, STATES.index("no_chain"), dtype=np.int8)
    table["expected_state"] = pd.Categorical.from_codes(state, categories=pd.Index(STATES))
    return table
