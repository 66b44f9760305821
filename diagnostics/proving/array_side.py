"""What the arrays of many plants can give: power of a block of days, currents at a voltage, unloaded voltage."""

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnostics.proving.cells import (
    Bank,
    Group,
    StringModel,
    current_at,
    maximum_power,
    open_circuit,
    two_group_power,
)
from diagnostics.proving.planting import CONDITIONS
from diagnostics.proving.truth import TruePlant

if TYPE_CHECKING:
    from diagnostics.proving.loop import Batch

Floats = NDArray[np.float64]


def bank_of(plants: list[TruePlant]) -> Bank:
    """Gather the strings of all plants; a plant without array gets one that gives nothing."""
    nothing = StringModel(1e-9, 1e-12, 1.0, 0.0, 1e6, 0.0, 1, 0.0)
    return Bank.of([p.string or nothing for p in plants])


def source_power(batch: "Batch", sky: dict[str, Floats], hour_index: NDArray[np.int64]) -> dict[str, Floats]:
    """Array parameters of the whole block, shape (steps, plants)."""
    conditions = batch._conditions(hour_index)
    rows = hour_index - hour_index[0]

    def of(name: str) -> Floats | float:
        return conditions[name][rows] if name in conditions else CONDITIONS[name]

    light = sky["light"][:, batch.source] * of("light") * of("degraded_current") / 1000.0
    beam = sky["beam_share"][:, batch.source]
    cell = sky["cell_c"][:, batch.source]
    strings = np.maximum(batch.bank.strings - of("open_strings"), 0.0)
    live, share = of("weak_live"), of("weak_share")
    shade = conditions.get("shade")
    weak = np.zeros(batch.n, dtype=bool)
    live = np.broadcast_to(live, light.shape).copy()
    share = np.broadcast_to(share, light.shape).copy()
    if shade is not None:
        depth = shade[rows]
        inside = in_sector(batch, sky)
        live = np.where((depth > 0) & inside & (beam > 0.35), 1.0 - depth, live)
        share = np.where((depth > 0) & inside & (beam > 0.35), np.maximum(1.0 / batch.bank.strings, 0.5), share)
    weak = np.any((live < 1.0) & (share > 0), axis=0)
    whole = share >= 0.999
    light = np.maximum(light, 0.0)
    group = batch.bank.at(light, cell, strings=strings, live=np.where(whole, live, 1.0), extra_ohm=of("extra_ohm"))
    best, best_v = maximum_power(group)
    for i in np.flatnonzero(weak):
        mixed = (live[:, i] < 1.0) & (share[:, i] > 0) & ~whole[:, i] & (light[:, i] > 0.005)
        if not mixed.any():
            continue
        parts = [np.asarray(g[mixed, i] if np.ndim(g) == 2 else np.broadcast_to(g, light.shape)[mixed, i])
                 for g in group]
        s, lv = share[mixed, i], live[mixed, i]
        sound = (parts[0] * (1 - s), parts[1] * (1 - s), parts[2], parts[3] / (1 - s), parts[4] / (1 - s))
        poor = (parts[0] * s, parts[1] * s, parts[2] * lv, parts[3] * lv / s, parts[4] * lv / s)
        best[mixed, i], best_v[mixed, i] = two_group_power(sound, poor)
    full = [np.broadcast_to(g, light.shape) for g in group]
    opened = open_circuit(group)
    dead = strings < 0.5
    best = np.where(dead, 0.0, best)
    return {"best": best, "best_v": best_v, "open_v": np.where(dead, 0.0, opened), "photo": full[0],
            "saturation": full[1], "slope": full[2], "series": full[3], "shunt": full[4], "weak_live": live,
            "weak_share": share, "light": light}


def in_sector(batch: "Batch", sky: dict[str, Floats]) -> NDArray[np.bool_]:
    """Sun inside the shading sector of each plant."""
    inside = np.zeros((sky["light"].shape[0], batch.n), dtype=bool)
    for i, column in enumerate(batch.columns):
        sector = column.courses.get("_sector")
        if sector is None:
            low, high, below = 225.0, 300.0, 45.0
        else:
            low, high, below = (float(v) for v in sector[:3])
        azimuth, elevation = sky["azimuth_deg"][:, column.source], sky["elevation_deg"][:, column.source]
        inside[:, i] = (azimuth > low) & (azimuth < high) & (elevation < below)
    return inside


def array_current(batch: "Batch", volts: Floats, power: dict[str, Floats], row: int) -> Floats:
    """Current of the arrays at a voltage, for plants whose array does not track. [A]"""
    group = (power["photo"][row], power["saturation"][row], power["slope"][row], power["series"][row],
             power["shunt"][row])
    held = np.flatnonzero(batch.p.held)
    current = np.zeros_like(volts)
    sub: Group = (group[0][held], group[1][held], group[2][held], group[3][held], group[4][held])
    v = volts[:, held] if volts.ndim == 2 else volts[held]
    share, live = power["weak_share"][row, held], power["weak_live"][row, held]
    mixed = (share > 0) & (live < 1.0) & (share < 0.999)
    total = current_at(v, sub, rounds=4)
    if np.any(mixed):
        weak = (sub[0], sub[1], sub[2] * live, sub[3] * live, sub[4] * live)
        total = np.where(mixed, (1 - share) * total + share * current_at(v, weak, rounds=4), total)
    if volts.ndim == 2:
        current[:, held] = total
    else:
        current[held] = total
    return current


def right_branch(batch: "Batch", watts: Floats, best_v: Floats, open_v: Floats, power: dict[str, Floats],
                 row: int) -> Floats:
    """Voltage above the maximum power point at which the array gives just so much."""
    photo, saturation = power["photo"][row], power["saturation"][row]
    slope, series, shunt = power["slope"][row], power["series"][row], power["shunt"][row]
    volts = np.maximum(0.5 * (best_v + open_v), 0.1)
    for _ in range(5):
        current = np.minimum(watts / np.maximum(volts, 0.1), 0.995 * photo)
        inner = np.maximum((photo - current - volts / shunt) / saturation, 1.0)
        volts = np.clip(0.3 * volts + 0.7 * (slope * np.log(inner) - current * series), best_v,
                        np.maximum(open_v, best_v))
    return np.where(open_v > 0.5, np.minimum(volts, open_v), 0.0)
