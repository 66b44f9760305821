"""Shifts of summaries that are no ratios over bins: start power, rest level, tank, dry hours, standing still."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnostics.causes import Misreading
from diagnostics.evidence.features import POSITION
from diagnostics.health import Health
from diagnostics.inference.fault_bench import FaultBench
from diagnostics.inference.other_source import source_shifts

Vector = NDArray[np.float64]


def add_direct_shifts(bench: FaultBench, runs: Sequence[tuple[Health, Misreading]],
                      outcomes: list[dict[str, Vector]], shifts: Vector) -> None:
    """Add the shifts of summaries that are not ratios over bins: start power, rest level, tank, dry hours."""
    rated, power_logged = bench.setting.rated_flow_m3_s, bench.setting.power_logged
    for number, ((health, misreading), outcome) in enumerate(zip(runs, outcomes, strict=True)):
        model = bench.model(health)
        level = np.array([float(np.nanmedian(bench.sample.static_level_m))])
        sound = float(np.ravel(bench.floats(bench.healthy.threshold_power_w(static_level_m=level)))[0])
        moved = float(np.ravel(bench.floats(
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
        for name in ("night_temperature", "night_module_less_air"):
            shifts[number, POSITION[name]] = misreading.module_temperature_k / 25.0
        if bench.source is not None:
            for name, size in source_shifts(bench.source, outcome, bench.setting.rated_power_w,
                                            misreading).items():
                shifts[number, POSITION[name]] = size
            if not bench.source.on_bus:
                _standing_in_wind(bench, outcome, misreading, shifts[number])
        elif bench.site.array is not None:
            _open_and_standing(bench, model, health, misreading, outcome, shifts[number])
    shifts[:, POSITION["start_power"]] -= shifts[0, POSITION["start_power"]]


def _open_and_standing(bench: FaultBench, model: Any, health: Health, misreading: Misreading,
                       outcome: dict[str, Vector], shift: Vector) -> None:
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


def _standing_in_wind(bench: FaultBench, outcome: dict[str, Vector], misreading: Misreading, shift: Vector) -> None:
    """Add that the pump stands, for a change under which it would not run in any wind."""
    rated = bench.setting.rated_flow_m3_s
    calls = bench.healthy_flow > 0.25 * rated
    stands = ~(outcome["power_w"] > 0.05 * bench.healthy_power) & ~(outcome["flow_m3_s"] > 0.03 * rated)
    if calls.any() and np.mean(stands[calls]) >= 0.9 and misreading == Misreading():
        shift[POSITION["stopped_share"]] = 1.0
