"""What each cause would shift at this site: the summaries of its own chain run with the health changed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.causes import CAUSES, Cause, Form, Misreading, Setting
from diagnostics.evidence.days import STRONG_SUN_W_M2, hot_limit
from diagnostics.evidence.features import FEATURE_NAMES, POSITION
from diagnostics.evidence.intervals import Intervals
from diagnostics.evidence.own_limit import own_limit
from diagnostics.evidence.ratios import Rows, ratio_table
from diagnostics.health import HEALTHY, Health
from diagnostics.inference.direct_shifts import add_direct_shifts
from diagnostics.inference.ejector_shifts import opened_by_ejector
from diagnostics.inference.fault_bench import FaultBench, ModelBuilder, draw_sample
from diagnostics.inference.other_source import water_left
from diagnostics.inference.tolerance_runs import bus_shift, gauge_height_shift, gauge_shift, tolerance_runs
from diagnostics.site import Site
from diagnostics.sufficiency import Judgeable

Vector = NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    """One cause in one form at one severity, with the shift it makes."""

    cause: Cause
    form: Form
    severity: float
    health: Health
    misreading: Misreading
    log_prior: float        # of form and severity within the cause

    @property
    def washes_off(self) -> bool:
        """Tell whether rain takes it away."""
        return self.cause.resets and self.form.washes_off


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
        voltage_logged=intervals.has("array_voltage_v") and intervals.has("array_current_a"),
        module_sensed=intervals.has("module_temperature_c"), air_sensed=intervals.has("air_temperature_c"))


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
        bench = FaultBench(site, draw_sample(intervals, judgeable), setting, intervals, build, healthy)
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
        nuisance["gauge"] = gauge_shift(bench, healthy)
        nuisance["gauge height"] = gauge_height_shift(setting)
        if bench.source is not None and bench.source.on_bus:
            nuisance["bus"] = bus_shift(bench, bench.source)
    for number, case in enumerate(cases):
        if case.form.direct is not None:
            for name, shift in case.form.direct(case.severity, setting).items():
                shifts[number, POSITION[name]] = shift + (
                    0.0 if case.form.direct_replaces else shifts[number, POSITION[name]])
    priors = {code: cause.prior * cause.family_weight.get(site.pump.family, 1.0) * cause.site_weight(site)
              for code, cause in causes.items()}
    loose = np.zeros_like(shifts)
    for number, case in enumerate(cases):
        for name, size in case.form.loose.items():
            loose[number, POSITION[name]] = size
    inexactness = np.array([case.form.inexactness for case in cases])
    if site.pump.ejector is not None:
        inexactness *= opened_by_ejector(cases, shifts, loose)
    return Signatures(cases, shifts, loss, loose, inexactness, nuisance, priors)


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
            shares = np.array([form.commonness(severity, setting) for severity in severities])
            for severity, share in zip(severities, shares / shares.sum(), strict=True):
                health = form.health(severity, setting) if form.health else HEALTHY
                misreading = form.misreading(severity, setting) if form.misreading else Misreading()
                prior = float(np.log(form.weight / total) + np.log(share))
                cases.append(Case(cause, form, severity, health, misreading, prior))
    return cases


@dataclass(frozen=True)
class _Stacked:
    shifts: Vector
    loss: Vector


def _stacked_shifts(bench: FaultBench, runs: Sequence[tuple[Health, Misreading]]) -> _Stacked:
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
    add_direct_shifts(bench, runs, outcomes, shifts)
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
    # Where the sound drive is at its limit in all of the sample's strong sun, the record may still hold hours in which
    # it is not: what the next weaker sun shows is due there too, and surely not "no change".
    for stem in ("current_{}_sun", "voltage_{}_sun", "power_{}_sun"):
        columns = [POSITION[stem.format(part)] for part in ("low", "mid", "high")]
        for column, other in (*pairwise(columns[::-1]), *pairwise(columns)):
            if not np.isfinite(values[0, column]) and np.isfinite(values[0, other]):
                values[:, column] = values[:, other]


def replaced_cases(signatures: Signatures, keep: NDArray[np.bool_]) -> Signatures:
    """Return the signatures of the chosen cases only."""
    chosen = np.flatnonzero(keep)
    return replace(signatures, cases=[signatures.cases[i] for i in chosen], shifts=signatures.shifts[chosen],
                   delivery_loss=signatures.delivery_loss[chosen], loose=signatures.loose[chosen],
                   inexactness=signatures.inexactness[chosen])
