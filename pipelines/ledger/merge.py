"""From rows as files gave them to one table a site: overlaps resolved, totals differenced, loggers on one grid."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from diagnostics.quantities import CHANNELS
from diagnostics.readings import Mask, SiteReadings

# Two files may print one value with different digits; more than this apart, they disagree.
CONFLICT_TOLERANCE = 1e-3
# A slow channel of another logger is held over its own interval up to this length, not longer.
LONGEST_HOLD_S = 3600.0
# A channel of which less than this share of the grid interval is known is not known.
LEAST_COVERAGE = 0.5
MAIN_CHANNELS = ("flow_m3_s", "meter_total_m3", "array_power_w", "array_current_a", "array_voltage_v",
                 "poa_irradiance_w_m2", "global_horizontal_irradiance_w_m2")
CONFLICT_COLUMNS = ["interval_end_utc", "channel", "value", "stands", "sha256", "line"]


@dataclass(frozen=True)
class LoggerTable:
    """Rows of one logger: one row an interval, rising in time."""

    values: pd.DataFrame
    masks: pd.DataFrame
    interval_s: pd.Series

    @property
    def nominal_s(self) -> float:
        """Return the usual interval."""
        return float(self.interval_s.median()) if len(self.interval_s) else 0.0


def no_conflicts() -> pd.DataFrame:
    """Return the table of conflicts of rows that nothing contradicts."""
    return pd.DataFrame(columns=CONFLICT_COLUMNS)


def resolve_overlaps(rows: pd.DataFrame, files: pd.DataFrame) -> tuple[LoggerTable, pd.DataFrame]:
    """
    Let one value stand for each interval and channel; return the table and the conflicts.

    The rule: of several files that hold an interval, the one that reaches latest stands, being the fullest download;
    of files that reach equally far the one with the greater digest; within a file the later line. A channel that the
    standing row leaves empty is taken from the next. Where two sound values differ, the standing one is masked
    CONFLICT and all of them are kept in `conflicts`.

    `rows` has the columns interval_end_utc, interval_s, file_no, line, channels and their masks; `files` has last_utc
    and sha256 by file_no.
    """
    channels = [column for column in rows.columns if column in CHANNELS]
    mask_names = [f"{channel}__mask" for channel in channels]
    stamps = rows["interval_end_utc"]
    rising = stamps.is_monotonic_increasing and stamps.is_unique
    conflicts = no_conflicts()
    if not rising:
        rows = rows.join(files, on="file_no").sort_values(["interval_end_utc", "last_utc", "sha256", "line"],
                                ascending=[True, False, False, False], kind="stable")
        repeated = rows["interval_end_utc"].duplicated(keep=False)
        if repeated.any():
            once = rows[~repeated]
            many, conflicts = _stand(rows[repeated], channels, mask_names)
            rows = pd.concat([once, many]).sort_values("interval_end_utc", kind="stable")
    index = pd.DatetimeIndex(rows["interval_end_utc"], name="interval_end_utc")
    index = index.tz_localize("UTC") if index.tz is None else index
    values = rows[channels].astype("float64").set_axis(index)
    masks = rows[mask_names].set_axis(channels, axis=1).fillna(0).astype("uint16").set_axis(index)
    return LoggerTable(values, masks, rows["interval_s"].astype("float64").set_axis(index)), conflicts


def _stand(rows: pd.DataFrame, channels: list[str], mask_names: list[str]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Resolve rows that share their stamp; `rows` is sorted with the standing row first."""
    by_stamp = rows.groupby("interval_end_utc", sort=False)
    stands = by_stamp.head(1).set_index("interval_end_utc")
    found = []
    for channel, mask_name in zip(channels, mask_names, strict=True):
        sound = rows[channel].where(rows[mask_name].fillna(0) == 0)
        known = sound.notna()
        best = rows.loc[known, ["interval_end_utc", channel]].drop_duplicates("interval_end_utc")
        best = best.set_index("interval_end_utc")[channel]
        # where no file has a sound value, the first row's value and mask stand as they are
        taken = best.reindex(stands.index)
        stands[mask_name] = stands[mask_name].fillna(0).where(taken.isna(), 0)
        stands[channel] = taken.fillna(stands[channel])
        if not known.any():
            continue
        against = rows.loc[known, "interval_end_utc"].map(best)
        scale = np.maximum(np.abs(against), np.nanmax(np.abs(best)) * 1e-3)
        differs = (sound[known] - against).abs() > CONFLICT_TOLERANCE * scale + 1e-12
        if differs.any():
            stamps = rows.loc[known, "interval_end_utc"][differs]
            stands.loc[stamps.unique(), mask_name] = int(Mask.CONFLICT)
            part = rows.loc[stamps.index, ["interval_end_utc", "sha256", "line"]].copy()
            part["channel"], part["value"], part["stands"] = channel, sound[stamps.index], against[differs]
            found.append(part)
    conflicts = pd.concat(found)[CONFLICT_COLUMNS] if found else no_conflicts()
    return stands.reset_index(), conflicts.reset_index(drop=True)


def add_flow_from_total(table: LoggerTable, modulus_m3: float | None) -> LoggerTable:
    """
    Add flow_m3_s from the steps of meter_total_m3 where no flow was logged.

    A step back is a roll-over where the meter's modulus is known and explains it with a plausible flow; any other step
    back, or a step that no channel of this size could make, is a reset: flow unknown, both channels masked there.
    Over a gap in the rows the flow of the row after it is not known, its total is.
    """
    has_flow = "flow_m3_s" in table.values and bool(table.values["flow_m3_s"].notna().any())
    if has_flow or "meter_total_m3" not in table.values:
        return table
    total = table.values["meter_total_m3"].where(table.masks["meter_total_m3"] == 0)
    known = total.dropna()
    step = known.diff()
    elapsed_s = known.index.to_series().diff().dt.total_seconds()
    highest = CHANNELS["flow_m3_s"].high
    rolled = pd.Series(False, index=known.index)
    if modulus_m3:
        rolled = (step < 0) & ((step + modulus_m3) / elapsed_s <= highest) & (known.shift() > 0.9 * modulus_m3)
        step = step.where(~rolled, step + modulus_m3)
    flow = step / elapsed_s
    tolerance = np.maximum(known.abs() * 1e-9, 1e-6)
    reset = ((step < -tolerance) | (flow > highest)) & step.notna()
    flow = flow.clip(lower=0.0).where(~reset)
    follows = elapsed_s <= 1.5 * table.interval_s.reindex(known.index).clip(lower=1.0)
    values, masks = table.values.copy(), table.masks.copy()
    values["flow_m3_s"] = flow.where(follows).reindex(values.index)
    flow_mask = pd.Series(0, index=masks.index, dtype="uint16")
    flow_mask[reset[reset].index] = int(Mask.TOTAL_RESET)
    masks["flow_m3_s"] = flow_mask
    masks.loc[reset[reset].index, "meter_total_m3"] |= int(Mask.TOTAL_RESET)
    return LoggerTable(values, masks.astype("uint16"), table.interval_s)


def one_grid(site_id: str, tables: list[LoggerTable]) -> SiteReadings:
    """
    Bring several loggers of a site onto the grid of the one that carries flow (or, without flow, power or sun).

    Finer channels are averaged over the grid interval (summed, last, greatest as the dictionary of channels says),
    coarser ones held over their own interval up to an hour. Sound values only; an interval of which less than half is
    known is not known, and carries the mask of what was there.
    """
    tables = [table for table in tables if len(table.values)]
    if not tables:
        empty = pd.DatetimeIndex([], tz="UTC", name="interval_end_utc")
        return SiteReadings(site_id, pd.DataFrame(index=empty), pd.DataFrame(index=empty),
                            pd.Series(dtype="float64", index=empty, name="interval_s"))
    main = min(tables, key=_importance)
    values, masks, interval_s = main.values, main.masks, main.interval_s
    for other in tables:
        if other is main:
            continue
        wanted = [channel for channel in other.values if channel not in values or not values[channel].notna().any()]
        brought, brought_masks = _onto(other, wanted, values.index, interval_s)
        values = values.drop(columns=[channel for channel in wanted if channel in values]).join(brought)
        masks = masks.drop(columns=[channel for channel in wanted if channel in masks]).join(brought_masks)
    order = [channel for channel in CHANNELS if channel in values]
    return SiteReadings(site_id, values[order], masks[order].astype("uint16"), interval_s.rename("interval_s"))


def _importance(table: LoggerTable) -> tuple[int, int]:
    present = [place for place, channel in enumerate(MAIN_CHANNELS)
               if channel in table.values and table.values[channel].notna().any()]
    return (present[0] if present else len(MAIN_CHANNELS), -len(table.values))


def _onto(other: LoggerTable, wanted: list[str], grid: pd.DatetimeIndex,
          interval_s: pd.Series) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the wanted channels of another logger on the grid, values and masks."""
    values = pd.DataFrame(np.nan, index=grid, columns=wanted)
    masks = pd.DataFrame(0, index=grid, columns=wanted, dtype="uint16")
    if not len(grid) or not wanted:
        return values, masks
    stamps = other.values.index
    place = grid.searchsorted(stamps, side="left")
    inside = place < len(grid)
    grid_start = grid - pd.to_timedelta(interval_s.to_numpy(), unit="s")
    inside[inside] &= np.asarray(stamps[inside] > grid_start[place[inside]])
    if other.nominal_s <= 0.75 * float(interval_s.median()):
        weight = other.interval_s.to_numpy()
        frame = other.values[wanted].where(other.masks[wanted] == 0)
        for channel in wanted:
            column = frame[channel].to_numpy()
            use = inside & np.isfinite(column)
            summed = _summarised(column[use], weight[use], place[use], len(grid), CHANNELS[channel].interval_value)
            covered = np.bincount(place[use], weights=weight[use], minlength=len(grid))
            enough = covered >= LEAST_COVERAGE * interval_s.to_numpy()
            values[channel] = np.where(enough, summed, np.nan)
            bits = np.zeros(len(grid), dtype=np.uint16)
            np.bitwise_or.at(bits, place[inside], other.masks[channel].to_numpy()[inside])
            masks[channel] = np.where(enough, 0, bits).astype("uint16")
        return values, masks
    # As fine as the grid or coarser: the value of the interval that covers the grid's middle.
    middle = grid - pd.to_timedelta(interval_s.to_numpy() / 2.0, unit="s")
    at = stamps.searchsorted(middle, side="left")
    found = at < len(stamps)
    at = np.minimum(at, len(stamps) - 1)
    held = np.minimum(np.maximum(other.interval_s.to_numpy()[at], interval_s.to_numpy()), LONGEST_HOLD_S)
    # A daily value belongs to its own day on a daily grid, however long an hour is.
    reach = np.maximum(held, 0.5 * interval_s.to_numpy())
    ahead = (stamps[at] - middle).total_seconds().to_numpy()
    found &= ahead <= reach
    for channel in wanted:
        values[channel] = np.where(found, other.values[channel].to_numpy()[at], np.nan)
        masks[channel] = np.where(found, other.masks[channel].to_numpy()[at], 0).astype("uint16")
    return values, masks


def _summarised(column: np.ndarray, weight: np.ndarray, place: np.ndarray, count: int, how: str) -> np.ndarray:
    if how == "sum":
        return np.bincount(place, weights=column, minlength=count)
    if how in ("last", "max"):
        out = np.full(count, -np.inf)
        if how == "last":
            out[place] = column
        else:
            np.maximum.at(out, place, column)
        return np.where(np.isfinite(out), out, np.nan)
    weights = np.where(weight > 0, weight, 1.0)
    total = np.bincount(place, weights=weights, minlength=count)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.bincount(place, weights=column * weights, minlength=count) / total
