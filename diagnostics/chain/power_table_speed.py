"""
The speed behind a printed table of flow against input power, for pumps that are coupled straight to their array.

Such a table prints no speed, yet coupled directly the pump takes whatever voltage its speed asks for. Three things that
are always known tell it: the motor plate (volts, watts and turns at rated load, hence how watts split into volts and
amperes at any speed), the hydraulic laws (head over speed squared hangs on flow over speed alone; a displacement
pump's flow is its speed less a slip, its torque stands against head), and the table itself.
"""

from dataclasses import dataclass, field, fields, replace

import numpy as np
from numpy.typing import NDArray

from diagnostics.chain.motor import DirectCurrentMotor, motor_model
from diagnostics.chain.power_table_end import PowerTableEnd
from diagnostics.chain.pump_points import ShaftDemand
from diagnostics.health import Health
from diagnostics.site import Pump

Floats = NDArray[np.float64]

# The plate of a pump set is its own rated load or up to a fifth above it: a rectangle (JCGM 100:2008, 4.3.7).
_PLATE_MARGIN, _PLATE_MARGIN_UNCERTAINTY = 1.10, 0.06
# Priors of a rotodynamic pump from memory of printed curves, wide on purpose: head at no flow over head at best
# efficiency, and shaft power at no flow over that at best efficiency; how far one cell lies from such simple curves.
_SHUT_OFF_OVER_BEST, _SHUT_OFF_UNCERTAINTY = 1.33, 0.12
_IDLE_POWER_SHARE, _IDLE_POWER_UNCERTAINTY = 0.50, 0.12
_CELL_SCATTER = 0.06
# Slip of a displacement pump over its swept volume at the highest printed head (sheets state a volumetric efficiency of
# 0.85 to 0.97).
_SLIP_SHARE, _SLIP_UNCERTAINTY = 0.08, 0.04
# Where a table ends is a little above what the pump is rated for, or just there.
_RATED_OVER_HIGHEST_HEAD, _RATED_HEAD_UNCERTAINTY = 0.85, 0.12
# Where flow stops growing with power the sheet's controller held its highest speed: usually a little above the plate's.
_HELD_SPEED, _HELD_UNCERTAINTY = 1.10, 0.06
# Torque of a displacement pump grows a little with speed (seals, churning); how well a row of one head must keep it.
_TORQUE_WITH_SPEED, _TORQUE_WITH_SPEED_UNCERTAINTY, _TORQUE_SCATTER = 0.08, 0.08, 0.03
# A winding reckoned from the efficiency of the plate alone.
_WINDING_UNCERTAINTY = 0.3
# Torque and voltage constants are printed, or follow from a rounded plate: one standard uncertainty.
_PLATE_VOLTAGE_UNCERTAINTY = 0.02
# Power of a rotodynamic set against its own head: nearly the cube of speed.
_POWER_WITH_SPEED = 2.7
_TINY = 1e-9


@dataclass(frozen=True)
class CoupledTableEnd(PowerTableEnd):
    """A printed table with the speed at each of its points; speed ratio 1 is the rated speed of the plate."""

    motor: DirectCurrentMotor = field(kw_only=True)
    speed_uncertainty: float = field(kw_only=True)      # one standard uncertainty, relative, about the rated point
    swept_m3_s: float = field(kw_only=True)             # at rated speed; displacement only
    steepness: float = field(kw_only=True)              # shut-off head over best head; rotodynamic only
    holds_speed: bool = field(kw_only=True)             # electronics in the motor may do so, brushes never do
    printed_speed_ratio: tuple[float, float] = field(kw_only=True)      # lowest and highest of the printed points
    edge_heads_m: Floats = field(kw_only=True)          # printed heads, and the least and most flow printed at each
    edge_flows_m3_s: Floats = field(kw_only=True)       # (2, heads)

    def demand(self, flow_m3_s: Floats, head_m: Floats, health: Health) -> ShaftDemand:
        """
        Speed and torque for a flow against a head.

        Parameters
        ----------
        flow_m3_s, head_m : ndarray, same shape
            [m3/s, m]
        health : Health

        Returns
        -------
        demand : ShaftDemand
            At the printed points the sound motor takes the printed power.
        """
        inner, head = self.through(flow_m3_s, head_m, health)
        ratio = self.speed_ratio(inner, head)
        torque = self._held_torque(inner, head, ratio) if self.is_displacement else self._affine_torque(inner, head,
                                                                                                        ratio)
        speed = self.rated_speed_rpm * ratio
        if self.is_displacement:
            volume = max(health.displacement_ratio, 1e-6)
            speed, torque = speed / volume, torque * volume
        return ShaftDemand(speed, torque)

    def _held_torque(self, flow: Floats, head: Floats, ratio: Floats) -> Floats:
        """Torque of a displacement pump: that of the nearest printed flow at that head, but for what speed adds."""
        least, most = (np.interp(head, self.edge_heads_m, edge) for edge in self.edge_flows_m3_s)
        near = np.clip(flow, least, most)
        there = self.speed_ratio(near, head)
        grown = (1.0 + _TORQUE_WITH_SPEED * ratio) / (1.0 + _TORQUE_WITH_SPEED * there)
        return np.asarray(self._torque(near, head, there) * grown, dtype=np.float64)

    def _affine_torque(self, flow: Floats, head: Floats, ratio: Floats) -> Floats:
        """Torque of a rotodynamic pump: beyond the printed speeds it goes with speed squared along an affinity line."""
        scale = ratio / np.clip(ratio, *self.printed_speed_ratio)
        scale = np.where(scale > 0.0, scale, 1.0)
        return np.asarray(scale**2 * self._torque(flow / scale, head / scale**2, ratio / scale), dtype=np.float64)

    def speed_ratio(self, flow_m3_s: Floats, head_m: Floats) -> Floats:
        """
        Speed over rated speed.

        Parameters
        ----------
        flow_m3_s, head_m : ndarray, same shape
            Through the sound pump. [m3/s, m]

        Returns
        -------
        ratio : ndarray
            [1]
        """
        if self.is_displacement:
            return np.asarray((flow_m3_s + self.slip_m3_s_m * head_m) / self.swept_m3_s, dtype=np.float64)
        return _affine_speed(flow_m3_s / self.best_flow_m3_s, head_m / self.best_head_m, self.steepness)

    def _torque(self, flow: Floats, head: Floats, ratio: Floats) -> Floats:
        return _torque_of(self.motor, self._power(flow, head), self.rated_speed_rpm * ratio)

    def flow_limit(self, head_m: Floats) -> Floats:
        """
        Flow at which electronics inside the motor hold its speed; a brushed motor on its array has none.

        Parameters
        ----------
        head_m : ndarray
            [m]

        Returns
        -------
        limit_m3_s : ndarray
            Infinite where nothing holds it. [m3/s]
        """
        return super().flow_limit(head_m) if self.holds_speed else np.full(np.shape(head_m), np.inf)


def _affine_speed(flow_ratio: Floats, head_ratio: Floats, steepness: Floats | float) -> Floats:
    """
    Speed ratio from flow and head over those at best efficiency and rated speed.

    h = r2 (s - (s - 1) (q/r)2) with the shut-off ratio s, solved for r: explicit, and r goes with q along every
    affinity parabola whatever s is.
    """
    return np.asarray(np.sqrt((head_ratio + (steepness - 1.0) * flow_ratio**2) / steepness), dtype=np.float64)


def _torque_of(motor: DirectCurrentMotor, power_w: Floats, speed_rpm: Floats) -> Floats:
    """Shaft torque at which the sound motor takes a power at a speed; a dead row asks none."""
    back = motor.torque_constant_n_m_a * speed_rpm * (np.pi / 30.0)
    ohm = motor.resistance_ohm
    # R I2 + k w I = P, in the form that holds without resistance too.
    current = 2.0 * power_w / np.maximum(back + np.sqrt(back**2 + 4.0 * ohm * power_w), _TINY)
    return np.asarray(np.maximum(motor.torque_constant_n_m_a * current - motor.friction_n_m(speed_rpm), 0.0),
                      dtype=np.float64)


def coupled_table_end(end: PowerTableEnd, pump: Pump) -> CoupledTableEnd:
    """
    Find the speed behind a printed table from the plate and the laws of the pump.

    Parameters
    ----------
    end : PowerTableEnd
    pump : Pump

    Returns
    -------
    end : CoupledTableEnd
        With a note of what was taken, and its uncertainty.

    Raises
    ------
    ValueError
        For an AC motor, which has no load line, or a table without flow.
    """
    motor = motor_model(pump.motor)
    if not isinstance(motor, DirectCurrentMotor):
        raise ValueError(f"pump {pump.key}: an AC motor cannot be coupled straight to an array.")
    rows = np.array([(p.head_m, p.input_power_w, p.flow_m3_s) for p in pump.power_table])
    if not (rows[:, 2] > 0.0).any():
        raise ValueError(f"pump {pump.key}: no cell of power_table delivers water, so no speed can be told from it.")
    swept, slip, steepness = np.nan, 0.0, np.nan
    best_flow, best_head = end.best_flow_m3_s, end.best_head_m
    if end.is_displacement:
        swept, slip, uncertainty = _swept_volume(end, pump, motor, rows)
    else:
        best_flow, best_head = _best_point(end, pump, rows)
        steepness, uncertainty = _steepness(pump, motor, rows, best_flow, best_head)
        uncertainty = float(np.hypot(uncertainty, _PLATE_MARGIN_UNCERTAINTY / _POWER_WITH_SPEED))
    uncertainty = float(np.hypot(uncertainty, _PLATE_VOLTAGE_UNCERTAINTY))
    holds = pump.motor.kind == "brushless_dc"
    taken = {f.name: getattr(end, f.name) for f in fields(PowerTableEnd)}
    taken |= {"best_flow_m3_s": best_flow, "best_head_m": best_head, "slip_m3_s_m": slip,
              "notes": (*end.notes, _note(end, uncertainty, holds))}
    heads, edges = _edges(rows)
    found = CoupledTableEnd(**taken, motor=motor, speed_uncertainty=uncertainty, swept_m3_s=swept, steepness=steepness,
                            holds_speed=holds, printed_speed_ratio=(0.0, np.inf), edge_heads_m=heads,
                            edge_flows_m3_s=edges)
    wet = rows[rows[:, 2] > 0.0]
    printed = found.speed_ratio(wet[:, 2], wet[:, 0])
    return replace(found, printed_speed_ratio=(float(printed.min()), float(printed.max())))


def _note(end: PowerTableEnd, uncertainty: float, holds: bool) -> str:
    law = ("flow less a usual slip goes with speed" if end.is_displacement
           else "speed from the affinity laws with a usual steepness of the head curve")
    held = (" Where the table's flow stops growing with power a controller held the speed; brushes on an array do not."
            if np.isfinite(end.highest_flow_m3_s).any() and not holds else "")
    return (f"The pump is described by flow against power, which prints no voltage: speed, volts and amperes are "
            f"reckoned from the motor plate ({law}), known to about {100.0 * uncertainty:.0f} %.{held} "
            "One reading of voltage and current in steady sun would settle it.")


def _best_point(end: PowerTableEnd, pump: Pump, rows: Floats) -> tuple[float, float]:
    """
    Flow and head of best efficiency at rated speed: at one power, where most of it is in the water.

    At one electrical power the motor loses about the same, so the point with the largest flow times head is that of
    the pump's best efficiency. At the plate's power less its margin it turns at its rated speed; a table that ends
    below was turned slower at its end.
    """
    rated = pump.motor.rated_power_w / _PLATE_MARGIN
    duty = min(rated, float(rows[:, 1].max()))
    inside = (end.heads_m >= end.lowest_printed_head_m) & (end.heads_m <= end.highest_printed_head_m)
    heads = end.heads_m[inside]
    flows = np.array([np.interp(duty, row + _TINY * np.arange(row.size), end.flow_grid) if row[0] < duty else 0.0
                      for row in end.power_w[inside]])
    at = int(np.argmax(flows * heads))
    flow, head = float(flows[at]), float(heads[at])
    if flow <= 0.0:     # the whole table lies above the plate: its best cell is all there is
        cell = rows[np.argmax(rows[:, 0] * rows[:, 2] / rows[:, 1])]
        flow, head, duty = float(cell[2]), max(float(cell[0]), 0.01), float(cell[1])
    ratio = (duty / rated) ** (1.0 / _POWER_WITH_SPEED)
    return flow / ratio, head / ratio**2


def _steepness(pump: Pump, motor: DirectCurrentMotor, rows: Floats, best_flow: float,
               best_head: float) -> tuple[float, float]:
    """
    Shut-off ratio with which the shaft power over speed cubed of all cells falls on one line over flow over speed.

    Speed weighs with its cube, so a wrong head curve shows in the power. A grid of both is weighed; the spread of the
    speed over the printed cells is its uncertainty.
    """
    wet = rows[rows[:, 2] > 0.0]
    steep, idle = np.meshgrid(np.linspace(1.08, 1.70, 32), np.linspace(0.2, 0.85, 27), indexing="ij")
    ratio = _affine_speed(wet[:, 2] / best_flow, wet[:, 0] / best_head, steep[..., None])
    speed = pump.rated_speed_rpm * ratio
    shaft = _torque_of(motor, np.broadcast_to(wet[:, 1], ratio.shape), speed) * speed
    shape = idle[..., None] + (1.0 - idle[..., None]) * wet[:, 2] / best_flow / ratio
    with np.errstate(divide="ignore"):
        over = np.log(np.maximum(shaft, _TINY)) - np.log(ratio**3 * shape)
    misfit = over - np.median(over, axis=-1, keepdims=True)
    # Cells of one table share what a simple curve leaves out: they count as a third of their number.
    cost = np.sum(np.minimum((misfit / _CELL_SCATTER) ** 2, 16.0), axis=-1) / 3.0
    cost += ((steep - _SHUT_OFF_OVER_BEST) / _SHUT_OFF_UNCERTAINTY) ** 2
    cost += ((idle - _IDLE_POWER_SHARE) / _IDLE_POWER_UNCERTAINTY) ** 2
    weight = np.exp(-0.5 * (cost - cost.min()))
    weight /= weight.sum()
    mean = np.sum(weight[..., None] * np.log(ratio), axis=(0, 1))
    spread = np.sqrt(np.sum(weight[..., None] * (np.log(ratio) - mean) ** 2, axis=(0, 1)))
    return float(np.sum(weight * steep)), float(np.sqrt(np.mean(spread**2)))


def _swept_volume(end: PowerTableEnd, pump: Pump, motor: DirectCurrentMotor,
                  rows: Floats) -> tuple[float, float, float]:
    """
    Volume swept at rated speed and slip per metre: what fits plate, usual slip and an even torque at each head best.

    A grid of both is weighed, so the uncertainty of the speed is that of the weights.
    """
    top, rated = float(rows[:, 0].max()), pump.motor.rated_power_w
    duty_head = pump.rated_head_m if pump.rated_head_m is not None else _RATED_OVER_HIGHEST_HEAD * top
    duty_head_share = 0.0 if pump.rated_head_m is not None else _RATED_HEAD_UNCERTAINTY
    duty_power = rated / _PLATE_MARGIN
    row = end.power_w[int(np.argmin(np.abs(end.heads_m - duty_head)))]
    duty_flow = float(np.interp(duty_power, row + 1e-9 * np.arange(row.size), end.flow_grid))
    if not duty_flow > 0.0:
        duty_flow = float(rows[:, 2].max())
    given = pump.motor.armature_resistance_ohm is not None
    winding = np.array([1.0] if given else [1.0 - _WINDING_UNCERTAINTY, 1.0, 1.0 + _WINDING_UNCERTAINTY])
    grows = _TORQUE_WITH_SPEED + _TORQUE_WITH_SPEED_UNCERTAINTY * np.array([-1.0, 0.0, 1.0])
    slip, speed, ohms, grow = np.meshgrid(np.linspace(0.005, 0.24, 24), np.exp(np.linspace(-0.45, 0.45, 46)), winding,
                                          grows, indexing="ij")
    swept = duty_flow / speed / (1.0 - slip * duty_head / top)       # so that `speed` is the speed ratio at the duty
    cost = ((slip - _SLIP_SHARE) / _SLIP_UNCERTAINTY) ** 2
    cost += (np.log(speed) / np.hypot(_PLATE_MARGIN_UNCERTAINTY, duty_head_share)) ** 2
    cost += ((ohms - 1.0) / _WINDING_UNCERTAINTY) ** 2
    cost += ((grow - _TORQUE_WITH_SPEED) / _TORQUE_WITH_SPEED_UNCERTAINTY) ** 2
    held = np.isfinite(end.highest_flow_m3_s) & (end.heads_m >= rows[:, 0].min()) & (end.heads_m <= top)
    if held.any():
        at = int(np.flatnonzero(held)[-1])
        fastest = (end.highest_flow_m3_s[at] + slip * swept * end.heads_m[at] / top) / swept
        cost += (np.log(fastest / _HELD_SPEED) / _HELD_UNCERTAINTY) ** 2
    free = _below_the_limit(rows)
    back = motor.torque_constant_n_m_a * pump.rated_speed_rpm * np.pi / 30.0
    for head in np.unique(free[:, 0]):
        cells = free[free[:, 0] == head]
        if len(cells) < 2:
            continue
        ratio = (cells[:, 2] + (slip * swept)[..., None] * head / top) / swept[..., None]
        ohm = ohms[..., None] * motor.resistance_ohm
        current = 2.0 * cells[:, 1] / (back * ratio + np.sqrt((back * ratio) ** 2 + 4.0 * ohm * cells[:, 1]))
        torque = motor.torque_constant_n_m_a * current - motor.friction_n_m(pump.rated_speed_rpm * ratio)
        torque = torque / (1.0 + grow[..., None] * ratio)
        mean = torque.mean(axis=-1, keepdims=True)
        # Rows of one table share what is left out of motor and pump: together they count as two.
        cost += np.sum(((torque / np.maximum(mean, _TINY) - 1.0) / _TORQUE_SCATTER) ** 2, axis=-1) * (
            2.0 / np.unique(free[:, 0]).size)
    weight = np.exp(-0.5 * (cost - cost.min()))
    weight /= weight.sum()
    volume = float(np.exp(np.sum(weight * np.log(swept))))
    spread = float(np.sqrt(np.sum(weight * np.log(swept / volume) ** 2)))
    return volume, float(np.sum(weight * slip)) * volume / top, spread


def _below_the_limit(rows: Floats) -> Floats:
    """Cells that deliver, without those of a head at which more power brought no more."""
    kept = []
    for head in np.unique(rows[:, 0]):
        row = rows[rows[:, 0] == head]
        row = row[np.argsort(row[:, 1])]
        row = row[row[:, 2] > 0.0]
        # The limit was met somewhere before the last cell that still grew, so that one is in doubt as well.
        grew = np.flatnonzero(np.diff(row[:, 2]) > 0.03 * row[-1, 2]) if len(row) > 1 else np.zeros(0, dtype=np.int64)
        flat = len(row) > 1 and grew.size < len(row) - 1
        kept.append(row[:grew.size] if flat else row)
    return np.vstack(kept) if kept else np.zeros((0, 3))


def _edges(rows: Floats) -> tuple[Floats, Floats]:
    """Printed heads with the least and the most flow at each that the pump gave of itself."""
    free = _below_the_limit(rows)
    heads = np.unique(free[:, 0])
    flows = [free[free[:, 0] == head, 2] for head in heads]
    return heads, np.array([[flow.min() for flow in flows], [flow.max() for flow in flows]])
