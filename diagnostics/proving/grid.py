"""The grid of asked-for flows, what each asks of pump, motor and drive, and where source and load meet."""

from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnostics.proving.truth import RESERVOIR_S, TruePlant, pipe_head_m, suction_head_m

if TYPE_CHECKING:
    from diagnostics.proving.loop import Batch

Floats = NDArray[np.float64]
DEAD_ROWS = np.array([0.3, 0.55, 0.78, 0.92])
FLOW_ROWS = np.array([0.0, .012, .03, .06, .10, .15, .21, .28, .36, .45, .54, .63, .72, .81, .90, 1.0])
ROWS = DEAD_ROWS.size + FLOW_ROWS.size


def lay_grid(batch: "Batch", plants: list[TruePlant]) -> None:
    """Lay the grid of flows once: standstill rows, then no flow to beyond full flow; friction along it."""
    s = batch.p
    jet = np.array([p.machine.kind == "jet" for p in plants])
    reach = np.where(np.array([p.machine.kind == "displacement" for p in plants]), 1.35 * np.minimum(s.max_x, 1.5),
                     np.where(jet, 1.1, 2.3 * np.minimum(s.max_x, 1.3)))
    top = s.rated_flow * reach
    batch.flow = np.concatenate([np.zeros((DEAD_ROWS.size, batch.n)), FLOW_ROWS[:, None] * top])
    batch.friction, batch.suction = np.empty_like(batch.flow), np.empty_like(batch.flow)
    batch.line = np.empty_like(batch.flow)
    for i, plant in enumerate(plants):
        batch.friction[:, i] = pipe_head_m(plant, batch.flow[:, i])
        batch.line[:, i] = pipe_head_m(plant, batch.flow[:, i], beyond_wellhead=True)
        batch.suction[:, i] = suction_head_m(plant, batch.flow[:, i])
    batch.square = batch.flow ** 2
    batch.turbulent = s.turbulent * batch.flow ** s.loss_power
    batch.rated_square = s.rated_head / s.rated_flow ** 2
    batch.guess = np.ones((ROWS, batch.n)) * 1.1


def laid_grid(batch: "Batch", now: SimpleNamespace, step_s: float, sky_row: Floats) -> SimpleNamespace:
    """Head, speed, torque, motor voltage and current along the grid at this step."""
    s, st, g = batch.p, batch.state, SimpleNamespace()
    tau = np.array(RESERVOIR_S)[:, None]
    fade = np.exp(-step_s / tau)
    aquifer = s.aquifer * now.aquifer_ratio
    g.held_drawdown = (st.drawn * fade).sum(axis=0)
    g.gain = (aquifer * (1 - fade)).sum(axis=0)
    flow = batch.flow
    static = now.static + sky_row * (~s.open)
    hole = now.riser_leak_ratio
    if np.any(hole > 0):
        above = np.maximum(s.hole + s.outlet + now.extra_head_m, 1.0)
        c = hole * s.rated_flow / np.sqrt(s.rated_head)
        full_leak = c * np.sqrt(np.maximum(above + 0.8 * batch.friction, 0.0))
        g.leak = np.minimum(flow, full_leak)
        g.lowered = np.where(c > 0, np.maximum(above - (flow / np.maximum(c, 1e-12)) ** 2, 0.0), 0.0)
        g.lowered = np.where(flow < c * np.sqrt(above), g.lowered, 0.0)
    else:
        g.leak, g.lowered = np.zeros_like(flow), 0.0
    net = flow - g.leak
    g.level = static + np.where(s.open, 0.0, g.held_drawdown + g.gain * net + now.well_loss_ratio * batch.turbulent)
    g.suction = batch.suction + now.intake_ratio * batch.rated_square * batch.square
    over = now.delivery_ratio + st.air * now.air_ratio
    g.delivery = s.outlet + now.extra_head_m + batch.friction + over * batch.rated_square * batch.square - g.lowered
    head = g.level + g.suction + g.delivery
    if np.any(s.surface):
        lift = s.pump_height + g.level + g.suction
        have = s.air_head - s.vapour - lift
        need = (s.need + now.suction_need_extra_m) * (0.4 + 0.6 * batch.square / s.rated_flow ** 2)
        g.short = np.where(s.surface, np.maximum(need - have, 0.0), 0.0)
        head = head + 4.0 * g.short
    g.head = np.maximum(head, 0.0)
    # A gauge sits at the wellhead, or at the outlet of a surface pump.
    g.outlet = np.maximum(g.delivery - batch.friction + batch.line - np.where(s.surface, s.pump_height, 0.0), 0.0)
    g.x, g.shaft = pump_along(batch, g, now)
    g.x[:DEAD_ROWS.size] = DEAD_ROWS[:, None] * g.x[DEAD_ROWS.size]
    fall = np.where(np.arange(batch.n) < batch.pd.start, 2.7, 2.0)
    g.shaft[:DEAD_ROWS.size] = g.shaft[DEAD_ROWS.size] * DEAD_ROWS[:, None] ** fall
    omega = np.maximum(g.x * s.omega, 1e-3)
    torque = g.shaft / omega
    if not np.all(st.primed):
        torque = np.where(st.primed, torque, 0.18 * s.rated_w * 0.7 / s.omega * (0.3 + 0.7 * g.x * g.x))
    g.torque = torque
    g.motor_i = (torque + s.still + s.windage * g.x) / (s.torque * now.motor_ratio)
    winding = s.winding * (1 + 0.0039 * 35.0 * st.warm)
    g.motor_v = s.torque * omega + g.motor_i * winding
    g.motor_w = g.motor_v * g.motor_i
    g.winding = winding
    return g


def pump_along(batch: "Batch", g: SimpleNamespace, now: SimpleNamespace) -> tuple[Floats, Floats]:
    """Speed ratio and shaft power of every machine along the grid."""
    x, shaft = np.empty_like(batch.flow), np.empty_like(batch.flow)

    def part(value: Floats | float, where: slice) -> Floats:
        return np.broadcast_to(value, (batch.n,))[where]

    if batch.roto.stop > 0:
        flow, head = batch.flow[:, batch.roto], g.head[:, batch.roto]
        if batch.jets.stop > batch.jets.start:
            flow, head = flow.copy(), head.copy()
            level = (batch.p.pump_height + g.level + g.suction)[:, batch.jets]
            outlet = (g.delivery - batch.p.pump_height)[:, batch.jets]
            flow[:, batch.jets], head[:, batch.jets], g.outlet[:, batch.jets] = batch.jet_bank.asked_of_pump(
                batch.flow[:, batch.jets], level, outlet, air_head_m=(batch.p.air_head - batch.p.vapour)[batch.jets],
                need_m=part(0.6 * (batch.p.need + now.suction_need_extra_m), batch.jets))
        guess = batch.guess[:, batch.roto]
        x[:, batch.roto], shaft[:, batch.roto] = batch.rotors.speed_and_power(
            flow, head, guess, part(now.head_ratio, batch.roto), part(now.worn_leak, batch.roto))
        batch.guess[:, batch.roto] = x[:, batch.roto]
    if batch.pd.stop > batch.pd.start:
        x[:, batch.pd], shaft[:, batch.pd] = batch.displacers.speed_and_power(
            batch.flow[:, batch.pd], g.head[:, batch.pd], part(now.slip_ratio, batch.pd),
            part(now.volume_ratio, batch.pd))
    return x, shaft


def operating_point(batch: "Batch", residual: Floats, g: SimpleNamespace, asked: Floats,
                    array_v: Floats | None) -> SimpleNamespace:
    """Read every course where the residual (supply less demand) changes sign."""
    short = residual <= 0
    first = np.argmax(short, axis=0)
    none = ~short.any(axis=0)
    upper = np.where(none, ROWS - 1, np.maximum(first, 1))
    columns = np.arange(batch.n)
    r0, r1 = residual[upper - 1, columns], residual[upper, columns]
    weight = np.where(none, 1.0, np.clip(r0 / np.where(np.abs(r0 - r1) < 1e-12, 1.0, r0 - r1), 0.0, 1.0))
    out = SimpleNamespace(cannot=(first == 0) & ~none, columns=columns)

    def read(grid: Floats) -> Floats:
        low = grid[upper - 1, columns]
        return np.asarray(low + weight * (grid[upper, columns] - low))

    out.pumped, out.leak, out.x = read(batch.flow), read(g.leak), read(g.x)
    out.motor_v, out.motor_i, out.asked = read(g.motor_v), read(g.motor_i), read(asked)
    out.level, out.suction, out.outlet = read(g.level), read(g.suction), read(g.outlet)
    out.array_v = read(array_v) if array_v is not None else np.zeros(batch.n)
    return out
