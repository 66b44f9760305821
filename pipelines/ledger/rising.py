"""The common case of reading back: one logger's rows rise in time, nothing overlaps, nothing has to be resolved."""

from collections.abc import Sequence
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from pipelines.ledger.merge import LoggerTable


def rising_rows(sql: duckdb.DuckDBPyConnection, source: str, values: Sequence[Any], channels: Sequence[str],
                bits: dict[str, str]) -> LoggerTable | None:
    """
    Return the rows of one logger as they are if each stamp is later than the one before, else None.

    `source` is the FROM clause; `bits` gives the expression of the mask for each channel that has any. Rows are stored
    file by file in the order of their lines, so rows that rise need no sorting; where files arrived out of order or
    overlap, the caller sorts and resolves.
    """
    columns = "".join(f', r."{channel}"' for channel in channels)
    masks = "".join(f', {bits[channel]} "{channel}__mask"' for channel in channels if channel in bits)
    found = sql.execute(f"SELECT interval_end_utc, interval_s{columns}{masks} {source}", list(values)).fetchnumpy()
    stamps = np.asarray(found["interval_end_utc"])
    rises = np.diff(stamps.view("int64")) > 0
    if not rises.all():
        order = np.argsort(stamps, kind="stable")
        if not (np.diff(stamps[order].view("int64")) > 0).all():
            return None
        found = {name: column[order] for name, column in found.items()}
        stamps = stamps[order]
    index = pd.DatetimeIndex(stamps, name="interval_end_utc").tz_localize("UTC")
    block = np.empty((len(channels), len(stamps)))
    masked = np.zeros((len(channels), len(stamps)), dtype=np.uint16)
    for place, channel in enumerate(channels):
        block[place] = _known(found[channel])
        if channel in bits:
            masked[place] = np.ma.getdata(found[f"{channel}__mask"])
    return LoggerTable(pd.DataFrame(block.T, index=index, columns=list(channels), copy=False),
                       pd.DataFrame(masked.T, index=index, columns=list(channels), copy=False),
                       pd.Series(_known(found["interval_s"]), index=index, name="interval_s"))


def _known(column: Any) -> np.ndarray:
    """Return a column as float64, NaN where the store holds nothing."""
    values = np.ma.getdata(column).astype(np.float64, copy=False)
    missing = np.ma.getmaskarray(column)
    return np.where(missing, np.nan, values) if missing.any() else values
