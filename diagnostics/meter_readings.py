"""What a crew's meters should show at a site: healthy, and with a cause held against it, in strong and in weak sun."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.causes import CAUSES, Form, Misreading, Setting
from diagnostics.chain.cell_temperature import USUAL_WIND_M_S, faiman_cell_temperature_c
from diagnostics.chain.daylight import fixed_losses
from diagnostics.evidence.site_scales import gauge_pressure, site_scales
from diagnostics.expected import ChainNotAvailable, SiteModel
from diagnostics.health import HEALTHY, Health
from diagnostics.results import Finding
from diagnostics.site import Array, Site

Floats = NDArray[np.float64]

STRONG_SUN_W_M2, WEAK_SUN_W_M2 = 800.0, 300.0
_WEAK_AT_MOST_W_M2 = 600.0          # beyond it "weak sun" would be another strong one
_ABOVE_START = 1.2                  # weak sun lies clear of the start of a sound pump
_LIGHTS = np.arange(20.0, 1001.0, 10.0)
_MOST_RIVALS = 2                    # a sheet has room for
_EQUAL_FLOW = 0.08                  # share of the healthy flow by which a rival may miss the finding's


@dataclass(frozen=True, slots=True)
class Readings:
    """Steady readings at one sun; NaN where the site has no such thing. Levels below ground, pressure by gauge."""

    irradiance_w_m2: float
    cell_temperature_c: float
    voltage_v: float
    current_a: float
    power_w: float
    flow_m3_s: float
    water_level_m: float
    pressure_pa: float
    speed_rpm: float


@dataclass(frozen=True, slots=True)
class Told:
    """Readings of one state of the site. `of` is "" for the healthy site and the code of a cause otherwise."""

    of: str
    strong: Readings
    weak: Readings
    starts_at_w_m2: float           # least sun that brings water; NaN where none does
    rest_level_m: float
    standing: bool = False          # readings while the pump stands, not while it runs
    on_logger: bool = False         # what the logger shows, while hand-held meters show the healthy figures


@dataclass(frozen=True, slots=True)
class MeterReadings:
    """All states that a visit sheet sets side by side, the healthy one first."""

    told: tuple[Told, ...]
    volts_per_10_k: float           # change of the array voltage with cells 10 K hotter, strong sun
    open_circuit_v: float           # array disconnected, strong sun
    logged_flow_m3_s: float = float("nan")      # what was logged lately near the strong sun
    logged_power_w: float = float("nan")
    flow_half_width: float = float("nan")       # half of the 95 % interval of the healthy flow, as a share of it


def meter_readings(site: Site, finding: Finding | None, intervals: pd.DataFrame, when_utc: pd.Timestamp
                   ) -> MeterReadings | None:
    """
    Work out what meters should show on a visit.

    Rivals of a finding are taken as large as they must be to cost as much water as it does: only then do the other
    meters tell them apart.

    Parameters
    ----------
    site : Site
    finding : Finding or None
        Held against the site; None gives the healthy figures alone.
    intervals : DataFrame
        Of the site's diagnosis: UTC index, expected and measured columns. May be empty. [UTC]
    when_utc : Timestamp
        For the season of the well and the warmth of late. [UTC]

    Returns
    -------
    readings : MeterReadings or None
        None where the site has no model of its chain, no array or a battery that hides the sun.
    """
    if site.array is None or site.wind is not None or "pump" in site.parts_absent:
        return None
    try:
        sound = SiteModel.build(site)
    except ChainNotAvailable:
        return None
    if sound.on_battery:
        return None
    static = float(sound.static_level(pd.DatetimeIndex([when_utc]))[0])
    own = _own_ratio(intervals)
    place = _Place(site, site.array, _air_temperature_c(site.array, intervals), static, own)
    start = place.start(sound)
    weak = WEAK_SUN_W_M2
    if start * _ABOVE_START > weak:
        weak = min(50.0 * np.ceil(start * _ABOVE_START / 50.0), _WEAK_AT_MOST_W_M2)
    healthy = Told("", place.at(sound, STRONG_SUN_W_M2), place.at(sound, weak), start, static)
    told = [healthy]
    if finding is not None:
        told += _of_finding(place, sound, healthy, finding, _lately(intervals, "flow_m3_s"))
    hotter = place.at(sound, STRONG_SUN_W_M2, hotter_k=10.0)
    return MeterReadings(
        told=tuple(told), volts_per_10_k=hotter.voltage_v - healthy.strong.voltage_v,
        open_circuit_v=place.open_circuit(sound, STRONG_SUN_W_M2),
        logged_flow_m3_s=_lately(intervals, "flow_m3_s"), logged_power_w=_lately(intervals, "array_power_w"),
        flow_half_width=_half_width(intervals))


@dataclass(frozen=True, slots=True)
class _Place:
    """Where and when the readings are taken."""

    site: Site
    array: Array
    air_temperature_c: float
    static_level_m: float
    own_flow_ratio: float           # what the site's own sound days gave over its sheet

    def _cell(self, light: Floats) -> Floats:
        return faiman_cell_temperature_c(light, self.air_temperature_c, USUAL_WIND_M_S,
                                         self.array.heat_loss_constant_w_m2_k, self.array.heat_loss_wind_w_s_m3_k)

    def _effective(self, model: SiteModel, light: Floats) -> Floats:
        return light * float(fixed_losses(self.array, np.zeros(1))[0]) * model.health.irradiance_ratio

    def _level(self, model: SiteModel, size: int) -> Floats:
        return np.full(size, self.static_level_m + model.health.extra_static_level_m)

    def _flow(self, model: SiteModel, light: Floats, cell: Floats) -> tuple[Floats, Floats, Floats]:
        """Return array voltage, power taken and true flow at some lights."""
        level, effective = self._level(model, light.size), self._effective(model, light)
        run = model.operate(effective, cell, np.full(light.size, self.air_temperature_c), level)
        start, _ = model.thresholds(cell, level)
        signal = effective if self.site.drive.kind == "direct" else run.power_taken_w
        flow = np.where(signal >= start, model.read_flow(run.power_taken_w, level, steady=True), 0.0)
        return run.array_voltage_v, run.power_taken_w, flow

    def start(self, model: SiteModel) -> float:
        flow = self._flow(model, _LIGHTS, self._cell(_LIGHTS))[2]
        wet = np.flatnonzero(np.nan_to_num(flow) > 0.0)
        return float(_LIGHTS[wet[0]]) if wet.size else float("nan")

    def at(self, model: SiteModel, irradiance_w_m2: float, *, hotter_k: float = 0.0, volts: float = 1.0,
           amps: float = 1.0) -> Readings:
        """Return the readings at one sun; `volts` and `amps` multiply what the array gives."""
        light = np.array([irradiance_w_m2])
        cell = self._cell(light) + hotter_k
        voltage, power, flow = self._flow(model, light, cell)
        if volts != 1.0 or amps != 1.0:
            voltage, power = voltage * volts, power * volts * amps
            flow = model.read_flow(power, self._level(model, 1), steady=True)
        flow = flow * self.own_flow_ratio
        with np.errstate(invalid="ignore", divide="ignore"):
            current = np.where(voltage > 0.0, power / voltage, 0.0)
        return Readings(
            irradiance_w_m2, float(cell[0]), float(voltage[0]), float(current[0]), float(power[0]), float(flow[0]),
            float(model.pumping_level_at_flow(flow, self.static_level_m)[0]),
            float(gauge_pressure(self.site, model, flow)[0]),
            float(model.speed_at_power(power, self.static_level_m)[0]))

    def standing(self, model: SiteModel, irradiance_w_m2: float, level_m: float, *, dead: bool) -> Readings:
        """Return the readings while the pump stands: array at open circuit, or without any voltage."""
        light = np.array([irradiance_w_m2])
        voltage = 0.0 if dead else self.open_circuit(model, irradiance_w_m2)
        return Readings(irradiance_w_m2, float(self._cell(light)[0]), voltage, 0.0, 0.0, 0.0, level_m, float("nan"),
                        0.0)

    def open_circuit(self, model: SiteModel, irradiance_w_m2: float) -> float:
        light = np.array([irradiance_w_m2])
        if model.curve is None:
            return float("nan")
        return float(model.curve.open_circuit_voltage(self._effective(model, light), self._cell(light))[0])


def _of_finding(place: _Place, sound: SiteModel, healthy: Told, finding: Finding, seen_flow: float) -> list[Told]:
    setting = _setting(place.site, place.array, sound)
    own = [_told(place, sound, healthy, finding.cause, form, _severity(form, setting, finding.size), setting)
           for form in _forms(finding.cause, setting)]
    chosen = _nearest([told for told in own if told is not None], seen_flow)
    if chosen is None:
        return []
    rest = [rival.cause for rival in sorted(finding.rivals, key=lambda rival: -rival.probability)
            if rival.probability >= 0.01]
    rest = [code for code in dict.fromkeys([*finding.group, *rest]) if code != finding.cause][:_MOST_RIVALS]
    rivals = [_rival(place, sound, healthy, code, setting, chosen.strong.flow_m3_s) for code in rest]
    return [chosen, *(told for told in rivals if told is not None)]


def _forms(code: str, setting: Setting) -> Sequence[Form]:
    cause = CAUSES.get(code)
    return [form for form in cause.forms if form.applies(setting)] if cause else []


def _setting(site: Site, array: Array, model: SiteModel) -> Setting:
    scales = site_scales(site, model)
    return Setting(
        site=site, rated_flow_m3_s=scales.rated_flow_m3_s, rated_power_w=scales.rated_power_w, head_m=scales.head_m,
        friction_m=scales.friction_m, strings=array.strings_in_parallel,
        array_resistance_ohm=array.module.vmp_v * array.modules_in_series / (
            array.module.imp_a * array.strings_in_parallel),
        substrings=max(1, array.module.bypass_diodes) * array.modules_in_series, level_logged=True, power_logged=True,
        voltage_logged=True)


def _severity(form: Form, setting: Setting, size: float) -> float:
    """Undo the form's telling of a size, which is proportional in every form there is."""
    one = form.size(1.0, setting)
    return abs(size / one) if one else size


def _told(place: _Place, sound: SiteModel, healthy: Told, code: str, form: Form, severity: float,
          setting: Setting) -> Told | None:
    """Return the readings with one form of a cause; None where no meter would show it."""
    moved = dict(form.direct(severity, setting)) if form.direct else {}
    if any(moved.get(name, 0.0) > 0.0 for name in ("stopped_share", "stopped_open_share", "stopped_dead_share")):
        dead = moved.get("stopped_dead_share", 0.0) > moved.get("stopped_open_share", 0.0)
        # At a low-water stop the level is on its way; nobody knows where.
        level = float("nan") if code == "low_water_cutout" else healthy.rest_level_m
        return Told(code, place.standing(sound, STRONG_SUN_W_M2, level, dead=dead),
                    place.standing(sound, healthy.weak.irradiance_w_m2, level, dead=dead), float("nan"), level,
                    standing=True)
    if form.misreading is not None:
        off = form.misreading(severity, setting)
        return Told(code, _misread(healthy.strong, off), _misread(healthy.weak, off), healthy.starts_at_w_m2,
                    healthy.rest_level_m + off.level_m, on_logger=True)
    try:
        health = form.health(severity, setting) if form.health else HEALTHY
    except ValueError:
        return None     # a size of another form of the same cause, beyond what this one can have
    if health == HEALTHY and not any(f"{name}_high_sun" in moved for name in ("voltage", "current", "power")):
        return None
    model = sound if health == HEALTHY else _built(place.site, health)
    if model is None:
        return None
    strong = place.at(model, STRONG_SUN_W_M2, **_shift(moved, "high_sun"))
    weak = place.at(model, healthy.weak.irradiance_w_m2, **_shift(moved, "low_sun"))
    return Told(code, strong, weak, place.start(model), place.static_level_m + health.extra_static_level_m)


def _built(site: Site, health: Health) -> SiteModel | None:
    try:
        return SiteModel.build(site, health)
    except (ChainNotAvailable, ValueError):
        return None


def _shift(moved: dict[str, float], sun: str) -> dict[str, float]:
    volts = 1.0 + moved.get(f"voltage_{sun}", 0.0)
    amps = 1.0 + moved.get(f"current_{sun}", moved.get(f"power_{sun}", 0.0))
    return {"volts": max(volts, 0.0), "amps": max(amps, 0.0)}


def _misread(held: Readings, off: Misreading) -> Readings:
    return Readings(held.irradiance_w_m2 * off.irradiance, held.cell_temperature_c + off.module_temperature_k,
                    held.voltage_v * off.voltage, held.current_a * off.current,
                    held.power_w * off.power * off.voltage * off.current, held.flow_m3_s * off.flow,
                    held.water_level_m + off.level_m, held.pressure_pa * off.pressure, held.speed_rpm * off.speed)


def _rival(place: _Place, sound: SiteModel, healthy: Told, code: str, setting: Setting, flow_m3_s: float
           ) -> Told | None:
    """Return a rival as large as it must be to cost the same water in strong sun, or as near as it comes."""
    tried: list[Told] = []
    for form in _forms(code, setting):
        severities = [float(value) for value in form.severities(setting)]
        held = [(severity, told) for severity in severities
                if (told := _told(place, sound, healthy, code, form, severity, setting)) is not None]
        tried += [told for _, told in held]
        flows = np.array([told.strong.flow_m3_s for _, told in held])
        if len(held) < 2 or form.health is None or not np.isfinite(flows).all():
            continue
        order = np.argsort(flows)
        between = float(np.interp(flow_m3_s, flows[order], np.array([severity for severity, _ in held])[order]))
        met = _told(place, sound, healthy, code, form, between, setting)
        tried += [met] if met is not None else []
    found = _nearest(tried, flow_m3_s)
    if found is None or found.standing or found.on_logger:
        return found
    near = abs(found.strong.flow_m3_s - flow_m3_s) <= _EQUAL_FLOW * max(healthy.strong.flow_m3_s, 1e-12)
    return found if near else None


def _nearest(told: Sequence[Told], flow_m3_s: float) -> Told | None:
    """Choose the state whose flow in strong sun lies nearest to one that was seen; the first where none was."""
    if not told:
        return None
    if not np.isfinite(flow_m3_s):
        return told[0]
    return min(told, key=lambda one: abs(float(np.nan_to_num(one.strong.flow_m3_s)) - flow_m3_s))


# -- what the record says ----------------------------------------------------------------------------------------

_LATELY_DAYS = 30
_NEAR_W_M2 = 50.0


def _bright(intervals: pd.DataFrame, days: int = _LATELY_DAYS) -> pd.DataFrame:
    """Return the newest intervals near the strong sun."""
    if intervals.empty or "poa_irradiance_w_m2" not in intervals.columns:
        return intervals.iloc[:0]
    since = pd.Timestamp(intervals.index[-1]) - pd.Timedelta(days=days)
    near = np.abs(intervals["poa_irradiance_w_m2"].to_numpy(dtype=np.float64) - STRONG_SUN_W_M2) <= _NEAR_W_M2
    return intervals.loc[near & np.asarray(intervals.index >= since)]


def _lately(intervals: pd.DataFrame, column: str) -> float:
    bright = _bright(intervals)
    if "tank_full" in bright.columns:
        bright = bright[~bright["tank_full"].fillna(False).to_numpy(dtype=bool)]
    if column not in bright.columns:
        return float("nan")
    held = bright[column].dropna().to_numpy(dtype=np.float64)
    return float(np.median(held)) if held.size >= 3 else float("nan")


def _own_ratio(intervals: pd.DataFrame) -> float:
    """Return what the site's own sound days taught to expect, over its sheet."""
    bright = _bright(intervals)
    if not {"own_expected_flow_m3_s", "expected_flow_m3_s"} <= set(bright.columns):
        return 1.0
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = (bright["own_expected_flow_m3_s"] / bright["expected_flow_m3_s"]).replace([np.inf, 0.0], np.nan)
    middle = float(ratio.median()) if ratio.notna().any() else 1.0
    return middle if 0.5 < middle < 1.5 else 1.0


def _half_width(intervals: pd.DataFrame) -> float:
    bright = _bright(intervals)
    names = ("expected_flow_low_m3_s", "expected_flow_high_m3_s", "expected_flow_m3_s")
    if not set(names) <= set(bright.columns):
        return float("nan")
    low, high, middle = (bright[name].to_numpy(dtype=np.float64) for name in names)
    with np.errstate(invalid="ignore", divide="ignore"):
        half = np.where(middle > 0.0, (high - low) / (2.0 * middle), np.nan)
    return float(np.nanmedian(half)) if np.isfinite(half).any() else float("nan")


def _air_temperature_c(array: Array, intervals: pd.DataFrame) -> float:
    """Return the air of the newest bright hours, worked back from the cells; 25 degC where nothing is known."""
    bright = _bright(intervals)
    if "cell_temperature_c" not in bright.columns or bright["cell_temperature_c"].notna().sum() < 3:
        return 25.0
    rise = faiman_cell_temperature_c(STRONG_SUN_W_M2, 0.0, USUAL_WIND_M_S, array.heat_loss_constant_w_m2_k,
                                     array.heat_loss_wind_w_s_m3_k)
    return float(bright["cell_temperature_c"].median()) - float(rise)
