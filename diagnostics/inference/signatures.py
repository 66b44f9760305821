"""What each cause would shift at this site: the summaries of its own chain run with the health changed."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.causes import CAUSES, Cause, Form, Misreading, Setting
from diagnostics.chain.describable import pump_end_of
from diagnostics.chain.power_table_speed import CoupledTableEnd
from diagnostics.evidence.days import STRONG_SUN_W_M2, hot_limit
from diagnostics.evidence.features import FEATURE_NAMES
from diagnostics.evidence.intervals import Intervals, gauge_pressure, own_limit
from diagnostics.evidence.load_line import load_line_rows
from diagnostics.evidence.ratios import Rows, ratio_table
from diagnostics.health import HEALTHY, Health
from diagnostics.inference.other_source import (
    VOLTAGE_DEVIATION,
    SourceSample,
    run_source,
    source_sample,
    source_shifts,
    water_left,
)
from diagnostics.site import Site
from diagnostics.sufficiency import Judgeable

Vector = NDArray[np.float64]
SAMPLE_ROWS = 96
SENSOR_DEPTH_M = 0.3        # standard uncertainty of the depth at which a level sensor was hung
POSITION = {name: number for number, name in enumerate(FEATURE_NAMES)}


@dataclass(frozen=True)
class Sample:
    """Conditions of this site, spread evenly over its sunny hours, at which faults are reckoned."""

    poa_w_m2: Vector
    cell_temperature_c: Vector
    air_temperature_c: Vector
    before_noon: Vector
    static_level_m: Vector
    capped: NDArray[np.bool_]       # the sound drive is at its own limit there: no power can be judged


@dataclass(frozen=True)
class Case:
    """One cause in one form at one severity, with the shift it makes."""

    cause: Cause
    form: Form
    severity: float
    health: Health
    misreading: Misreading
    log_prior: float        # of form and severity within the cause


@dataclass(frozen=True)
class Signatures:
    """Cases and their shifts, shape (cases, features); `delivery` is the share of water each case costs."""

    cases: list[Case]
    shifts: Vector
    delivery_loss: Vector
    loose: Vector                   # (cases, features) deviations of what a cause disturbs but nobody can compute
    inexactness: Vector             # (cases,) error of each signature over the usual
    nuisance: dict[str, Vector]     # unit shifts of the tolerances, by name
    priors: dict[str, float]        # of each cause at this site


ModelBuilder = Callable[[Health], Any]


def setting_of(site: Site, intervals: Intervals) -> Setting:
    """
    Collect the sizes that turn severities into physical units.

    Parameters
    ----------
    site : Site
        Description.
    intervals : Intervals
        Carries the scales and what is logged.

    Returns
    -------
    setting : Setting
        Sizes of this site.
    """
    array = site.array
    strings = array.strings_in_parallel if array else 1
    substrings = max(1, array.module.bypass_diodes) * array.modules_in_series if array else 3
    resistance = 1.0
    if array:
        resistance = array.module.vmp_v * array.modules_in_series / (array.module.imp_a * strings)
    power = intervals.has("array_power_w") or (intervals.has("array_voltage_v") and intervals.has("array_current_a"))
    if array is None or site.drive.kind == "battery_bus":
        power = bool(np.isfinite(intervals.power_w).any())
    return Setting(
        site=site, rated_flow_m3_s=intervals.scales.rated_flow_m3_s, rated_power_w=intervals.scales.rated_power_w,
        head_m=intervals.scales.head_m, friction_m=intervals.scales.friction_m,
        array_resistance_ohm=resistance, strings=strings, substrings=substrings,
        level_logged=bool(np.isfinite(intervals.static_level_m).any()), power_logged=power,
        voltage_logged=intervals.has("array_voltage_v") and intervals.has("array_current_a"))


def draw_sample(intervals: Intervals, judgeable: Judgeable) -> Sample:
    """
    Choose representative conditions from the site's own record.

    Parameters
    ----------
    intervals : Intervals
        Readings beside expectation.
    judgeable : Judgeable
        Not used to exclude faults: the conditions are weather, not readings.

    Returns
    -------
    sample : Sample
        Even in rank of irradiance above the least that counts.
    """
    expected = intervals.expected
    cell = expected["cell_temperature_c"].to_numpy(dtype=np.float64)
    with np.errstate(invalid="ignore"):
        usable = (intervals.poa_w_m2 > 100.0) & np.isfinite(cell) & (intervals.sun_elevation_deg > 3.0)
    chosen = np.flatnonzero(usable)
    if chosen.size < 20:
        poa = np.linspace(120.0, 1000.0, SAMPLE_ROWS)
        level = float(np.nanmedian(intervals.sheet_level_m)) if np.isfinite(intervals.sheet_level_m).any() else 0.0
        return Sample(poa, 25.0 + 0.028 * poa, np.full(SAMPLE_ROWS, 25.0),
                      (np.arange(SAMPLE_ROWS) % 2).astype(np.float64), np.full(SAMPLE_ROWS, level),
                      np.zeros(SAMPLE_ROWS, dtype=bool))
    order = chosen[np.argsort(intervals.poa_w_m2[chosen], kind="stable")]
    pick = order[np.linspace(0, len(order) - 1, SAMPLE_ROWS).round().astype(int)]
    air = intervals.channel("air_temperature_c")[pick]
    before = (np.arange(SAMPLE_ROWS) % 2).astype(np.float64)
    level = np.where(np.isfinite(intervals.static_level_m), intervals.static_level_m, intervals.sheet_level_m)[pick]
    capped = intervals.near_cap[pick]
    return Sample(intervals.poa_w_m2[pick], cell[pick], np.where(np.isfinite(air), air, 25.0), before, level, capped)


class _Bench:
    """Runs the site's chain on the sample for any health and misreading, and stacks the outcome as rows."""

    def __init__(self, site: Site, sample: Sample, setting: Setting, intervals: Intervals, build: ModelBuilder,
                 healthy: Any) -> None:
        self.site, self.sample, self.setting, self.intervals = site, sample, setting, intervals
        self.build, self.healthy = build, healthy
        self._models: dict[Health, Any] = {HEALTHY: healthy}
        self.source = source_sample(site, intervals, len(sample.poa_w_m2))
        self.load_line = load_line_rows(site, healthy, sample.poa_w_m2, sample.cell_temperature_c)
        self.threshold = float(np.nanmedian(self._array(healthy.threshold_power_w())))
        if self.source is not None:
            sound = self.run(HEALTHY, Misreading())
            self.healthy_current, self.healthy_voltage = sound["healthy_current_a"], sound["healthy_voltage_v"]
            self.healthy_power, self.healthy_flow = sound["due_power_w"], sound["due_flow_m3_s"]
            return
        self.healthy_current = self._array(healthy.array_current(sample.poa_w_m2, sample.cell_temperature_c))
        self.healthy_voltage = self._array(healthy.array_voltage(sample.poa_w_m2, sample.cell_temperature_c))
        self.healthy_power = self.healthy_current * self.healthy_voltage
        self.healthy_flow = self._array(healthy.flow_at_power(self.healthy_power,
                                                              static_level_m=sample.static_level_m))

    @staticmethod
    def _array(values: Any) -> Vector:
        return np.asarray(values, dtype=np.float64)

    def model(self, health: Health) -> Any:
        """Return the model of a health, building it once; level and meter need no model of their own."""
        plain = health.replaced(extra_static_level_m=0.0, meter_ratio=1.0)
        if self._light_only(plain):
            plain = HEALTHY
        if plain not in self._models:
            self._models[plain] = self.build(plain)
        return self._models[plain]

    @staticmethod
    def _light_only(health: Health) -> bool:
        return set(health.changed()) <= {"irradiance_ratio"}

    def run(self, health: Health, misreading: Misreading) -> dict[str, Vector]:
        """Return simulated readings and the expectation that would stand beside them."""
        sample, model = self.sample, self.model(health)
        light = health.irradiance_ratio if self._light_only(
            health.replaced(extra_static_level_m=0.0, meter_ratio=1.0)) else 1.0
        true_sun = sample.poa_w_m2 / misreading.irradiance
        if self.source is not None:
            return self.run_source(self.source, health, misreading, model, light)
        # A sensor that reads low by a share shows the sample's sun when the true sun is stronger.
        current = self._array(model.array_current(true_sun * light, sample.cell_temperature_c))
        voltage = self._array(model.array_voltage(true_sun * light, sample.cell_temperature_c))
        power = current * voltage
        level = sample.static_level_m + health.extra_static_level_m
        flow = self._array(model.flow_at_power(power, static_level_m=level))
        metered = flow * misreading.flow * health.meter_ratio
        pumping = self._array(model.pumping_level_at_flow(flow, static_level_m=level)) + misreading.level_m
        pressure = self._array(gauge_pressure(self.site, model, flow)) * misreading.pressure
        speed = self._array(model.speed_at_power(power, static_level_m=level)) * misreading.speed
        seen_power = power * misreading.power
        seen_level = level + misreading.level_m if self.setting.level_logged else sample.static_level_m
        healthy = self.healthy
        healthy_current, healthy_voltage = self.healthy_current, self.healthy_voltage
        if misreading.module_temperature_k:
            off = sample.cell_temperature_c + misreading.module_temperature_k
            healthy_current = self._array(healthy.array_current(sample.poa_w_m2, off))
            healthy_voltage = self._array(healthy.array_voltage(sample.poa_w_m2, off))
        at_power = self._array(healthy.flow_at_power(seen_power, static_level_m=seen_level))
        drawdown = self._array(healthy.pumping_level_at_flow(np.maximum(metered, 0.0), static_level_m=seen_level))
        return {
            "current_a": current * misreading.current, "voltage_v": voltage * misreading.voltage,
            "power_w": seen_power, "flow_m3_s": metered, "speed_rpm": speed, "level_m": pumping,
            "pressure_pa": pressure, "healthy_current_a": healthy_current, "healthy_voltage_v": healthy_voltage,
            "healthy_power_w": healthy_current * healthy_voltage, "healthy_flow_m3_s": self.healthy_flow,
            "flow_at_power_m3_s": at_power,
            "speed_at_power_rpm": self._array(healthy.speed_at_power(seen_power, static_level_m=seen_level)),
            "drawdown_at_flow_m": drawdown - seen_level,
            "pressure_at_flow_pa": self._array(gauge_pressure(self.site, healthy, np.maximum(metered, 0.0))),
            "static_level_m": seen_level, "true_flow_m3_s": flow, "static_shift_m": seen_level - sample.static_level_m,
        }

    def run_source(self, source: SourceSample, health: Health, misreading: Misreading, model: Any = None,
                   light: float = 1.0) -> dict[str, Vector]:
        """Return what `run` does for a site on a battery or behind a turbine, at these conditions."""
        return run_source(self.site, self.sample, source, self.healthy, self.model(health) if model is None else model,
                          health, misreading, level_logged=self.setting.level_logged, light=light)

    def logged(self, name: str, values: Vector) -> Vector:
        """Blank what this site does not log, so that computed rows see no more than measured ones."""
        return values if self.intervals.has(name) else np.full(len(values), np.nan)


def compute_signatures(site: Site, intervals: Intervals, judgeable: Judgeable, build: ModelBuilder, healthy: Any,
                       channels: frozenset[str], *, causes: Mapping[str, Cause] = CAUSES) -> Signatures:
    """
    Reckon the shift of every summary for every cause, form and severity that this site can have.

    Parameters
    ----------
    site : Site
        Description.
    intervals : Intervals
        Readings beside expectation; gives the conditions and what is logged.
    judgeable : Judgeable
        Which interval can answer what.
    build : callable
        Health -> model of this site.
    healthy : SiteModel or None
        The sound model; None leaves only causes that need no chain.
    channels : frozenset of str
        Channels the site logs.
    causes : mapping, optional
        The catalogue.

    Returns
    -------
    signatures : Signatures
        Cases with shifts, and the tolerance directions.
    """
    setting = setting_of(site, intervals)
    cases = _cases(setting, channels, causes, chain=healthy is not None)
    shifts = np.zeros((len(cases), len(FEATURE_NAMES)))
    loss = np.zeros(len(cases))
    nuisance: dict[str, Vector] = {}
    if healthy is not None:
        bench = _Bench(site, draw_sample(intervals, judgeable), setting, intervals, build, healthy)
        directions = tolerance_runs(setting)
        runs = [(HEALTHY, Misreading())] + [(case.health, case.misreading) for case in cases] + list(
            directions.values())
        unique = list(dict.fromkeys(runs))
        table = _stacked_shifts(bench, unique)
        row = {run: number for number, run in enumerate(unique)}
        for number, case in enumerate(cases):
            at = row[(case.health, case.misreading)]
            shifts[number] = table.shifts[at]
            loss[number] = table.loss[at]
        for name, run in directions.items():
            nuisance[name] = table.shifts[row[run]]
        nuisance["gauge"] = _gauge_shift(bench, healthy)
        nuisance["gauge height"] = _gauge_height_shift(setting)
        if bench.source is not None and bench.source.on_bus:
            nuisance["bus"] = _bus_shift(bench, bench.source)
    for number, case in enumerate(cases):
        if case.form.direct is not None:
            for name, shift in case.form.direct(case.severity, setting).items():
                shifts[number, POSITION[name]] += shift
    priors = {code: cause.prior * cause.family_weight.get(site.pump.family, 1.0) for code, cause in causes.items()}
    loose = np.zeros_like(shifts)
    for number, case in enumerate(cases):
        for name, size in case.form.loose.items():
            loose[number, POSITION[name]] = size
    inexactness = np.array([case.form.inexactness for case in cases])
    return Signatures(cases, shifts, loss, loose, inexactness, nuisance, priors)


def _bus_shift(bench: "_Bench", source: SourceSample) -> Vector:
    """Return what it does to the pump's rate on its battery if the motor turns slower for its voltage than due."""
    shift = np.zeros(len(FEATURE_NAMES))
    lowered = bench.run_source(source.lowered(VOLTAGE_DEVIATION), HEALTHY, Misreading())
    sound = bench.run_source(source, HEALTHY, Misreading())
    moved = lowered | {name: sound[name] for name in ("due_power_w", "due_flow_m3_s")}
    for name, size in source_shifts(source, moved, bench.setting.rated_power_w).items():
        shift[POSITION[name]] = size
    return shift


def _gauge_height_shift(setting: Setting) -> Vector:
    """
    Return what 0.7 m of gauge height and zero does to the pressure, at every flow alike.

    No sheet says at which height a gauge is tapped or in what state its zero is: common practice, half a metre each.
    """
    shift = np.zeros(len(FEATURE_NAMES))
    shift[POSITION["pressure_low_flow"]] = shift[POSITION["pressure_high_flow"]] = 0.7 / setting.head_m
    return shift


def _gauge_shift(bench: "_Bench", healthy: Any) -> Vector:
    """Return what it does to the pressure if the gauge sits on the other side of the riser than assumed."""
    shift = np.zeros(len(FEATURE_NAMES))
    rated = np.array([bench.setting.rated_flow_m3_s])
    part = 0.7 * float(np.ravel(bench._array(healthy.side.losses.riser.at(rated)))[0]) / bench.setting.head_m
    shift[POSITION["pressure_low_flow"]], shift[POSITION["pressure_high_flow"]] = 0.2 * part, 0.75 * part
    return shift


def tolerance_runs(setting: Setting) -> dict[str, tuple[Health, Misreading]]:
    """
    Return one standard deviation of each tolerance as a health or a misreading.

    Module power and irradiance sensor 4 % together, live voltage 1.5 %, cell temperature 4 K (mounting and wind are
    not described); survey of level and height 3 % of head with the dipped level's own uncertainty; developed head
    3.5 % and efficiency 4 % after the grades of pump acceptance (ISO 9906 grade 3B allows 7 % head and 9 % flow,
    taken as two standard deviations). A displacement pump's sheet says nothing of its mechanical efficiency, which
    must be inferred from the motor plate: 12 %. Friction 30 % of what is computed (bore tolerance goes with the fifth
    power, fittings are rarely counted) and 1 % of head.
    """
    well = setting.site.well
    level = well.level_uncertainty_m if well.level_uncertainty_m is not None else (0.1 if well.kind == "open" else 1.0)
    survey = 0.03 * setting.head_m
    loss = (0.3 * setting.friction_m + 0.01 * setting.head_m) / setting.rated_flow_m3_s**2
    pump = setting.site.pump
    efficiency = 1.12 if pump.displacement_m3_rev is not None else 1.05 if pump.power_table else 1.04
    sound = Misreading()
    found = {
        "array": (Health(irradiance_ratio=0.96), sound),
        "efficiency": (Health(motor_efficiency_ratio=efficiency), sound),
        "friction": (Health(delivery_loss_s2_m5=loss), sound),
        "voltage": (Health(voltage_ratio=0.985), sound),
        "temperature": (HEALTHY, Misreading(module_temperature_k=4.0)),
    }
    if setting.level_logged:
        # The sensor shows the rest level itself: heights may still be surveyed wrong, the described level by no more
        # than its own uncertainty and that of the depth at which the sensor hangs.
        found["head"] = (Health(extra_static_head_m=survey), sound)
        found["rest level"] = (Health(extra_static_level_m=float(np.hypot(level, SENSOR_DEPTH_M))), sound)
    else:
        found["head"] = (Health(extra_static_level_m=float(np.hypot(level, survey))), sound)
    if well.drawdown_linear_s_m2 + well.drawdown_quadratic_s2_m5 > 0.0:
        # A test pumping of hours says what a well gives over months to about a third.
        found["drawdown"] = (Health(well_loss_ratio=1.3), sound)
    if setting.site.drive.kind not in ("direct", "battery_bus"):
        # Where speed and power limits bite is set in the drive and rounded on the sheet.
        found["limit"] = (Health(power_cap_w=0.92 * setting.rated_power_w), sound)
    motor = _motor_tolerance(setting.site)
    if motor > 0.0:
        found["motor"] = (Health(motor_constant_ratio=1.0 + motor), sound)
    if pump.family in CAUSES["worn_pump"].families:
        form = next(form for form in CAUSES["worn_pump"].forms if form.applies(setting))
        if form.health is not None:
            found["pump"] = (form.health(0.035 if form.name == "stage head" else 0.3, setting), sound)
    return found


def _motor_tolerance(site: Site) -> float:
    """
    One deviation of the volts per turn of a motor that is coupled straight to its array; 0 for all others.

    Magnets and windings differ by 2 % between motors of a plate, itself rounded, and magnets lose 0.1 to 0.2 % a kelvin
    (common practice): a warm motor takes more amperes at fewer volts. Of a pump known by a table of flow against power
    the speed is reckoned, and open as far as that says.
    """
    if site.drive.kind != "direct" or site.pump.motor.kind == "induction":
        return 0.0
    end = pump_end_of(site)
    reckoned = end.speed_uncertainty if isinstance(end, CoupledTableEnd) else 0.0
    return float(np.hypot(0.03, reckoned))


def _cases(setting: Setting, channels: frozenset[str], causes: Mapping[str, Cause], *, chain: bool) -> list[Case]:
    cases: list[Case] = []
    for cause in causes.values():
        if not cause.forms or cause.code == "logger_silent" or not cause.possible(setting, channels):
            continue
        if cause.link == "array" and setting.site.array is None:
            continue
        forms = [form for form in cause.forms if form.applies(setting)]
        if not chain:
            forms = [form for form in forms if form.health is None and form.misreading is None]
        total = sum(form.weight for form in forms)
        for form in forms:
            severities = form.severities(setting)
            for severity in severities:
                health = form.health(severity, setting) if form.health else HEALTHY
                misreading = form.misreading(severity, setting) if form.misreading else Misreading()
                prior = float(np.log(form.weight / total) - np.log(len(severities)))
                cases.append(Case(cause, form, severity, health, misreading, prior))
    return cases


@dataclass(frozen=True)
class _Stacked:
    shifts: Vector
    loss: Vector


def _stacked_shifts(bench: _Bench, runs: Sequence[tuple[Health, Misreading]]) -> _Stacked:
    """Run all cases, stack them as groups of one table, and summarise once with the code that reads real days."""
    outcomes = [bench.run(health, misreading) for health, misreading in runs]
    size, groups = len(bench.sample.poa_w_m2), len(runs)
    stacked = {name: np.concatenate([outcome[name] for outcome in outcomes]) for name in outcomes[0]}
    total = size * groups
    power_logged, level_logged = bench.setting.power_logged, bench.setting.level_logged
    unknown = np.full(total, np.nan)
    power = stacked["power_w"] if power_logged else unknown
    at_power = stacked["flow_at_power_m3_s"] if power_logged else unknown
    rated = bench.setting.rated_flow_m3_s
    with np.errstate(invalid="ignore"):
        running = stacked["power_w"] > 0.005 * bench.setting.rated_power_w
    rows = Rows(
        group=np.repeat(np.arange(groups), size), groups=groups, weight=np.ones(total),
        poa_w_m2=np.tile(bench.sample.poa_w_m2, groups), before_noon=np.tile(bench.sample.before_noon, groups),
        air_temperature_c=np.tile(bench.sample.air_temperature_c, groups),
        current_a=bench.logged("array_current_a", stacked["current_a"]),
        voltage_v=bench.logged("array_voltage_v", stacked["voltage_v"]), power_w=power,
        flow_m3_s=bench.logged("flow_m3_s", stacked["flow_m3_s"]),
        speed_rpm=bench.logged("pump_speed_rpm", stacked["speed_rpm"]),
        level_m=bench.logged("water_level_m", stacked["level_m"]),
        pressure_pa=bench.logged("outlet_pressure_pa", stacked["pressure_pa"]),
        healthy_current_a=stacked["healthy_current_a"], healthy_voltage_v=stacked["healthy_voltage_v"],
        healthy_power_w=stacked["healthy_power_w"], healthy_flow_m3_s=stacked["healthy_flow_m3_s"],
        flow_at_power_m3_s=at_power, speed_at_power_rpm=stacked["speed_at_power_rpm"],
        drawdown_at_flow_m=stacked["drawdown_at_flow_m"], pressure_at_flow_pa=stacked["pressure_at_flow_pa"],
        static_level_m=stacked["static_level_m"] if level_logged else unknown,
        electrical_ok=running & ~np.tile(bench.sample.capped, groups) & (
            bench.source is None or bench.source.on_bus),
        hydraulic_ok=running if power_logged else np.ones(total, dtype=bool),
        rated_flow_m3_s=rated, head_scale_m=bench.setting.head_m, hot_from_c=hot_limit(bench.site),
        load_line=None if bench.load_line is None else bench.load_line.tiled(groups))
    held = np.zeros(total, dtype=bool)
    if bench.site.drive.kind != "direct":
        held = own_limit(stacked["power_w"], stacked["healthy_power_w"], stacked["voltage_v"],
                         stacked["healthy_voltage_v"], np.ones(total), rows.group, groups)
    rows = replace(rows, electrical_ok=rows.electrical_ok & ~held)
    table = ratio_table(rows)
    values = np.full((groups, len(FEATURE_NAMES)), np.nan)
    for name, column in table.values.items():
        values[:, POSITION[name]] = column
    _fill_empty_bins(values)
    shifts = np.nan_to_num(values - values[0])
    _direct_features(bench, runs, outcomes, shifts)
    if bench.setting.voltage_logged:
        shifts[:, POSITION["power_limit"]] = _limit_shifts(rows, held & ~np.tile(bench.sample.capped, groups)
                                                           & (stacked["power_w"] < 0.97 * stacked["healthy_power_w"])
                                                           & (rows.poa_w_m2 > STRONG_SUN_W_M2),
                                                           bench.setting.rated_power_w)
    healthy_total = float(np.nansum(outcomes[0]["true_flow_m3_s"]))
    loss = np.array([1.0 - float(np.nansum(outcome["flow_m3_s"])) / max(healthy_total, 1e-12)
                     for outcome in outcomes])
    if bench.source is not None and bench.source.on_bus:
        loss = np.array([1.0 - water_left(outcome, outcomes[0]) for outcome in outcomes])
    return _Stacked(shifts, loss)


def _limit_shifts(rows: Rows, held: NDArray[np.bool_], rated_power_w: float) -> Vector:
    """Return the power at which each case is held back below the rated one; 0 where it is not."""
    top = pd.Series(np.asarray(rows.power_w)[held]).groupby(rows.group[held]).quantile(0.9).reindex(range(rows.groups))
    level = np.nan_to_num(top.to_numpy(dtype=np.float64) / rated_power_w - 1.0)
    return np.asarray(np.minimum(level - min(float(level[0]), 0.0), 0.0))


def _fill_empty_bins(values: Vector) -> None:
    """Take over the neighbouring bin where a fault leaves one empty (a cap leaves no high power)."""
    for stem, order in (("flow_{}_power", ("high", "mid", "low")), ("flow_{}_sun", ("high", "mid", "low")),
                        ("speed_{}_power", ("high", "low")), ("pressure_{}_flow", ("high", "low"))):
        columns = [POSITION[stem.format(part)] for part in order]
        for column, other in pairwise(columns):
            empty = ~np.isfinite(values[:, column]) & np.isfinite(values[0, column])
            values[empty, column] = values[empty, other]
        for column, other in pairwise(columns[::-1]):
            empty = ~np.isfinite(values[:, column]) & np.isfinite(values[0, column])
            values[empty, column] = values[empty, other]


def _direct_features(bench: _Bench, runs: Sequence[tuple[Health, Misreading]], outcomes: list[dict[str, Vector]],
                     shifts: Vector) -> None:
    """Add the shifts of summaries that are not ratios over bins: start power, rest level, tank, dry hours."""
    rated, power_logged = bench.setting.rated_flow_m3_s, bench.setting.power_logged
    for number, ((health, misreading), outcome) in enumerate(zip(runs, outcomes, strict=True)):
        model = bench.model(health)
        level = np.array([float(np.nanmedian(bench.sample.static_level_m))])
        sound = float(np.ravel(bench._array(bench.healthy.threshold_power_w(static_level_m=level)))[0])
        moved = float(np.ravel(bench._array(
            model.threshold_power_w(static_level_m=level + health.extra_static_level_m)))[0])
        if power_logged and sound > 0.0 and np.isfinite(moved):
            shifts[number, POSITION["start_power"]] = np.clip(moved * misreading.power / sound - 1.0, -0.7, 3.0)
        shifts[number, POSITION["static_level"]] = float(np.mean(outcome["static_shift_m"])) / bench.setting.head_m
        due, metered, true = outcome["flow_at_power_m3_s"], outcome["flow_m3_s"], outcome["true_flow_m3_s"]
        with np.errstate(invalid="ignore"):
            pumping = due > 0.05 * rated
            total = float(np.sum(np.fmax(due, metered)[pumping]))
            gain = float(np.sum((true - metered)[pumping])) / total if total > 0.0 else 0.0
            strong = due > 0.35 * rated
            dry = float(np.mean(metered[strong] < 0.03 * rated)) if strong.any() else 0.0
        shifts[number, POSITION["tank_gain"]] = gain
        shifts[number, POSITION["tank_free_rise"]] = max(gain, 0.0) * 0.8
        if power_logged:
            shifts[number, POSITION["dry_share"]] = dry
        shifts[number, POSITION["clear_sky"]] = misreading.irradiance - 1.0
        shifts[number, POSITION["night_temperature"]] = misreading.module_temperature_k / 25.0
        if bench.source is not None:
            for name, size in source_shifts(bench.source, outcome, bench.setting.rated_power_w,
                                            misreading).items():
                shifts[number, POSITION[name]] = size
            if not bench.source.on_bus:
                _standing_in_wind(bench, outcome, misreading, shifts[number])
        elif bench.site.array is not None:
            _open_and_standing(bench, model, health, misreading, outcome, shifts[number])
    shifts[:, POSITION["start_power"]] -= shifts[0, POSITION["start_power"]]


def _open_and_standing(bench: _Bench, model: Any, health: Health, misreading: Misreading, outcome: dict[str, Vector],
                       shift: Vector) -> None:
    """
    Add the voltage of the idle array and, for a change under which the pump would not run at all, that it stands.

    A held voltage that the array no longer reaches stops a pump as surely as a drive does; only the idle voltage then
    tells the two apart.
    """
    sample, rated = bench.sample, bench.setting.rated_flow_m3_s
    weak = sample.poa_w_m2 < 400.0
    if bench.setting.voltage_logged and weak.any():
        light = health.irradiance_ratio if model is bench.healthy else 1.0
        read = model.open_circuit_voltage(sample.poa_w_m2[weak] / misreading.irradiance * light,
                                          sample.cell_temperature_c[weak]) * misreading.voltage
        due = bench.healthy.open_circuit_voltage(sample.poa_w_m2[weak],
                                                 sample.cell_temperature_c[weak] + misreading.module_temperature_k)
        shift[POSITION["open_voltage"]] = float(np.nanmean(read / due)) - 1.0
    with np.errstate(invalid="ignore"):
        calls = bench.healthy_flow > 0.25 * rated
        stands = ~(outcome["power_w"] > 0.05 * bench.healthy_power) & ~(outcome["flow_m3_s"] > 0.03 * rated)
    if not calls.any() or np.mean(stands[calls]) < 0.9 or misreading != Misreading():
        return
    shift[POSITION["stopped_share"]] = 1.0
    if bench.setting.voltage_logged:
        idle = float(np.nanmean(model.open_circuit_voltage(sample.poa_w_m2[calls], sample.cell_temperature_c[calls])
                                / bench.healthy_voltage[calls]))
        shift[POSITION["stopped_open_share"]] = float(idle > 0.9)
        shift[POSITION["stopped_dead_share"]] = float(idle < 0.25)


def _standing_in_wind(bench: _Bench, outcome: dict[str, Vector], misreading: Misreading, shift: Vector) -> None:
    """Add that the pump stands, for a change under which it would not run in any wind."""
    rated = bench.setting.rated_flow_m3_s
    calls = bench.healthy_flow > 0.25 * rated
    stands = ~(outcome["power_w"] > 0.05 * bench.healthy_power) & ~(outcome["flow_m3_s"] > 0.03 * rated)
    if calls.any() and np.mean(stands[calls]) >= 0.9 and misreading == Misreading():
        shift[POSITION["stopped_share"]] = 1.0


def replaced_cases(signatures: Signatures, keep: NDArray[np.bool_]) -> Signatures:
    """Return the signatures of the chosen cases only."""
    chosen = np.flatnonzero(keep)
    return replace(signatures, cases=[signatures.cases[i] for i in chosen], shifts=signatures.shifts[chosen],
                   delivery_loss=signatures.delivery_loss[chosen], loose=signatures.loose[chosen],
                   inexactness=signatures.inexactness[chosen])
