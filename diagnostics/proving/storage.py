"""What carries its state from step to step: tank, well, riser, battery."""

from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnostics.proving.ground import tank_table
from diagnostics.proving.truth import RESERVOIR_S, TruePlant

if TYPE_CHECKING:
    from diagnostics.proving.loop import Batch

Floats = NDArray[np.float64]


def start_states(batch: "Batch", plants: list[TruePlant]) -> None:
    """Set tanks, wells, timers, prime and batteries as the simulation begins."""
    n = batch.n
    st = batch.state = SimpleNamespace()
    st.drawn = np.zeros((4, n))
    st.running = np.zeros(n, dtype=bool)
    st.timer, st.low_timer, st.still_s = np.zeros(n), np.zeros(n), np.full(n, 3600.0)
    st.low_stop = np.zeros(n, dtype=bool)
    st.void = np.zeros(n)
    st.primed = np.ones(n, dtype=bool)
    st.lost_prime_s = np.zeros(n)
    st.air = np.zeros(n)
    st.full = np.zeros(n, dtype=bool)
    st.warm = np.zeros(n)
    st.jitter = np.ones(n)
    tables = [tank_table(p.site.tank) if p.site.tank else (np.linspace(0, 1e6, 60), np.linspace(0, 3.0, 60))
              for p in plants]
    batch.tank_m3 = np.array([t[0][-1] for t in tables])
    batch.tank_levels = np.array([t[1] for t in tables])
    tanks = [p.site.tank for p in plants]
    batch.has_tank = np.array([t is not None for t in tanks])
    batch.full_m = np.array([t.full_level_m if t else 1e9 for t in tanks])
    batch.call_m = np.array([(t.float_reset_level_m or 0.9 * t.full_level_m) if t else 1e9 for t in tanks])
    batch.over_m = np.array([(t.overflow_level_m or t.height_m) if t else 1e9 for t in tanks])
    even = np.linspace(0, 1, batch.tank_levels.shape[1])
    batch.roof = np.array([np.interp(full, levels, even)
                           for full, levels in zip(batch.over_m, batch.tank_levels, strict=True)])
    batch.out_m = np.array([t.outlet_level_m if t else 0.0 for t in tanks])
    batch.calling = np.array([c.always_calling for c in batch.columns]) | ~batch.has_tank
    st.tank_m3 = 0.55 * np.where(batch.has_tank, batch.tank_m3, 0.0)
    battery = [p.site.battery for p in plants]
    batch.bus_v = np.array([b.nominal_voltage_v if b else 24.0 for b in battery])
    batch.bus_ah = np.array([b.capacity_ah if b else 1.0 for b in battery])
    batch.low_v = np.array([b.low_voltage_disconnect_v if b else 0.0 for b in battery])
    batch.again_v = np.array([b.reconnect_voltage_v if b else 0.0 for b in battery])
    batch.absorb_v = np.array([b.absorption_voltage_v if b else 1e3 for b in battery])
    batch.charge_eff = np.array([b.charge_efficiency if b else 1.0 for b in battery])
    batch.lithium = np.array([b is not None and b.chemistry == "lithium_iron_phosphate" for b in battery])
    st.soc = np.array([p.battery_start for p in plants])
    st.bus_off = np.zeros(n, dtype=bool)
    st.bus_now = batch.bus_v * 1.04


def tank_level(batch: "Batch") -> Floats:
    """Level in each tank. [m]"""
    place = np.clip(batch.state.tank_m3 / batch.tank_m3, 0.0, 1.0) * (batch.tank_levels.shape[1] - 1)
    low = np.minimum(place.astype(np.int64), batch.tank_levels.shape[1] - 2)
    columns = np.arange(batch.n)
    base = batch.tank_levels[columns, low]
    return np.asarray(base + (place - low) * (batch.tank_levels[columns, low + 1] - base))


def drain_riser(batch: "Batch", ready: NDArray[np.bool_], now: SimpleNamespace, step_s: float) -> None:
    """Let water seep, leak or fall back out of the riser while the pump stands."""
    s, st = batch.p, batch.state
    rate = s.seep + now.drain_per_min * s.riser / 60.0
    rate = rate + np.where(now.riser_leak_ratio > 0, 0.2 * s.riser / 60.0, 0.0)
    holed = np.where(now.riser_leak_ratio > 0, 0.55 * s.riser, 0.08 * s.riser)
    ceiling = np.where(now.drain_per_min > 0, s.riser, holed)
    more = np.where(ready, 0.0, np.minimum(rate * step_s, np.maximum(ceiling - st.void, 0.0)))
    st.void = st.void + more
    st.drawn[0] -= np.where(s.surface | s.open, 0.0, 0.25 * more / s.casing)


def draw_well(batch: "Batch", net: Floats, now: SimpleNamespace, step_s: float) -> None:
    """Step the drawdown of the aquifer's reservoirs by the net flow taken."""
    st = batch.state
    fade = np.exp(-step_s / np.array(RESERVOIR_S))[:, None]
    st.drawn = st.drawn * fade + batch.p.aquifer * now.aquifer_ratio * (1 - fade) * net


def resting_level(batch: "Batch", now: SimpleNamespace, barometer: Floats) -> Floats:
    """Water level in the well with the pump at rest. [m]"""
    s = batch.p
    return np.asarray(now.static + np.where(s.open, 0.0, batch.state.drawn.sum(axis=0) + barometer))


def step_tank(batch: "Batch", delivered: Floats, now: SimpleNamespace, step_s: float) -> Floats:
    """Fill, draw and leak the tanks; return what was drawn. [m3/s]"""
    st = batch.state
    level = tank_level(batch)
    draw = np.where(now.endless, np.where(level > 0.5 * np.minimum(
        batch.full_m, 1e3), batch.p.rated_flow * 2.0, 0.0), now.draw)
    draw = np.where(batch.has_tank & (level > batch.out_m), draw, 0.0)
    lost = now.tank_leak_per_day * batch.tank_m3 / 86400.0 * np.sqrt(
        np.clip(level / np.minimum(batch.full_m, 1e3), 0.0, 2.0))
    st.tank_m3 = np.where(batch.has_tank, np.clip(st.tank_m3 + (delivered - draw - lost) * step_s, 0.0, None), 0.0)
    roof = batch.tank_m3 * batch.roof
    st.tank_m3 = np.minimum(st.tank_m3, np.where(batch.has_tank, roof, 0.0))
    return np.asarray(draw)


def step_battery(batch: "Batch", available: Floats, out: SimpleNamespace, ready: NDArray[np.bool_], volts: Floats,
                 amps: Floats, best_v: Floats, now: SimpleNamespace,
                 step_s: float) -> tuple[Floats, Floats, Floats]:
    """Charge and discharge the batteries; return array voltage, array current and battery current."""
    s, st = batch.p, batch.state
    ratio = now.battery_ratio
    capacity = np.maximum(batch.bus_ah * ratio, 0.02 * batch.bus_ah)
    rest = batch.bus_v * np.where(batch.lithium, 1.0 + 0.06 * (st.soc - 0.4), 0.955 + 0.115 * st.soc)
    inner = 0.08 * batch.bus_v / batch.bus_ah * np.where(batch.lithium, 0.5, 1.0) / np.maximum(ratio, 0.1) ** 1.5
    load = np.where(ready, out.motor_v * out.motor_i * s.drive1 + s.drive0, s.standby) / st.bus_now
    charge = available * 0.96 * now.charge_ratio / st.bus_now
    room = np.maximum((batch.absorb_v - rest) / np.maximum(inner, 1e-4) * 0.6, 0.004 * capacity)
    charge = np.minimum(charge, load + room)
    net = charge - load
    gained = np.where(net > 0, net * batch.charge_eff ** 0.5, net)
    st.soc = np.clip(st.soc + gained * step_s / 3600 / capacity, 0.0, 1.0)
    st.bus_now = np.where(s.bus, np.clip(rest + net * inner, 0.5 * batch.bus_v, batch.absorb_v * 1.01), st.bus_now)
    st.bus_off = np.where(st.bus_now <= batch.low_v, True, np.where(st.bus_now >= batch.again_v, False, st.bus_off))
    st.bus_off = st.bus_off & s.bus
    taken = charge * st.bus_now / 0.96
    volts = np.where(s.bus, np.where(available > 1.0, np.maximum(best_v, st.bus_now), 0.0), volts)
    amps = np.where(s.bus, np.where(volts > 0.5, taken / np.maximum(volts, 0.5), 0.0), amps)
    return volts, amps, np.where(s.bus, net, 0.0)
