"""A pump known only by a printed table of flow against input power at several heads."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from diagnostics.chain.pump_points import ShaftDemand, extended
from diagnostics.health import Health
from diagnostics.site import POSITIVE_DISPLACEMENT, Pump

Floats = NDArray[np.float64]
_HEAD_KNOTS = 121
# Printed flows within this share of each other at different powers are one flow: the system is at its limit.
_STANDS_STILL = 0.004
_NO_LIMIT_M3_S = 1e3


@dataclass(frozen=True)
class PowerTableEnd:
    """A printed table of flow against power into the drive at several heads, read between its points."""

    heads_m: Floats
    flow_grid: Floats
    power_w: Floats             # (heads, flows)
    rated_speed_rpm: float
    is_displacement: bool
    highest_printed_head_m: float
    slip_m3_s_m: float          # usual, per metre of head; displacement only
    best_flow_m3_s: float
    best_head_m: float          # at best flow: the highest printed head stands in where no speed is known
    highest_flow_m3_s: Floats       # (heads,), where printed flows stop growing with power; infinite where they do not
    notes: tuple[str, ...] = field(default_factory=tuple)
    lowest_printed_head_m: float = 0.0
    highest_printed_power_w: float = np.inf

    def demand(self, flow_m3_s: Floats, head_m: Floats, health: Health) -> ShaftDemand:
        """
        Power into the drive for a flow against a head; the speed is not printed and stays unknown.

        Parameters
        ----------
        flow_m3_s, head_m : ndarray, same shape
            [m3/s, m]
        health : Health

        Returns
        -------
        demand : ShaftDemand
        """
        flow, head = self.through(flow_m3_s, head_m, health)
        power = self._power(flow, head) / max(health.motor_efficiency_ratio * health.drive_ratio, 1e-3)
        return ShaftDemand(np.full_like(power, np.nan), input_power_w=power)

    def through(self, flow_m3_s: Floats, head_m: Floats, health: Health) -> tuple[Floats, Floats]:
        """
        Flow and head with which the sound table is read in a state of health.

        Parameters
        ----------
        flow_m3_s, head_m : ndarray, same shape
            [m3/s, m]
        health : Health

        Returns
        -------
        flow_m3_s, head_m : ndarray
            What wear leaks back is added to the flow; a weaker wheel works as against more head. [m3/s, m]
        """
        head = np.maximum(head_m, 0.01)
        if self.is_displacement:
            return np.maximum(flow_m3_s + (health.slip_ratio - 1.0) * self.slip_m3_s_m * head, 0.0), head
        head = head / max(health.pump_head_ratio, 1e-3)
        leak = health.recirculation_ratio * self.best_flow_m3_s * np.sqrt(head / self.best_head_m)
        return np.maximum(flow_m3_s + leak, 0.0), head

    def _power(self, flow: Floats, head: Floats) -> Floats:
        step = np.clip(flow / self.flow_grid[-1] * (self.flow_grid.size - 1), 0.0, self.flow_grid.size - 1.0)
        j = np.minimum(step.astype(np.int64), self.flow_grid.size - 2)
        fj = step - j
        i = np.clip(np.searchsorted(self.heads_m, head) - 1, 0, self.heads_m.size - 2)
        table = self.power_w
        low = table[i, j] + fj * (table[i, j + 1] - table[i, j])
        high = table[i + 1, j] + fj * (table[i + 1, j + 1] - table[i + 1, j])
        share = (head - self.heads_m[i]) / (self.heads_m[i + 1] - self.heads_m[i])
        return np.asarray(np.maximum(low + share * (high - low), 0.02 * low))

    def flow_limit(self, head_m: Floats) -> Floats:
        """
        Flow at which the printed system has reached its own limit of speed or power.

        Parameters
        ----------
        head_m : ndarray
            [m]

        Returns
        -------
        limit_m3_s : ndarray
            Infinite where the table shows none. [m3/s]
        """
        if not np.isfinite(self.highest_flow_m3_s).any():
            return np.full(np.shape(head_m), np.inf)
        return np.interp(head_m, self.heads_m, self.highest_flow_m3_s)

    def largest_flow(self, speed_max_rpm: float) -> float:
        """
        Largest flow of the table with its margin.

        Parameters
        ----------
        speed_max_rpm : float
            Not used: the table knows no speed. [rpm]

        Returns
        -------
        flow_m3_s : float
            [m3/s]
        """
        del speed_max_rpm
        return float(self.flow_grid[-1])


def _power_against_flow(power: Floats, flow: Floats, grid: Floats, *, is_displacement: bool) -> Floats:
    """Power into the drive over flow at one head: through the points, down to the start of delivery, and on."""
    order = np.argsort(power)
    power, flow = power[order], np.maximum.accumulate(flow[order])
    if flow[0] > 0:
        if power.size > 1:
            grow = flow[:2] if is_displacement else flow[:2] ** 2
            start = power[0] - (power[1] - power[0]) * grow[0] / max(grow[1] - grow[0], 1e-12)
            start = float(np.clip(start, 0.2 * power[0], 0.95 * power[0]))
        else:
            start = 0.4 * power[0]
        power, flow = np.insert(power, 0, start), np.insert(flow, 0, 0.0)
    rises = np.concatenate(([True], np.diff(flow) > _STANDS_STILL * flow[-1]))
    top = int(np.flatnonzero(rises)[-1])
    stands_still = top < flow.size - 1
    power, flow = power[:top + 1].copy(), flow[:top + 1]
    if top >= 2 and stands_still:
        # The limit was met somewhere between the last two powers: where the rise before it leads to.
        rise = (power[top - 1] - power[top - 2]) / (flow[top - 1] - flow[top - 2])
        power[top] = min(power[top], power[top - 1] + 1.1 * rise * (flow[top] - flow[top - 1]))
    keep = np.concatenate((np.diff(flow) > 0, [True]))
    return extended(flow[keep], power[keep], grid, falling_to_zero=False)


def _highest_flows(rows: Floats, heads: Floats) -> Floats:
    """Flow at each head beyond which more power brings no more; infinite where its row does not show it."""
    highest = np.full(heads.size, np.inf)
    for i, head in enumerate(heads):
        row = rows[rows[:, 0] == head]
        flow = row[np.argsort(row[:, 1]), 2]
        if flow.size >= 2 and flow[-1] - flow[-2] <= _STANDS_STILL * flow[-1]:
            highest[i] = flow[-1]
    return highest


def power_table_end(pump: Pump) -> PowerTableEnd:
    """
    Pump end from a printed table of flow against power into the drive.

    Parameters
    ----------
    pump : Pump
        With a power_table.

    Returns
    -------
    end : PowerTableEnd
    """
    rows = np.array([(p.head_m, p.input_power_w, p.flow_m3_s) for p in pump.power_table])
    is_displacement = pump.family in POSITIVE_DISPLACEMENT
    # A head at which no printed power brings water tells of no flow's power.
    heads = np.unique(rows[rows[:, 2] > 0.0, 0])
    if heads.size == 0:
        raise ValueError(f"pump {pump.key}: no cell of power_table delivers water; write down the cells that do.")
    rows = rows[np.isin(rows[:, 0], heads)]
    grid = np.linspace(0.0, 1.35 * rows[:, 2].max(), 401)
    power = np.array([_power_against_flow(rows[rows[:, 0] == head, 1], rows[rows[:, 0] == head, 2], grid,
                                          is_displacement=is_displacement) for head in heads])
    # A higher head never costs less.
    power = np.maximum.accumulate(np.maximum.accumulate(power, axis=0), axis=1)
    best = rows[np.argmax(rows[:, 0] * rows[:, 2] / rows[:, 1])]
    dense, filled = _between_heads(np.maximum(heads, 0.01), power)
    top = max(float(heads[-1]), 0.01)
    return PowerTableEnd(dense, grid, filled, pump.rated_speed_rpm, is_displacement, float(heads[-1]),
                         0.06 * float(best[2]) / top, float(best[2]), top,
                         _at_heads(_highest_flows(rows, heads), heads, dense, is_displacement=is_displacement),
                         lowest_printed_head_m=float(heads[0]), highest_printed_power_w=float(rows[:, 1].max()))


def _at_heads(highest: Floats, heads: Floats, dense: Floats, *, is_displacement: bool) -> Floats:
    """
    Limits at many heads: straight between heads that show one, held above them; infinite where none does.

    At its top speed a displacement pump gives about the same against any head. A rotodynamic one gives more against
    less head, so nothing is known below the lowest head that shows its limit.
    """
    shown = np.isfinite(highest)
    if not shown.any():
        return np.full(dense.size, np.inf)
    limit = np.interp(dense, heads[shown], highest[shown])
    return limit if is_displacement else np.where(dense < 0.999 * heads[shown][0], _NO_LIMIT_M3_S, limit)


def _between_heads(heads: Floats, power: Floats) -> tuple[Floats, Floats]:
    """Fill a table to many heads: smooth and monotone between printed ones, straight beyond; printed rows stay."""
    if heads.size == 1:
        dense = np.linspace(0.2, 2.0, 91) * heads[0]
        return dense, power[0] * (dense / heads[0])[:, None]
    dense = np.unique(np.concatenate([np.linspace(0.2 * heads[0], 1.5 * heads[-1], _HEAD_KNOTS), heads]))
    inside = PchipInterpolator(heads, power, axis=0)(np.clip(dense, heads[0], heads[-1]))
    first = (power[1] - power[0]) / (heads[1] - heads[0])
    last = (power[-1] - power[-2]) / (heads[-1] - heads[-2])
    filled = (inside - first * np.maximum(heads[0] - dense, 0.0)[:, None]
              + last * np.maximum(dense - heads[-1], 0.0)[:, None])
    return dense, np.maximum(np.asarray(filled, dtype=np.float64), 0.05 * power[0])
