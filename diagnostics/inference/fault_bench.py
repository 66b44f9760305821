"""The bench faults are tried on: the chain of one site run with any health and misreading, in its own weather."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnostics.causes import Misreading, Setting
from diagnostics.evidence.intervals import Intervals
from diagnostics.evidence.load_line import load_line_rows
from diagnostics.evidence.site_scales import gauge_pressure
from diagnostics.health import HEALTHY, Health
from diagnostics.inference.other_source import SourceSample, run_source, source_sample
from diagnostics.site import Site
from diagnostics.sufficiency import Judgeable

Vector = NDArray[np.float64]
ModelBuilder = Callable[[Health], Any]
SAMPLE_ROWS = 96


@dataclass(frozen=True)
class Sample:
    """Conditions of this site, spread evenly over its sunny hours, at which faults are reckoned."""

    poa_w_m2: Vector
    cell_temperature_c: Vector
    air_temperature_c: Vector
    before_noon: Vector
    static_level_m: Vector
    capped: NDArray[np.bool_]       # the sound drive is at its own limit there: no power can be judged


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


class FaultBench:
    """Runs the site's chain on the sample for any health and misreading, and stacks the outcome as rows."""

    def __init__(self, site: Site, sample: Sample, setting: Setting, intervals: Intervals, build: ModelBuilder,
                 healthy: Any) -> None:
        self.site, self.sample, self.setting, self.intervals = site, sample, setting, intervals
        self.build, self.healthy = build, healthy
        self._models: dict[Health, Any] = {HEALTHY: healthy}
        self.source = source_sample(site, intervals, len(sample.poa_w_m2))
        self.load_line = load_line_rows(site, healthy, sample.poa_w_m2, sample.cell_temperature_c)
        self.threshold = float(np.nanmedian(self.floats(healthy.threshold_power_w())))
        if self.source is not None:
            sound = self.run(HEALTHY, Misreading())
            self.healthy_current, self.healthy_voltage = sound["healthy_current_a"], sound["healthy_voltage_v"]
            self.healthy_power, self.healthy_flow = sound["due_power_w"], sound["due_flow_m3_s"]
            return
        self.healthy_current = self.floats(healthy.array_current(sample.poa_w_m2, sample.cell_temperature_c))
        self.healthy_voltage = self.floats(healthy.array_voltage(sample.poa_w_m2, sample.cell_temperature_c))
        self.healthy_power = self.healthy_current * self.healthy_voltage
        self.healthy_flow = self.floats(healthy.flow_at_power(self.healthy_power,
                                                              static_level_m=sample.static_level_m))

    @staticmethod
    def floats(values: Any) -> Vector:
        """Return what a model gave as an array of floats."""
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
        current = self.floats(model.array_current(true_sun * light, sample.cell_temperature_c))
        voltage = self.floats(model.array_voltage(true_sun * light, sample.cell_temperature_c))
        power = current * voltage
        level = sample.static_level_m + health.extra_static_level_m
        flow = self.floats(model.flow_at_power(power, static_level_m=level))
        metered = flow * misreading.flow * health.meter_ratio
        pumping = self.floats(model.pumping_level_at_flow(flow, static_level_m=level)) + misreading.level_m
        pressure = self.floats(gauge_pressure(self.site, model, flow)) * misreading.pressure
        speed = self.floats(model.speed_at_power(power, static_level_m=level)) * misreading.speed
        seen_power = power * misreading.power
        seen_level = level + misreading.level_m if self.setting.level_logged else sample.static_level_m
        healthy = self.healthy
        healthy_current, healthy_voltage = self.healthy_current, self.healthy_voltage
        if misreading.module_temperature_k:
            off = sample.cell_temperature_c + misreading.module_temperature_k
            healthy_current = self.floats(healthy.array_current(sample.poa_w_m2, off))
            healthy_voltage = self.floats(healthy.array_voltage(sample.poa_w_m2, off))
        at_power = self.floats(healthy.flow_at_power(seen_power, static_level_m=seen_level))
        drawdown = self.floats(healthy.pumping_level_at_flow(np.maximum(metered, 0.0), static_level_m=seen_level))
        return {
            "current_a": current * misreading.current, "voltage_v": voltage * misreading.voltage,
            "power_w": seen_power, "flow_m3_s": metered, "speed_rpm": speed, "level_m": pumping,
            "pressure_pa": pressure, "healthy_current_a": healthy_current, "healthy_voltage_v": healthy_voltage,
            "healthy_power_w": healthy_current * healthy_voltage, "healthy_flow_m3_s": self.healthy_flow,
            "flow_at_power_m3_s": at_power,
            "speed_at_power_rpm": self.floats(healthy.speed_at_power(seen_power, static_level_m=seen_level)),
            "drawdown_at_flow_m": drawdown - seen_level,
            "pressure_at_flow_pa": self.floats(gauge_pressure(self.site, healthy, np.maximum(metered, 0.0))),
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
