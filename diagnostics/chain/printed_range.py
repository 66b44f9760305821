"""Where a site works its pump beyond what the sheet prints: nothing is run on in silence."""

import numpy as np
from numpy.typing import NDArray

from diagnostics.chain.power_table_end import PowerTableEnd
from diagnostics.chain.pump_end import CentrifugalEnd, PumpEnd
from diagnostics.chain.table import LevelTable

Floats = NDArray[np.float64]

# Within this share of the last printed value nothing is worth saying.
_MARGIN = 0.03
_POINTS = 60


def beyond_the_sheet(end: PumpEnd, table: LevelTable, static_level_m: float) -> tuple[str, ...]:
    """
    Say where the operating points of a site lie outside the printed points of its pump.

    Parameters
    ----------
    end : PumpEnd
        As described.
    table : LevelTable
        Of the healthy site, the well's whole drawdown included.
    static_level_m : float
        Of the sheet. [m]

    Returns
    -------
    notes : tuple of str
        One sentence for each way in which the sheet is left; none where it is not.
    """
    level = np.full(_POINTS, static_level_m)
    ends = table.locate(0.0, level)
    power = ends.start + (ends.end - ends.start) * np.linspace(0.0, 1.0, _POINTS)
    place = table.locate(power, level)
    flow, head, speed = place.read("flow_m3_s"), place.read("head_m"), place.read("speed_rpm")
    works = flow > 0.3 * np.nanmax(flow) if np.nanmax(flow) > 0.0 else np.zeros(_POINTS, dtype=np.bool_)
    if not works.any():
        return ()
    if isinstance(end, CentrifugalEnd):
        return _on_a_curve(end, (flow * end.rated_speed_rpm / np.maximum(speed, 1.0))[works])
    lowest, highest = ((end.lowest_printed_head_m, end.highest_printed_head_m) if isinstance(end, PowerTableEnd)
                       else (0.0, float(end.heads_m[-1])))
    notes = []
    if head[works].max() > (1.0 + _MARGIN) * highest:
        notes.append(f"The pump works against up to {head[works].max():.0f} m, beyond the {highest:.0f} m its sheet "
                     "tells of: slip and power are run on along straight lines there.")
    if head[works].min() < (1.0 - _MARGIN) * lowest:
        notes.append(f"The pump works against as little as {head[works].min():.0f} m, below the {lowest:.0f} m its "
                     "sheet begins with: power is run on along straight lines there.")
    if isinstance(end, PowerTableEnd) and power[-1] > (1.0 + _MARGIN) * end.highest_printed_power_w:
        notes.append(f"The drive may take up to {power[-1]:.0f} W, more than the {end.highest_printed_power_w:.0f} W "
                     "the table ends with: flow is run on along a straight line there.")
    return tuple(notes)


def _on_a_curve(end: CentrifugalEnd, at_rated_speed: Floats) -> tuple[str, ...]:
    notes = []
    most, least = float(at_rated_speed.max()), float(at_rated_speed.min())
    if most > (1.0 + _MARGIN) * end.last_printed_flow_m3_s:
        notes.append(f"The pump works at up to {most * 6e4:.0f} L/min of its curve, beyond the last printed point "
                     f"({end.last_printed_flow_m3_s * 6e4:.0f} L/min): head and power are run on along straight lines "
                     "there.")
    if least < (1.0 - _MARGIN) * end.first_printed_flow_m3_s:
        notes.append(f"The pump works at as little as {least * 6e4:.0f} L/min of its curve, before the first printed "
                     f"point ({end.first_printed_flow_m3_s * 6e4:.0f} L/min): the head is run on to shut-off there.")
    return tuple(notes)
