"""Results of one site in typed tables, and back: what is written is what is read."""

import json
from collections.abc import Sequence
from datetime import UTC, date, datetime, time
from typing import TYPE_CHECKING, Any

import duckdb
import numpy as np
import pandas as pd

from diagnostics.results import Finding, RepairProof, SiteDiagnosis, StateSpan, WaterAccount

if TYPE_CHECKING:
    from diagnostics.nights import NewDay

FRAMES = ("days", "summaries", "intervals")


def write_diagnosis(sql: duckdb.DuckDBPyConnection, diagnosis: SiteDiagnosis, *, software: str, inputs_digest: str,
                    made_at: datetime) -> None:
    """Replace everything that is known about one site; the caller holds the transaction."""
    site = diagnosis.site_id
    frames: dict[str, Any] = {frame: _write_frame(sql, frame, site, getattr(diagnosis, frame)) for frame in FRAMES}
    frames["weighed_on"] = None if diagnosis.weighed_on is None else diagnosis.weighed_on.isoformat()
    sql.execute("DELETE FROM out_diagnoses WHERE site_id = ?", [site])
    sql.execute("INSERT INTO out_diagnoses VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                [site, made_at.astimezone(UTC).replace(tzinfo=None), software, inputs_digest, diagnosis.verdict,
                 diagnosis.verdict_says, json.dumps(diagnosis.notes), json.dumps(frames)])
    for table in ("out_findings", "out_states", "out_accounts", "out_proofs"):
        sql.execute(f"DELETE FROM {table} WHERE site_id = ?", [site])
    _insert(sql, "out_findings", [
        [site, place, item.cause, item.confidence, item.onset, item.last_seen, item.size, item.size_unit,
         item.water_lost_m3_day, item.urgency, item.status, _text(item)]
        for place, item in enumerate(diagnosis.findings)])
    _insert(sql, "out_states", _state_rows(site, diagnosis.states))
    _insert(sql, "out_accounts", [_account_row(site, place, item) for place, item in enumerate(diagnosis.accounts)])
    _insert(sql, "out_proofs", [[site, place, item.when_utc.astimezone(UTC).replace(tzinfo=None), item.cause,
                                 item.outcome, _text(item)] for place, item in enumerate(diagnosis.proofs)])


def append_days(sql: duckdb.DuckDBPyConnection, site: str, added: "Sequence[NewDay]", *, after: date,
                after_utc: datetime, software: str, inputs_digest: str, made_at: datetime) -> None:
    """
    Put new days below what is known about one site, in the place of any after a day; the caller holds the transaction.

    Findings and proofs stand; states, verdict and the accounts of the months touched are those of the newest day.
    """
    newest = added[-1]
    shapes = json.loads((sql.execute("SELECT frames FROM out_diagnoses WHERE site_id = ?", [site]).fetchone() or "")[0])
    cuts = dict.fromkeys(FRAMES, datetime.combine(after, time())) | {
        "intervals": after_utc.astimezone(UTC).replace(tzinfo=None)}
    for frame in FRAMES:
        _cut_frame(sql, frame, site, shapes[frame], cuts[frame])
        for one in added:
            _append_frame(sql, frame, site, getattr(one, frame), shapes[frame])
    sql.execute("UPDATE out_diagnoses SET made_at_utc = ?, software = ?, inputs_digest = ?, verdict = ?, "
                "verdict_says = ?, frames = ? WHERE site_id = ?",
                [made_at.astimezone(UTC).replace(tzinfo=None), software, inputs_digest, newest.verdict,
                 newest.verdict_says, json.dumps(shapes), site])
    sql.execute("DELETE FROM out_states WHERE site_id = ?", [site])
    _insert(sql, "out_states", _state_rows(site, newest.states))
    for one in added:
        sql.execute("DELETE FROM out_accounts WHERE site_id = ? AND first_day >= ?", [site, one.account.first_day])
        place = (sql.execute("SELECT count(*) FROM out_accounts WHERE site_id = ?", [site]).fetchone() or (0,))[0]
        _insert(sql, "out_accounts", [_account_row(site, place, one.account)])


def _state_rows(site: str, states: list[StateSpan]) -> list[list[Any]]:
    return [[site, place, item.state, item.first_day, item.last_day, item.volume_m3, _text(item)]
            for place, item in enumerate(states)]


def _account_row(site: str, place: int, item: WaterAccount) -> list[Any]:
    return [site, place, item.first_day, item.last_day, item.expected_m3, item.seen_m3, _text(item)]


def read_diagnosis(sql: duckdb.DuckDBPyConnection, site_id: str) -> SiteDiagnosis | None:
    """Return the results of one site, or None."""
    found = sql.execute("SELECT verdict, verdict_says, notes, frames FROM out_diagnoses WHERE site_id = ?",
                        [site_id]).fetchone()
    if found is None:
        return None
    verdict, says, notes, frames = found
    shapes = json.loads(frames)
    weighed_on = date.fromisoformat(shapes["weighed_on"]) if shapes.get("weighed_on") else None
    tables = {frame: _read_frame(sql, frame, site_id, shapes[frame]) for frame in FRAMES}

    def records(table: str, kind: type[Any]) -> list[Any]:
        rows = sql.execute(f"SELECT record FROM {table} WHERE site_id = ? ORDER BY place", [site_id]).fetchall()
        return [kind.model_validate(json.loads(row[0])) for row in rows]

    return SiteDiagnosis(site_id=site_id, **tables, findings=records("out_findings", Finding),
                         states=records("out_states", StateSpan), accounts=records("out_accounts", WaterAccount),
                         proofs=records("out_proofs", RepairProof), verdict=verdict, verdict_says=says,
                         notes=json.loads(notes), weighed_on=weighed_on)


def _text(item: Any) -> str:
    return json.dumps(item.model_dump(mode="json"))


def _insert(sql: duckdb.DuckDBPyConnection, table: str, rows: list[list[Any]]) -> None:
    if rows:
        one = f"({', '.join('?' * len(rows[0]))})"
        sql.execute(f"INSERT INTO {table} VALUES {', '.join([one] * len(rows))}",
                    [cell for row in rows for cell in row])


# -- tables whose columns grow with the science: one physical column a name and kind

def _kind(dtype: Any) -> str:
    if pd.api.types.is_bool_dtype(dtype):
        return "BOOLEAN"
    if pd.api.types.is_integer_dtype(dtype):
        return "BIGINT"
    if pd.api.types.is_float_dtype(dtype):
        return "DOUBLE"
    if isinstance(dtype, pd.DatetimeTZDtype) or pd.api.types.is_datetime64_dtype(dtype):
        return "TIMESTAMP"
    return "VARCHAR"


def _write_frame(sql: duckdb.DuckDBPyConnection, frame_name: str, site: str, frame: pd.DataFrame) -> dict[str, Any]:
    table = f"out_{frame_name}"
    index_kind = "TIMESTAMP" if isinstance(frame.index, pd.DatetimeIndex) else "VARCHAR"
    index_zone = str(frame.index.tz) if isinstance(frame.index, pd.DatetimeIndex) and frame.index.tz else ""
    index_is_date = index_kind == "VARCHAR"
    sql.execute(f"CREATE TABLE IF NOT EXISTS {table} (site_id VARCHAR NOT NULL, place INTEGER NOT NULL, "
                "stamp TIMESTAMP)")
    sql.execute(f"DELETE FROM {table} WHERE site_id = ?", [site])
    there = {row[0] for row in sql.execute("SELECT column_name FROM information_schema.columns WHERE table_name = ?",
                                           [table]).fetchall()}
    columns = []
    for place, (column, dtype) in enumerate(zip(frame.columns, frame.dtypes, strict=True)):
        kind = _kind(dtype)
        physical = f"{str(column).lower()}__{kind.lower()}"
        if physical not in there:
            sql.execute(f'ALTER TABLE {table} ADD COLUMN "{physical.replace(chr(34), chr(34) * 2)}" {kind}')
            there.add(physical)
        columns.append({"name": str(column), "physical": physical, "dtype": str(dtype), "place": place})
    _insert_frame(sql, table, site, frame, columns, 0)
    return {"columns": columns, "index_name": frame.index.name, "index_is_date": index_is_date,
            "index_zone": index_zone, "rows": len(frame)}


def _insert_frame(sql: duckdb.DuckDBPyConnection, table: str, site: str, frame: pd.DataFrame,
                  columns: list[dict[str, Any]], first_place: int) -> None:
    """Insert the rows of a frame under the physical names of its columns, counted on from a place."""
    if not len(frame):
        return
    written = frame.set_axis([item["physical"] for item in columns], axis=1).reset_index(drop=True)
    for item, dtype in zip(columns, frame.dtypes, strict=True):
        if isinstance(dtype, pd.DatetimeTZDtype):
            written[item["physical"]] = frame.iloc[:, item["place"]].dt.tz_convert("UTC").dt.tz_localize(None).array
        elif _kind(dtype) == "VARCHAR":
            written[item["physical"]] = _texts(frame.iloc[:, item["place"]])
    stamps = pd.DatetimeIndex(pd.to_datetime(frame.index))
    stamps = stamps.tz_convert("UTC").tz_localize(None) if stamps.tz is not None else stamps
    written.insert(0, "stamp", stamps)
    written.insert(0, "place", np.arange(first_place, first_place + len(frame)))
    written.insert(0, "site_id", site)
    sql.register("given_frame", written)
    sql.execute(f"INSERT INTO {table} BY NAME SELECT * FROM given_frame")
    sql.unregister("given_frame")


def _cut_frame(sql: duckdb.DuckDBPyConnection, frame_name: str, site: str, shape: dict[str, Any],
               after: datetime) -> None:
    """Take off the rows stamped later than a moment."""
    gone = sql.execute(f"DELETE FROM out_{frame_name} WHERE site_id = ? AND stamp > ?", [site, after]).fetchone()
    shape["rows"] -= gone[0] if gone else 0


def _append_frame(sql: duckdb.DuckDBPyConnection, frame_name: str, site: str, rows: pd.DataFrame,
                  shape: dict[str, Any]) -> None:
    """Put rows below those that are there, in the columns and kinds that these have."""
    kinds = {item["name"]: item["dtype"] for item in shape["columns"]}
    if set(map(str, rows.columns)) != set(kinds):
        raise ValueError(f"rows of {site} do not have the columns that {frame_name} has.")
    rows = rows[list(kinds)]
    other = {name: kinds[name] for name, dtype in zip(kinds, rows.dtypes, strict=True) if str(dtype) != kinds[name]}
    _insert_frame(sql, f"out_{frame_name}", site, rows.astype(other), shape["columns"], shape["rows"])
    shape["rows"] += len(rows)


def _texts(series: pd.Series) -> Any:
    """Write each different value once: a column of words has few of them and very many rows."""
    if pd.api.types.infer_dtype(series, skipna=True) not in ("string", "categorical", "date", "empty"):
        return [_cell_text(item) for item in series]            # lists, or 1 beside True, which count as equal
    place, different = pd.factorize(series, use_na_sentinel=True)
    texts = np.array([*(_cell_text(item) for item in different), None], dtype=object)
    return texts[place]


def _cell_text(item: Any) -> str | None:
    if item is None or (isinstance(item, float) and np.isnan(item)) or item is pd.NaT or item is pd.NA:
        return None
    return json.dumps(item, default=str)


def _read_frame(sql: duckdb.DuckDBPyConnection, frame_name: str, site: str, shape: dict[str, Any]) -> pd.DataFrame:
    columns = shape["columns"]
    picked = "".join(f', "{item["physical"].replace(chr(34), chr(34) * 2)}"' for item in columns)
    read = sql.execute(f"SELECT stamp{picked} FROM out_{frame_name} WHERE site_id = ? ORDER BY place", [site]).df()
    stamps = pd.DatetimeIndex(read["stamp"])
    if shape["index_zone"]:
        index: pd.Index = stamps.tz_localize("UTC").tz_convert(shape["index_zone"])
    elif shape["index_is_date"]:
        index = pd.Index([stamp.date() for stamp in stamps], dtype=object)
    else:
        index = stamps
    index.name = shape["index_name"]
    made = {item["name"]: _brought_back(read[item["physical"]], item["dtype"]) for item in columns}
    return pd.DataFrame(made, columns=[item["name"] for item in columns]).set_axis(index)


def _brought_back(column: pd.Series, dtype: str) -> pd.Series:
    if dtype in ("object", "str", "string", "category") or dtype.startswith("string"):
        place, different = pd.factorize(column, use_na_sentinel=True)
        values = np.empty(len(different) + 1, dtype=object)
        for number, item in enumerate(different):
            values[number] = json.loads(item)
        texts = values[place]
        if dtype == "category":
            return pd.Series(texts, dtype="object").astype("category")
        return pd.Series(texts, dtype=dtype)
    if dtype.startswith("datetime64") and "," in dtype:
        return column.dt.tz_localize("UTC").astype(dtype)
    if dtype == "bool":
        return column.astype("bool")
    return column.astype(dtype)
