"""One interval taken apart: the chain link by link, each number with its unit and where it comes from."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import pandas as pd

from diagnostics.chain.daylight import SOURCES
from diagnostics.chain.power_source import wind_power_w
from diagnostics.chain.sun import sun_position
from diagnostics.chain.water import hydraulic_power_w
from diagnostics.expected import ChainNotAvailable, Daylight, SiteModel, expect, light_of
from diagnostics.health import HEALTHY, Health
from diagnostics.site import Site


@dataclass(frozen=True, slots=True)
class ExplainedStep:
    """One line of the explanation."""

    link: str           # "sun", "light", "cells", "array", "drive", "well", "pipes", "pump", "meter"
    quantity: str       # plain words
    value: float | str
    unit: str           # ending known to `diagnostics.units`, or empty
    source: str         # measured, sheet, or the model and its author


_SOURCE_WORDS = {
    "plane_sensor": "measured in the plane of the array",
    "horizontal_sensor": "measured level, split after Erbs, turned into the plane after Perez",
    "neighbour": "a neighbour's level sensor, split after Erbs, turned into the plane after Perez",
    "imported": "imported series, split after Erbs, turned into the plane after Perez",
    "none": "not known",
}
_NOBODYS: Mapping[str, str] = MappingProxyType({})
_DRIVE_WORDS = {
    "direct": "array curve crosses the motor's load line",
    "current_booster": "booster holds the array voltage",
    "voltage_booster": "booster lifts the voltage",
    "tracking": "drive follows the maximum power point",
    "frequency": "frequency drive follows the maximum power point",
    "battery_bus": "charger follows the maximum power point, battery evens it out",
}


def _row(weather: pd.DataFrame, when_utc: pd.Timestamp) -> int:
    index = pd.DatetimeIndex(weather.index)
    if when_utc.tz is None:
        raise ValueError(f"{when_utc} has no time zone; write one, for instance {when_utc.isoformat()}+00:00.")
    at = int(index.searchsorted(when_utc.tz_convert("UTC")))
    if at >= len(index):
        raise ValueError(f"no interval ends at or after {when_utc}; the weather given ends at {index[-1]}.")
    return at


def _sun_steps(site: Site, when: pd.Timestamp, length_s: float, row: "pd.Series[float]") -> list[ExplainedStep]:
    middle = pd.DatetimeIndex([when - pd.Timedelta(seconds=length_s / 2)])
    sun = sun_position(middle, site.latitude_deg, site.longitude_deg, site.altitude_m)
    steps = [ExplainedStep("sun", "elevation at mid-interval", float(sun.elevation_deg[0]), "deg",
                           "NREL solar position algorithm"),
             ExplainedStep("sun", "azimuth, clockwise from north", float(sun.azimuth_deg[0]), "deg",
                           "NREL solar position algorithm")]
    if site.array is not None:
        steps.append(ExplainedStep("sun", "clear sky in the plane of the array", float(row["clear_sky_poa_w_m2"]),
                                   "w_m2", "Ineichen and Perez, monthly turbidity; Hay and Davies"))
    return steps


def _cell_source(weather: "pd.Series[float]") -> str:
    if np.isfinite(weather.get("module_temperature_c", np.nan)):
        return "module sensor, 3 K at 1000 W/m2 added for the cell"
    air = "measured air" if np.isfinite(weather.get("air_temperature_c", np.nan)) else "usual air of the season"
    wind = "measured wind" if np.isfinite(weather.get("wind_speed_m_s", np.nan)) else "a usual breeze"
    return f"Faiman from {air} and {wind}"


def _light_steps(site: Site, light: Daylight, at: int, row: "pd.Series[float]", weather: "pd.Series[float]",
                 whose: Mapping[str, str]) -> list[ExplainedStep]:
    source = str(row["irradiance_source"])
    steps = [ExplainedStep("light", "irradiance in the plane of the array", float(row["poa_irradiance_w_m2"]), "w_m2",
                           _SOURCE_WORDS[source] if source in SOURCES else source)]
    if source in whose:
        steps.append(ExplainedStep("light", "whose light it is", whose[source], "", "borrowed: its own is not known"))
    place = np.flatnonzero(light.rows == at)
    if place.size and site.array is not None:
        i = int(place[0])
        kept = light.effective_w_m2[i] / light.poa_w_m2[i] if light.poa_w_m2[i] > 0 else float("nan")
        steps += [ExplainedStep("light", "standard uncertainty of the irradiance",
                                100.0 * float(light.irradiance_uncertainty[i]), "pct", "by source; sheet where given"),
                  ExplainedStep("light", "spread inside the interval, over its mean",
                                100.0 * float(light.cloud_spread[i]), "pct", "how far neighbouring intervals differ"),
                  ExplainedStep("light", "share left after glass, mismatch and ageing", 100.0 * float(kept), "pct",
                                "physical reflection model; sheet"),
                  ExplainedStep("cells", "cell temperature", float(row["cell_temperature_c"]), "c",
                                _cell_source(weather))]
    return steps


def _array_steps(site: Site, model: SiteModel, row: "pd.Series[float]") -> list[ExplainedStep]:
    steps = []
    if site.array is not None and model.curve is not None:
        fitted = "met exactly" if model.curve.module.fitted_exactly else "met as nearly as they allow"
        steps = [ExplainedStep("array", "nominal power", site.array.nominal_power_w, "w", "sheet"),
                 ExplainedStep("array", "wiring between array and drive", model.curve.wiring_ohm, "ohm",
                               "sheet: length and cross-section of copper"),
                 ExplainedStep("array", "maximum power at the drive's terminals",
                               float(row["array_power_available_w"]), "w",
                               f"single-diode model (De Soto), label values {fitted}"),
                 ExplainedStep("drive", "array voltage", float(row["expected_array_voltage_v"]), "v",
                               _DRIVE_WORDS[site.drive.kind]),
                 ExplainedStep("drive", "array current", float(row["expected_array_current_a"]), "a",
                               "power over voltage")]
    else:
        steps = [ExplainedStep("source", "power on the bus", float(row["array_power_available_w"]), "w", "turbine")]
    state = str(row["expected_state"])
    steps.append(ExplainedStep("drive", "power taken", float(row["expected_array_power_w"]), "w",
                               "at its cap" if state == "capped" else
                               _DRIVE_WORDS[site.drive.kind] if site.array is not None else "what the turbine gives"))
    return steps


def _source_steps(site: Site, model: SiteModel, weather: "pd.Series[float]") -> list[ExplainedStep]:
    """Lines on a wind turbine and on a battery, where there are such."""
    steps = []
    if site.wind is not None:
        speed = float(weather.get("wind_speed_m_s", np.nan))
        air = float(np.nan_to_num(weather.get("air_temperature_c", np.nan), nan=15.0))
        power = float(wind_power_w(site.wind, [speed], site.altitude_m, [air])[0])
        steps += [ExplainedStep("source", "wind at the anemometer", speed, "m_s", "measured"),
                  ExplainedStep("source", "power of the turbine on the rectifier's bus", power, "w",
                                "printed curve, carried to hub height and the air's density")]
    if site.battery is not None and model.on_battery:
        steps += [ExplainedStep("source", "share of stored energy that comes back",
                                100.0 * model.supply.bus_efficiency(), "pct", "charger, and battery after its sheet"),
                  ExplainedStep("source", "water for the energy of a kilowatt-hour",
                                float(model.water_per_energy_m3_j()) * 3.6e9, "l",
                                "pump at the bus's own voltage; what such a site is judged by")]
    return steps


_STATE_WORDS = {
    "night": "night: no sun, nothing expected",
    "running": "running below its limits",
    "capped": "running at the limit of drive or pump",
    "no_irradiance": "light (or wind) is not known, so nothing can be expected",
    "timer_off": "held by its timer",
    "locked_out": "array voltage above the drive's lock-out",
}


def _state_steps(model: SiteModel, when: pd.Timestamp, row: "pd.Series[float]") -> list[ExplainedStep]:
    """Say in words what the pump should have been doing, and what a standing one needs to start."""
    state = str(row["expected_state"])
    if model.on_battery:
        words = "its battery holds too little" if state == "low_sun" else _STATE_WORDS.get(state, state)
        return [ExplainedStep("start", "state", words, "", "of the expectation, water always wanted")]
    cell = float(np.nan_to_num(row["cell_temperature_c"], nan=25.0))
    level = model.static_level(pd.DatetimeIndex([when])) + model.health.extra_static_level_m
    start, stop = (float(limit[0]) for limit in model.thresholds(np.array([cell]), level))
    unit, what = ("w_m2", "light") if model.site.drive.kind == "direct" else ("w", "power")
    words = _STATE_WORDS.get(state, state)
    if state == "low_sun":
        words = "below start threshold: a standing pump does not start, a running one has stopped"
    return [ExplainedStep("start", f"{what} that starts a standing pump", start, unit,
                          "break-away, load at no flow, drive's own setting: the highest of them"),
            ExplainedStep("start", f"{what} below which a running one stops", stop, unit,
                          "load at no flow, drive's own setting and lowest output"),
            ExplainedStep("start", "state", words, "", "of the expectation, tank calling")]


def _water_steps(site: Site, model: SiteModel, when: pd.Timestamp, row: "pd.Series[float]") -> list[ExplainedStep]:
    flow = float(row["expected_flow_m3_s"]) / max(model.health.meter_ratio, 1e-9)
    static = float(model.static_level(pd.DatetimeIndex([when]))[0])
    level = float(row["expected_water_level_m"])
    outlet = float(model.outlet_pressure_at_flow(flow)) / (model.side.density_kg_m3 * 9.80665)
    steady = site.pipework.outlet_height_m + model.side.losses.outlet_pressure_head_m
    riser, suction = (float(curve.at(flow)) for curve in (model.side.losses.riser, model.side.losses.suction))
    head = level + outlet + riser + suction
    rule = "Hazen-Williams" if site.pipework.runs[0].hazen_williams_c is not None else "Darcy-Weisbach, Colebrook"
    steps = [ExplainedStep("well", "static water level", static + model.health.extra_static_level_m, "m",
                           "sheet with its season"),
             ExplainedStep("well", "drawdown", level - static - model.health.extra_static_level_m, "m",
                           "B Q + C Q2 of the sheet; the linear part late by its time constant"),
             ExplainedStep("well", "pumping water level", level, "m", "static level and drawdown"),
             ExplainedStep("pipes", "outlet height and held pressure", steady, "m", "sheet"),
             ExplainedStep("pipes", "friction after the wellhead", outlet - steady, "m", rule),
             ExplainedStep("pipes", "friction in riser and suction", riser + suction, "m", rule),
             ExplainedStep("pipes", "total dynamic head", head, "m", "sum"),
             ExplainedStep("pump", "least power that delivers", float(model.threshold_power_w(static)), "w",
                           "pump against its head at no flow")]
    speed = float(row["expected_speed_rpm"])
    if np.isfinite(speed):
        steps.append(ExplainedStep("pump", "speed", speed, "rpm", "operating point"))
    useful = float(hydraulic_power_w(flow, max(head, 0.0), density_kg_m3=model.side.density_kg_m3))
    power = float(row["expected_array_power_w"])
    steps += [ExplainedStep("pump", "power in the water", useful, "w", "density x gravity x flow x head"),
              ExplainedStep("pump", "wire-to-water efficiency", 100.0 * useful / power if power > 0 else 0.0, "pct",
                            "power in the water over power taken")]
    return steps


def explain_interval(site: Site, weather: pd.DataFrame, interval_s: "pd.Series[float] | float",
                     when_utc: pd.Timestamp, *, health: Health = HEALTHY,
                     whose_light: Mapping[str, str] = _NOBODYS) -> list[ExplainedStep]:
    """
    Take the expectation of one interval apart, link by link.

    Parameters
    ----------
    site : Site
    weather : DataFrame
        As for `expect`; rows before the one asked for let the well remember. [UTC]
    interval_s : Series or float
        [s]
    when_utc : Timestamp
        The interval that ends at, or next after, this instant is explained. [with time zone]
    health : Health, default healthy
    whose_light : mapping of str to str, optional
        Source of light that is not the site's own ("neighbour", "imported") -> whose it is, in words.

    Returns
    -------
    steps : list of ExplainedStep
        In the order of the chain; the last ones are the expected flow and its limits. A site without a chain gives
        the sun and one step that says why.

    Raises
    ------
    ValueError
        If the instant has no time zone or lies after the weather given.
    """
    at = _row(weather, when_utc)
    when = pd.DatetimeIndex(weather.index)[at]
    lengths = np.broadcast_to(np.asarray(interval_s, dtype=np.float64), (len(weather.index),))
    try:
        model = SiteModel.build(site, health)
    except ChainNotAvailable as reason:
        return [ExplainedStep("chain", "no expectation", str(reason), "", "description of the site")]
    light = light_of(site, weather, interval_s)
    table = expect(site, weather, interval_s, model=model, light=light)
    row, given = table.iloc[at], weather.iloc[at]
    steps = _sun_steps(site, when, float(lengths[at]), row)
    if site.array is not None:
        pieces = len(light.when_utc) // len(weather.index)
        steps += _light_steps(site, light, at * pieces + pieces // 2, row, given, whose_light)
    steps += _source_steps(site, model, given)
    steps += _array_steps(site, model, row)
    steps += _state_steps(model, when, row)
    steps += _water_steps(site, model, when, row)
    steps += [ExplainedStep("pump", "mind", note, "", "sheet of the pump") for note in model.notes]
    for quantity, name in (("expected flow", "expected_flow_m3_s"), ("lower limit, 95 %", "expected_flow_low_m3_s"),
                           ("upper limit, 95 %", "expected_flow_high_m3_s")):
        steps.append(ExplainedStep("meter", quantity, float(row[name]), "m3_s",
                                   "what the meter of a sound site would show"))
    return steps


def as_text(steps: list[ExplainedStep]) -> str:
    """
    Write the steps as aligned lines of plain text, a blank line between links.

    Parameters
    ----------
    steps : list of ExplainedStep

    Returns
    -------
    text : str
        Flow in litres a minute, everything else in its own unit.
    """
    widest = max((len(step.quantity) for step in steps), default=0)
    lines: list[str] = []
    link = ""
    for step in steps:
        if step.link != link:
            link = step.link
            lines += ["", link] if lines else [link]
        lines.append(f"  {step.quantity:<{widest}}  {_written(step):>22}   {step.source}".rstrip())
    return "\n".join(lines)


def _written(step: ExplainedStep) -> str:
    if isinstance(step.value, str):
        return step.value
    if step.unit == "m3_s":
        return f"{step.value * 60e3:.4g} L/min"
    signs = {"m_s": "m/s", "l": "L", "w_m2": "W/m2", "pct": "%", "c": "degC", "m": "m", "w": "W", "v": "V", "a": "A",
             "ohm": "ohm", "deg": "deg", "rpm": "rpm"}
    return f"{step.value:.4g} {signs.get(step.unit, step.unit)}"
