"""
Ratios of measured to expected, summed over sun or power bins: the summaries that carry most of the physics.

The same function reads measured days and computed ones, so that what a fault would show is reckoned exactly as it
is measured.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnostics.evidence.load_line import LoadLineRows, stands
from diagnostics.evidence.own_bend import own_bend

Vector = NDArray[np.float64]

SUN_EDGES_W_M2 = {"low": (120.0, 350.0), "mid": (350.0, 650.0), "high": (650.0, 2000.0)}
FLOW_EDGES = {"low": (0.05, 0.4), "mid": (0.4, 0.75), "high": (0.75, 9.0)}
SPEED_EDGES = {"low": (0.05, 0.6), "high": (0.6, 9.0)}
# Below this share of rated flow a pump stops and starts inside an interval, and a mean speed is none of its speeds.
LEAST_STEADY_FLOW = 0.25
WATER_HEAD_PA_M = 998.2 * 9.80665


@dataclass(frozen=True)
class Rows:
    """Intervals in which the pump ran freely, measured beside healthy. Unknown is NaN; lengths all equal."""

    group: NDArray[np.intp]         # which day (or which computed case) an interval belongs to
    groups: int
    weight: Vector                  # 1 under steady sun, less under broken cloud; 0 never counted
    poa_w_m2: Vector
    before_noon: Vector             # 1 before solar noon, 0 after, NaN unknown
    air_temperature_c: Vector
    current_a: Vector
    voltage_v: Vector
    power_w: Vector
    flow_m3_s: Vector
    speed_rpm: Vector
    level_m: Vector
    pressure_pa: Vector
    healthy_current_a: Vector       # at the same sun
    healthy_voltage_v: Vector
    healthy_power_w: Vector
    healthy_flow_m3_s: Vector
    flow_at_power_m3_s: Vector      # healthy, at the measured power and the measured rest level
    speed_at_power_rpm: Vector
    drawdown_at_flow_m: Vector      # healthy, at the metered flow
    pressure_at_flow_pa: Vector
    static_level_m: Vector          # measured rest level of the day, else NaN
    electrical_ok: NDArray[np.bool_]
    hydraulic_ok: NDArray[np.bool_]
    rated_flow_m3_s: float
    head_scale_m: float
    hot_from_c: float = 30.0        # air temperature from which drives begin to derate
    low_beam: NDArray[np.bool_] | None = None   # clear sun low enough for an obstacle; None: all of them
    load_line: LoadLineRows | None = None       # of a site coupled directly: what its rows tell of
    array_down: NDArray[np.bool_] | None = None  # it stands, for the array cannot hold its voltage
    days: bool = False      # groups are days of one site, whose own curve may bend otherwise than its sheet's


@dataclass(frozen=True)
class Table:
    """Values, errors and counts by feature; arrays of shape (groups,)."""

    values: dict[str, Vector]
    errors: dict[str, Vector]
    samples: dict[str, Vector]


def _sums(rows: Rows, amount: Vector, chosen: NDArray[np.bool_]) -> Vector:
    return np.bincount(rows.group[chosen], weights=amount[chosen], minlength=rows.groups).astype(np.float64)


def _ratio(rows: Rows, table: Table, name: str, measured: Vector, expected: Vector, chosen: NDArray[np.bool_],
           *, least: int = 2) -> None:
    """Add sum(measured)/sum(expected) - 1 by group, with its error from the scatter about the ratio."""
    chosen = chosen & np.isfinite(measured) & np.isfinite(expected) & (expected > 0.0) & (rows.weight > 0.0)
    if not chosen.any():
        return
    count = _sums(rows, np.ones_like(measured), chosen)
    below = _sums(rows, rows.weight * expected, chosen)
    above = _sums(rows, rows.weight * measured, chosen)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = above / below
        misfit = rows.weight * (measured - ratio[rows.group] * expected)
        squares = _sums(rows, misfit**2, chosen & np.isfinite(misfit))
        error = np.sqrt(2.0 * squares * count / np.maximum(count - 1.0, 1.0)) / below
    _put(table, name, np.where(count >= least, ratio - 1.0, np.nan), error, count)


def _mean(rows: Rows, table: Table, name: str, amount: Vector, chosen: NDArray[np.bool_], *, least: int = 2) -> None:
    """Add the weighted mean by group with its error from the scatter."""
    chosen = chosen & np.isfinite(amount) & (rows.weight > 0.0)
    if not chosen.any():
        return
    count = _sums(rows, np.ones_like(amount), chosen)
    weight = _sums(rows, rows.weight, chosen)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = _sums(rows, rows.weight * amount, chosen) / weight
        squares = _sums(rows, (rows.weight * (amount - mean[rows.group]))**2, chosen)
        error = np.sqrt(2.0 * squares * count / np.maximum(count - 1.0, 1.0)) / weight
    _put(table, name, np.where(count >= least, mean, np.nan), error, count)


def _difference(table: Table, name: str, first: str, second: str) -> None:
    """Replace two helper columns by their difference."""
    if first in table.values and second in table.values:
        value = table.values[first] - table.values[second]
        error = np.hypot(table.errors[first], table.errors[second])
        _put(table, name, value, error, np.minimum(table.samples[first], table.samples[second]))
    for helper in (first, second):
        for part in (table.values, table.errors, table.samples):
            part.pop(helper, None)


def _put(table: Table, name: str, value: Vector, error: Vector, count: Vector) -> None:
    table.values[name], table.errors[name], table.samples[name] = value, error, count


def ratio_table(rows: Rows) -> Table:
    """
    Summarise rows by group.

    Parameters
    ----------
    rows : Rows
        Intervals of one or many groups.

    Returns
    -------
    table : Table
        Electrical, hydraulic, speed, well and pressure features; features without data are absent.
    """
    table = Table({}, {}, {})
    _electrical(rows, table)
    _hydraulic(rows, table)
    _well_and_pressure(rows, table)
    return table


def _electrical(rows: Rows, table: Table) -> None:
    ok = rows.electrical_ok
    split = np.isfinite(rows.current_a) & np.isfinite(rows.voltage_v)
    # Where a load line sets the array's voltage it falls to a small part at the verge of starting; a ratio to that says
    # how far the verge is known and nothing of the array.
    with np.errstate(invalid="ignore"):
        upheld = rows.healthy_voltage_v > 0.4 * float(np.nanmax(rows.healthy_voltage_v, initial=0.0))
    firm, lit, due_current = np.ones_like(ok), ok & upheld, rows.healthy_current_a
    by_light = np.zeros_like(ok)
    if rows.load_line is not None:
        standing = stands(rows.voltage_v, rows.current_a, rows.healthy_voltage_v, rows.load_line)
        by_light = standing | (ok & rows.load_line.follows_light)
        firm, lit = rows.load_line.firm, by_light | (ok & rows.load_line.firm)
        due_current = np.where(standing, rows.load_line.standing_current_a, due_current)
    for bin_name, (low, high) in SUN_EDGES_W_M2.items():
        within = (rows.poa_w_m2 >= low) & (rows.poa_w_m2 < high)
        inside = ok & within
        _ratio(rows, table, f"current_{bin_name}_sun", rows.current_a, due_current, within & split & lit)
        with np.errstate(invalid="ignore", divide="ignore"):
            deficit = rows.voltage_v / rows.healthy_voltage_v - 1.0
        _mean(rows, table, f"voltage_{bin_name}_sun", deficit, inside & split & upheld & firm)
        _ratio(rows, table, f"power_{bin_name}_sun", rows.power_w, rows.healthy_power_w,
               inside & ~split & firm)
    # A hard shadow stops a pump whose voltage must be held: that half of the day gives no power and counts as such.
    given = ok if rows.array_down is None else ok | rows.array_down
    sunny = given & (rows.poa_w_m2 > 200.0)
    low_beam = np.ones_like(ok) if rows.low_beam is None else rows.low_beam
    # Coupled directly, the crossing lies on another part of the curve in the afternoon: the motor is warm and need not
    # break away, the well is drawn down. On the flat of the curve the current knows nothing of that.
    seen, due = rows.power_w, rows.healthy_power_w
    if rows.load_line is not None and (split & by_light).any():
        seen, due, sunny = rows.current_a, due_current, by_light & (rows.poa_w_m2 > 200.0)
    elif rows.load_line is not None:
        sunny = sunny & firm
    for part, chosen in (("am", rows.before_noon == 1.0), ("pm", rows.before_noon == 0.0)):
        _ratio(rows, table, part, seen, due, sunny & chosen & low_beam, least=2)
    _difference(table, "power_morning_less_afternoon", "am", "pm")
    strong = ok & firm & (rows.poa_w_m2 > 450.0) & np.isfinite(rows.air_temperature_c)
    if strong.sum() >= 12:
        hot = strong & (rows.air_temperature_c >= rows.hot_from_c)
        mild = strong & (rows.air_temperature_c <= rows.hot_from_c - 2.0)
        if hot.any() and mild.any():
            with np.errstate(invalid="ignore", divide="ignore"):
                deficit = rows.voltage_v / rows.healthy_voltage_v - 1.0
            _ratio(rows, table, "hot", rows.power_w, rows.healthy_power_w, hot, least=3)
            _ratio(rows, table, "mild", rows.power_w, rows.healthy_power_w, mild, least=3)
            _difference(table, "power_hot_less_cool", "hot", "mild")
            _mean(rows, table, "hot", deficit, hot, least=3)
            _mean(rows, table, "mild", deficit, mild, least=3)
            _difference(table, "voltage_hot_less_cool", "hot", "mild")


def _hydraulic(rows: Rows, table: Table) -> None:
    ok = rows.hydraulic_ok
    firm = np.ones_like(ok) if rows.load_line is None else rows.load_line.flow_firm
    by_power = np.isfinite(rows.flow_at_power_m3_s)
    at_power = rows.flow_at_power_m3_s / rows.rated_flow_m3_s
    at_sun = rows.healthy_flow_m3_s / rows.rated_flow_m3_s
    for bin_name, (low, high) in FLOW_EDGES.items():
        inside = ok & by_power & (at_power >= low) & (at_power < high)
        _ratio(rows, table, f"flow_{bin_name}_power", _unbent(rows, rows.flow_at_power_m3_s, rows.power_w, inside),
               rows.flow_at_power_m3_s, inside)
        inside = ok & firm & ~by_power & (at_sun >= low) & (at_sun < high)
        _ratio(rows, table, f"flow_{bin_name}_sun", _unbent(rows, rows.healthy_flow_m3_s, rows.poa_w_m2, inside),
               rows.healthy_flow_m3_s, inside)
    # With power logged this is the only place where the drive's own limit is judged by what it lets through.
    inside = ok & firm & by_power & (rows.poa_w_m2 > 650.0)
    _ratio(rows, table, "top_flow", _unbent(rows, rows.healthy_flow_m3_s, rows.poa_w_m2, inside),
           rows.healthy_flow_m3_s, inside)
    with np.errstate(invalid="ignore", divide="ignore"):
        faster = rows.speed_rpm / rows.speed_at_power_rpm - 1.0
    for bin_name, (low, high) in SPEED_EDGES.items():
        inside = ok & (rows.speed_at_power_rpm > 0.0) & (at_power >= max(low, LEAST_STEADY_FLOW)) & (at_power < high)
        _mean(rows, table, f"speed_{bin_name}_power", _even(rows, faster, rows.power_w, inside), inside)


def _unbent(rows: Rows, due: Vector, place: Vector, inside: NDArray[np.bool_]) -> Vector:
    """Return the flow less what it owes to its place in the bin, so that a dull day compares with a bright one."""
    if not rows.days:
        return rows.flow_m3_s
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = rows.flow_m3_s / due
    wet = inside & np.isfinite(ratio) & (ratio > 0.0)
    if not wet.any():
        return rows.flow_m3_s
    # A share of what comes, so that where no drop comes none is read.
    bend = own_bend(ratio / float(np.median(ratio[wet])), place, rows.group, rows.groups, rows.weight * due, inside)
    return np.asarray(rows.flow_m3_s / np.clip(1.0 + bend, 0.5, 2.0))


def _even(rows: Rows, amount: Vector, place: Vector, inside: NDArray[np.bool_]) -> Vector:
    """Return an amount less what it owes to its place in the bin."""
    return amount - own_bend(amount, place, rows.group, rows.groups, rows.weight, inside) if rows.days else amount


def _well_and_pressure(rows: Rows, table: Table) -> None:
    ok = rows.hydraulic_ok
    metered = rows.flow_m3_s / rows.rated_flow_m3_s
    drawn = (rows.level_m - rows.static_level_m - rows.drawdown_at_flow_m) / rows.head_scale_m
    _mean(rows, table, "drawdown", drawn, ok & (metered > 0.3), least=3)
    beyond = (rows.pressure_pa - rows.pressure_at_flow_pa) / (WATER_HEAD_PA_M * rows.head_scale_m)
    for bin_name, (low, high) in SPEED_EDGES.items():
        # Binned by what the power should give: a blocked line must not move its own readings into another bin.
        at_power = np.where(np.isfinite(rows.flow_at_power_m3_s), rows.flow_at_power_m3_s, rows.healthy_flow_m3_s)
        inside = (at_power / rows.rated_flow_m3_s >= low) & (at_power / rows.rated_flow_m3_s < high)
        place = np.where(np.isfinite(rows.power_w), rows.power_w, rows.poa_w_m2)
        _mean(rows, table, f"pressure_{bin_name}_flow", _even(rows, beyond, place, ok & inside), ok & inside)
