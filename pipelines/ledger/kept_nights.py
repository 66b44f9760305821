"""
What a site's next night goes on from: the standing of its last weighing and the digest of the rows it was made from.

A cache and nothing else: where it is missing, damaged, or made by other software or from other inputs, the site is
brought up from nothing, which gives the same.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

import duckdb
import numpy as np
import pandas as pd

from pipelines.ledger.schema import MASK_COLUMNS

if TYPE_CHECKING:
    from diagnostics.nights import Night


@dataclass(frozen=True, slots=True)
class KeptNight:
    """
    A night as text, with the digests it holds for.

    `told` is of all that was written down about the site up to the weighing; `rows_weighed` and `rows_seen` of the
    stored rows up to the weighing and up to the night.
    """

    site_id: str
    software: str
    told: str
    rows_weighed: str
    rows_seen: str
    record: str

    def night(self) -> "Night | None":
        """Return the night, or None where its text is damaged."""
        try:
            return _night(self.site_id, json.loads(self.record))
        except (ValueError, KeyError, TypeError, IndexError):
            return None


@dataclass(frozen=True, slots=True)
class StoredRows:
    """
    First stamp of a site's rows, whether any stamp comes more than once, and digests up to the moments asked for.

    `rules` is all beside the rows that decides what is read of them: loggers, channels, corrections.
    """

    first_utc: datetime | None
    overlap: bool
    digests: tuple[str, ...]
    rules: str


def keep_night(sql: duckdb.DuckDBPyConnection, kept: KeptNight) -> None:
    """Keep the night of one site in the place of an earlier one; the caller holds the transaction."""
    sql.execute("INSERT OR REPLACE INTO kept_nights VALUES (?, ?, ?, ?, ?, ?)",
                [kept.site_id, kept.software, kept.told, kept.rows_weighed, kept.rows_seen, kept.record])


def kept_night(sql: duckdb.DuckDBPyConnection, site_id: str, software: str) -> KeptNight | None:
    """Return what was kept of one site by the same software, or None."""
    found = sql.execute("SELECT * FROM kept_nights WHERE site_id = ? AND software = ?", [site_id, software]).fetchone()
    return None if found is None else KeptNight(*found)


def rows_until(sql: duckdb.DuckDBPyConnection, sources: Sequence[int], channels: Sequence[str],
               ends: Sequence[datetime], rules: str = "") -> StoredRows:
    """
    Look at the stored rows of some loggers up to each of some moments; the order in which they arrived says nothing.

    Parameters
    ----------
    sql : DuckDBPyConnection
    sources : sequence of int
        Numbers of the loggers.
    channels : sequence of str
        Channels with a column.
    ends : sequence of datetime
        With a time zone.
    rules : str, optional
        Passed on.

    Returns
    -------
    rows : StoredRows
        A digest is the number of rows and the sum of their hashes.
    """
    columns = "".join(f', "{name}"' for name in [*channels, *MASK_COLUMNS])
    wanted = "".join(", count(*) FILTER (t <= ?), sum(h) FILTER (t <= ?)" for _ in ends)
    naive = [moment for end in ends for moment in [end.astimezone(UTC).replace(tzinfo=None)] * 2]
    numbers = ", ".join(map(str, sources)) or "-1"
    first, overlaps, *found = sql.execute(
        f"SELECT min(t), count(*) - count(DISTINCT (s, t)){wanted} FROM (SELECT source_no s, interval_end_utc t, "
        f"hash(source_no, interval_end_utc, interval_s{columns}) h FROM core_rows WHERE source_no IN ({numbers}))",
        naive).fetchone() or (None, 0)
    digests = tuple(f"{rows} {total}" for rows, total in zip(found[::2], found[1::2], strict=True))
    return StoredRows(None if first is None else first.replace(tzinfo=UTC), overlaps > 0, digests, rules)


def record_of(night: "Night") -> str:
    """Return a night as text; numbers keep every bit."""
    learned, shares = night.learned, night.shares
    return json.dumps({
        "weighed_on": night.weighed_on.isoformat(), "day": night.day.isoformat(), "every_night": night.every_night,
        "days": _columns(night.days), "books": _columns(night.books),
        "findings": [finding.model_dump(mode="json") for finding in night.findings],
        "sound_ratio": night.sound_ratio, "dry_counts": night.dry_counts,
        "learned": [learned.mean.tolist(), learned.covariance.tolist(), learned.scatter, learned.days],
        "shares": [[[code, share.tolist()] for code, share in part] for part in (shares.of_stops, shares.of_rest)],
        "spread": shares.spread, "level": night.level.tolist(), "scatter": night.scatter.tolist(),
        "bounds": night.bounds.tolist(), "off": night.off.tolist()})


def _night(site_id: str, told: dict[str, Any]) -> "Night":
    from diagnostics.chain.learned import Learned
    from diagnostics.inference.lost_water import CauseShares
    from diagnostics.nights import Night
    from diagnostics.results import Finding

    mean, covariance, scatter, days = told["learned"]
    of_stops, of_rest = ([(str(code), np.array(share, dtype=float)) for code, share in part] for part in told["shares"])
    return Night(
        site_id, date.fromisoformat(told["weighed_on"]), date.fromisoformat(told["day"]), str(told["every_night"]),
        _table(told["days"]), _table(told["books"]), [Finding.model_validate(one) for one in told["findings"]],
        float(told["sound_ratio"]),
        Learned(np.array(mean, dtype=float), np.array(covariance, dtype=float), float(scatter), int(days)),
        bool(told["dry_counts"]), CauseShares(of_stops, of_rest, dict(told["spread"])), *(
            np.array(told[name], dtype=float) for name in ("level", "scatter", "bounds", "off")))


def _columns(table: pd.DataFrame) -> dict[str, Any]:
    return {"index": [str(one) for one in table.index], "columns": {name: table[name].tolist() for name in table}}


def _table(told: dict[str, Any]) -> pd.DataFrame:
    index = pd.Index([date.fromisoformat(one) for one in told["index"]], dtype=object, name="day")
    return pd.DataFrame(told["columns"], index=index)
