"""Constants of many true plants, gathered into arrays over plants for the time loop."""

from collections.abc import Callable
from types import SimpleNamespace

import numpy as np
from numpy.typing import NDArray

from diagnostics.proving.ground import draw_pattern
from diagnostics.proving.machines import motor_constants
from diagnostics.proving.truth import TruePlant, riser_volume_m3
from diagnostics.site import SURFACE

Floats = NDArray[np.float64]


def _values(plants: list[TruePlant], pick: Callable[[TruePlant], float]) -> Floats:
    return np.array([pick(p) for p in plants], dtype=np.float64)


def gather(plants: list[TruePlant]) -> SimpleNamespace:
    """Return every constant of the plants as arrays of shape (plants,)."""
    s = SimpleNamespace()
    _machines(plants, s)
    _drives(plants, s)
    _water(plants, s)
    return s


def _machines(plants: list[TruePlant], s: SimpleNamespace) -> None:
    constants = [motor_constants(p.machine) for p in plants]
    s.omega = np.array([c.omega_rated for c in constants])
    s.torque = np.array([c.torque_n_m_a for c in constants])
    s.winding = np.array([c.winding_ohm for c in constants])
    s.still = np.array([c.still_n_m for c in constants])
    s.windage = np.array([c.windage_n_m for c in constants])
    s.rated_a = np.array([c.rated_current_a for c in constants])
    s.rated_w = _values(plants, lambda p: p.machine.motor_power_w)
    s.speed_rpm = _values(plants, lambda p: p.machine.speed_rpm)
    s.rated_flow = _values(plants, lambda p: p.machine.flow_m3_s)
    s.rated_head = _values(plants, lambda p: p.machine.head_m)
    s.stick = 1.0 + _values(plants, lambda p: p.machine.stick_share if p.machine.kind == "displacement" else 0.05)


def _drives(plants: list[TruePlant], s: SimpleNamespace) -> None:
    drive = [p.site.drive for p in plants]
    booster = [d.kind == "current_booster" or (d.kind == "voltage_booster" and d.held_voltage_v is not None)
               for d in drive]
    loss = np.array([1 / p.drive_efficiency - 1 if d.kind != "direct" else 0.0
                     for p, d in zip(plants, drive, strict=True)])
    shares = np.array([p.drive_shares for p in plants]).T
    s.drive0 = shares[0] * loss * s.rated_w + np.array([p.standby_w if d.kind != "direct" else 0.0
                                                   for p, d in zip(plants, drive, strict=True)])
    s.drive1, s.drive2 = 1 + shares[1] * loss, shares[2] * loss / s.rated_w
    s.standby = np.array([p.standby_w if d.kind != "direct" else 0.0 for p, d in zip(plants, drive, strict=True)])
    s.tracking = _values(plants, lambda p: p.tracking)
    s.bus = np.array([d.kind == "battery_bus" for d in drive])
    s.held = np.array([d.kind == "direct" or b for d, b in zip(drive, booster, strict=True)]) & ~s.bus
    s.held_v = np.array([(d.held_voltage_v or 0.0) if b else 0.0 for d, b in zip(drive, booster, strict=True)])
    s.buck = np.array([d.kind in ("direct", "current_booster") for d in drive])
    s.through = np.array([1.0 if d.kind == "direct" else 0.97 for d in drive])
    s.direct = np.array([d.kind == "direct" for d in drive])
    s.max_w = np.array([(d.max_output_power_w or 1e9) for d in drive]) * s.drive1 + s.drive0
    s.max_w = np.where(s.max_w > 1e8, 1.25 * s.rated_w * s.drive1, s.max_w)
    s.max_v = np.array([(d.max_output_voltage_v or 1e9) for d in drive])
    top = [d.max_speed_rpm or p.site.pump.rated_speed_rpm * (
        d.max_frequency_hz / d.rated_frequency_hz if d.max_frequency_hz else 1.12)
        for p, d in zip(plants, drive, strict=True)]
    # Boosters know no speed; only their voltage ends it.
    free = s.direct | np.array([b and d.max_speed_rpm is None for d, b in zip(drive, booster, strict=True)])
    s.max_x = np.where(free, 1.6, np.array(top) / s.speed_rpm)
    s.min_x = np.array([(d.min_frequency_hz or 0.0) / d.rated_frequency_hz for d in drive])
    s.start_w, s.stop_w = _values(plants, lambda p: p.start_w), _values(plants, lambda p: p.stop_w)
    s.restart = _values(plants, lambda p: p.restart_s)
    s.low_restart = _values(plants, lambda p: p.low_water_restart_s)
    s.has_probe = np.array([d.has_low_water_stop for d in drive])
    s.has_float = np.array([d.has_float_input for d in drive])
    s.derate_at = np.array([d.derating_start_temperature_c if d.derating_start_temperature_c is not None else 99.0
                            for d in drive])
    s.derate = np.array([d.derating_per_k for d in drive])


def _water(plants: list[TruePlant], s: SimpleNamespace) -> None:
    drive = [p.site.drive for p in plants]
    well = [p.site.well for p in plants]
    s.static = _values(plants, lambda p: p.static_level_m)
    s.season, s.deepest = _values(plants, lambda p: p.season_m), _values(plants, lambda p: p.deepest_day)
    s.aquifer = np.array([p.aquifer_s_m2 for p in plants]).T
    s.turbulent = _values(plants, lambda p: p.turbulent_loss)
    s.loss_power = _values(plants, lambda p: p.loss_power)
    s.casing = _values(plants, lambda p: p.casing_m2)
    s.open = np.array([w.kind == "open" for w in well])
    s.surface = np.array([p.site.pump.family in SURFACE for p in plants])
    s.intake = np.array([w.pump_setting_depth_m if w.pump_setting_depth_m is not None else 900.0 for w in well])
    s.probe = np.array([w.low_water_probe_depth_m or ((d.has_low_water_stop and w.pump_setting_depth_m) or 900.0)
                        for w, d in zip(well, drive, strict=True)])
    pipe = [p.site.pipework for p in plants]
    s.outlet = np.array([w.outlet_height_m for w in pipe]) + np.array([w.outlet_pressure_pa for w in pipe]) / 9787.0
    s.outlet_height = np.array([w.outlet_height_m for w in pipe])
    s.pump_height = np.array([w.pump_height_m for w in pipe])
    s.air_head = 10.33 * np.exp(-_values(plants, lambda p: p.site.altitude_m) / 8430.0)
    water_c = _values(plants, lambda p: p.site.well.water_temperature_c)
    s.vapour = 0.0623 * np.exp(17.62 * water_c / (243.12 + water_c))
    s.need = _values(plants, lambda p: p.machine.suction_need_m)
    s.hole = np.where(s.surface, 1.0, 0.6 * np.minimum(s.static, s.intake))
    s.riser = _values(plants, riser_volume_m3)
    s.seep = _values(plants, lambda p: p.seep_m3_s)
    s.relief = np.array([(p.site.pump.relief_pressure_pa or 1e9) / 9787.0 for p in plants])
    s.demand = _values(plants, lambda p: np.nan if p.demand_m3_day is None else p.demand_m3_day)
    s.pattern = np.array([draw_pattern(p.demand_kind) for p in plants]).T
