"""Meters that show what no water path can make: another unit, another pulse, a total read as a rate."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.channel_scale import LEAST_DAYS, Misread, day_numbers, rows_of_days, unit_factor
from diagnostics.clock_mend import as_numbers
from diagnostics.quality.clock import constant_spans
from diagnostics.quality.suspicions import WRONG_UNITS
from diagnostics.readings import SiteReadings
from diagnostics.site import Site

Vector = NDArray[np.float64]

FLOW_HIGH, FLOW_LOW = 1.6, 0.45     # metered over due: what wrong sheets and instruments explain stays within
FLOW_TOO_HIGH = 3.0                 # more than this over due is no pump, whatever its sheet
NEAR = 0.12                         # distance to a known factor that counts as that factor
EVEN_WITHIN = 0.15                  # a factor is the same at every power; no loss of water is
# Reading over truth where a unit was mistaken, beside those of `WRONG_UNITS`.
_MORE_FLOW = (("l/min read as m3/s", "m3_s", "l_min"), ("l/s read as m3/s", "m3_s", "l_s"),
              ("m3/h read as m3/s", "m3_s", "m3_h"), ("gal/min read as m3/s", "m3_s", "gpm_us"),
              ("l/h read as l/min", "l_min", "l_h"), ("m3/day read as m3/h", "m3_h", "m3_day"))
_PULSES = (("a pulse worth ten times less than written", 10.0), ("a pulse worth ten times more than written", 0.1),
           ("a pulse worth a hundred times less than written", 100.0),
           ("a pulse worth a hundred times more than written", 0.01))


def misread_flow(site: Site, readings: SiteReadings, due_m3_s: Vector) -> list[Misread]:
    """
    Name spans over which the meter shows what no water path can make, or is no rate at all.

    Parameters
    ----------
    site : Site
        For its local days.
    readings : SiteReadings
        At their true times.
    due_m3_s : ndarray, shape (n,)
        Healthy flow at the measured power, else at the measured sun. [m3/s]

    Returns
    -------
    misread : list of Misread
        A factor below one is told only where it is the same at every power and one between units: a loss of water
        never is.
    """
    flow, day = as_numbers(readings, "flow_m3_s"), day_numbers(readings, site)
    if not np.isfinite(flow).any():
        return []
    total = _no_rate(readings, flow, due_m3_s)
    if total is not None:
        return [total]
    most = float(np.nanmax(due_m3_s)) if np.isfinite(due_m3_s).any() else 0.0
    use = np.isfinite(due_m3_s) & (due_m3_s > 0.2 * most) & (flow > 0.0) & (most > 0.0)
    frame = pd.DataFrame({"day": day[use], "log": np.log(flow[use] / due_m3_s[use]), "due": due_m3_s[use]})
    grouped = frame.groupby("day")
    level = grouped["log"].median()[grouped.size() >= 4]
    if len(level) < LEAST_DAYS:
        return []
    found = []
    for first, last in constant_spans(level, jump_min=float(np.log(1.5)), least_days=LEAST_DAYS):
        part = level.iloc[first:last]
        ratio = float(np.exp(part.median()))
        if FLOW_LOW <= ratio <= FLOW_HIGH:
            continue
        inside = frame[(frame["day"] >= part.index[0]) & (frame["day"] <= part.index[-1])]
        even = _even(inside, most)
        near = _near_factors(ratio)
        too_high = ratio >= FLOW_TOO_HIGH
        if not too_high and not (near and even):
            continue
        begin, end = rows_of_days(day, int(part.index[0]), int(part.index[-1]), whole=(first == 0, last == len(level)))
        found.append(_flow_found(ratio, near if even or too_high else [], begin, end, len(day), len(inside)))
    return found


def _flow_found(ratio: float, near: list[tuple[str, float]], begin: int, end: int, count: int,
                samples: int) -> Misread:
    rows = np.zeros(count, dtype=bool)
    rows[begin:end] = True
    seen = f"The meter shows {ratio:.3g} times the water that is due at the same power"
    if near:
        words = ", or ".join(f"{says} ({factor:.4g})" for says, factor in near[:4])
        text = f"{seen}, at every power alike: that would be {words}. It is not read on."
        sure = 0.9 if abs(np.log(ratio / near[0][1])) < 0.08 else 0.75
        return Misread("unit_mistake", "flow_m3_s", rows, text, ratio, 1.0, "1", near[0][1], sure,
                       ("unit_mistake", "meter_over_reading" if ratio > 1.0 else "meter_under_reading"), begin, end - 1,
                       samples, "Write the unit of the file in the logger's profile, or the right volume of a pulse "
                       "in the site file.", alternatives=tuple(says for says, _ in near))
    text = f"{seen}: no pump does that. It is not read on."
    return Misread("unit_mistake", "flow_m3_s", rows, text, ratio, 1.0, "1", round(ratio, 3), 0.6,
                   ("unit_mistake", "meter_over_reading"), begin, end - 1, samples,
                   "Compare the unit in the logger's profile and the volume of a pulse with the meter's face.")


def _no_rate(readings: SiteReadings, flow: Vector, due: Vector) -> Misread | None:
    """Recognise a total that was read as a rate, a rate that was read as a total, and a meter that shows one value."""
    everything = np.ones(len(flow), dtype=bool)
    known = flow[np.isfinite(flow)]
    steps = np.diff(known)
    moves = np.abs(steps) > 0.0
    count = int(moves.sum())

    def found(cause: str, text: str, value: float, group: tuple[str, ...], mend: str) -> Misread:
        return Misread(cause, "flow_m3_s", everything, text + " It is not read on.", value, 0.0, "1", value, 0.9,
                       group, 0, len(flow) - 1, len(known), mend)

    if count >= 50 and known.size >= 100 and float((steps < 0.0).sum()) <= 0.01 * count and float(known.min()) > 0.0:
        return found("unit_mistake", f"The column read as flow only ever rises ({count} steps, "
                     f"{int((steps < 0.0).sum())} down): it is the total of the meter, not its rate.", 1.0,
                     ("unit_mistake", "swapped_channels"),
                     "Map the column to meter_total_m3 with meter = \"totaliser\" in the logger's profile.")
    total = as_numbers(readings, "meter_total_m3")
    if np.isfinite(total).any():
        changes = np.diff(total[np.isfinite(total)])
        changes = changes[changes != 0.0]
        share = float((changes < 0.0).mean()) if changes.size >= 50 else 0.0
        if share > 0.15:
            return found("unit_mistake", f"The column read as the meter's total falls in {share:.0%} of its steps: it "
                         "is a rate, not a total.", share, ("unit_mistake", "totaliser_reset", "swapped_channels"),
                         "Map the column to flow_m3_s with its unit in the logger's profile.")
    if known.size >= 200 and float(known.max()) > 0.0 and float((known == np.median(known)).mean()) > 0.97 and float(
            np.median(known)) > 0.0 and np.isfinite(due).any():
        return found("meter_stopped", "The meter shows one and the same flow day and night.", 1.0,
                     ("meter_stopped", "meter_over_reading", "swapped_channels"),
                     "Check the meter's cable and that the profile reads the right column.")
    return None


def _near_factors(ratio: float) -> list[tuple[str, float]]:
    pairs = [(says, unit_factor(read_as, meant)) for says, read_as, meant in (*WRONG_UNITS["flow_m3_s"], *_MORE_FLOW)]
    near = [(says, factor) for says, factor in (*pairs, *_PULSES) if abs(np.log(ratio / factor)) < np.log1p(NEAR)]
    return sorted(near, key=lambda item: abs(np.log(ratio / item[1])))


def _even(frame: pd.DataFrame, most: float) -> bool:
    """Say whether the ratio is the same at low and at high flow."""
    bins = np.digitize(frame["due"].to_numpy() / most, [0.45, 0.7])
    medians = frame["log"].groupby(bins).median()[frame["log"].groupby(bins).size() >= 12]
    return len(medians) >= 2 and float(medians.max() - medians.min()) < EVEN_WITHIN
