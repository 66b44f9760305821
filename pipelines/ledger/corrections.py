"""Corrections: a layer over the readings with author, reason and date; what the logger wrote never changes."""

import csv
from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any, Literal, Self

import numpy as np
import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from diagnostics.quantities import CHANNELS
from diagnostics.readings import Mask
from pipelines.errors import DescriptionError

COLUMNS = ("site_id", "logger", "channel", "from_utc", "until_utc", "kind", "value", "other_channel", "author",
           "reason", "entered_on")


class Correction(BaseModel):
    """
    One correction over a span (from_utc, until_utc] of stamps as the logger wrote them; open ends where None.

    shift_clock adds `value` seconds to the stamps; scale multiplies and offset adds `value` to a channel, in its own
    unit; mask says a channel is not to be trusted; swap exchanges two channels.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    site_id: str
    logger: str | None = None
    channel: str | None = None
    from_utc: datetime | None = None
    until_utc: datetime | None = None
    kind: Literal["shift_clock", "scale", "offset", "mask", "swap"]
    value: float | None = None
    other_channel: str | None = None
    author: str = Field(min_length=1)
    reason: str = Field(min_length=1)
    entered_on: date

    @model_validator(mode="after")
    def _is_complete(self) -> Self:
        for stamp in (self.from_utc, self.until_utc):
            if stamp is not None and stamp.tzinfo is None:
                raise ValueError("from_utc and until_utc need an offset, for instance 2026-03-01T00:00:00Z.")
        if self.kind in ("shift_clock", "scale", "offset") and self.value is None:
            raise ValueError(f"a correction of kind {self.kind} needs a value.")
        if self.kind == "scale" and not self.value:
            raise ValueError("a scale of 0 would wipe the channel out; use kind mask.")
        if self.kind != "shift_clock" and self.channel not in CHANNELS:
            raise ValueError(f"'{self.channel}' is not a channel.")
        if self.kind == "swap" and self.other_channel not in CHANNELS:
            raise ValueError("a swap needs other_channel.")
        return self

    @classmethod
    def from_row(cls, row: dict[str, Any]) -> "Correction":
        """Make one from a row of text or of the store; empty cells are None."""
        given: dict[str, Any] = {}
        for key, value in row.items():
            if value is None or value == "" or (isinstance(value, float) and np.isnan(value)) or value is pd.NaT:
                continue
            if isinstance(value, pd.Timestamp):
                value = value.date() if key == "entered_on" else value.tz_localize("UTC").to_pydatetime()
            given[key] = value
        return cls.model_validate(given)


def read_corrections(path: Path) -> list[Correction]:
    """Read corrections.csv of a fleet folder; everything wrong with it comes in one error."""
    if not path.exists():
        return []
    made, wrong = [], []
    with path.open(encoding="utf-8-sig", newline="") as stream:
        for row in (reader := csv.DictReader(stream)):
            try:
                made.append(Correction.from_row({key: value for key, value in row.items() if key is not None}))
            except ValidationError as error:
                says = "; ".join(f"{'.'.join(map(str, item['loc']))}: {item['msg'].removeprefix('Value error, ')}"
                                 for item in error.errors())
                wrong.append(f"line {reader.line_num}: {says}")
    if wrong:
        raise DescriptionError(" ".join(wrong), file=path, mend=f"Columns are {', '.join(COLUMNS)}.")
    return made


def add_correction(path: Path, correction: Correction) -> None:
    """
    Put one more row into corrections.csv; what stands there stays as it is, and the file is exchanged whole.

    Raises DescriptionError where the file cannot be read as it stands, or already holds this very correction.
    """
    if correction in read_corrections(path):
        raise DescriptionError("this correction stands there already.", file=path, mend="Nothing was added.")
    if any(written.startswith(("=", "+", "-", "@", "\t", "\r")) for written in (correction.author, correction.reason)):
        raise DescriptionError("author and reason cannot begin with =, +, -, @ or a tab: a spreadsheet would work them "
                               "out.", file=path, mend="Begin with a word.")
    columns, rows = list(COLUMNS), []
    if path.exists():
        with path.open(encoding="utf-8-sig", newline="") as stream:
            reader = csv.DictReader(stream)
            rows = list(reader)
            columns += [column for column in reader.fieldnames or () if column not in columns]
    row = {key: value.isoformat() if isinstance(value, date) else value
           for key, value in correction.model_dump().items() if value is not None}
    part = path.with_name(f"{path.name}.part")
    try:
        with part.open("w", encoding="utf-8", newline="") as stream:
            writer = csv.DictWriter(stream, columns, lineterminator="\n", extrasaction="ignore")
            writer.writeheader()
            writer.writerows([*rows, row])
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise DescriptionError(f"cannot be written: {error.strerror or error}.", file=path,
                               mend="Give this user write access to the fleet folder, or free space.") from error


def corrections_frame(corrections: Sequence[Correction]) -> pd.DataFrame:
    """Return corrections as the store keeps them, stamps naive UTC."""
    frame = pd.DataFrame([item.model_dump() for item in corrections], columns=list(COLUMNS))
    for column in ("from_utc", "until_utc"):
        frame[column] = pd.to_datetime(frame[column], utc=True).dt.tz_localize(None)
    return frame


def corrected(rows: pd.DataFrame, corrections: Sequence[Correction]) -> pd.DataFrame:
    """Return rows of one logger with corrections applied, clock last so that spans mean stamps as written."""
    if not corrections or not len(rows):
        return rows
    rows = rows.copy()
    stamps = rows["interval_end_utc"]
    shift = pd.Series(0.0, index=rows.index)
    for item in corrections:
        span = pd.Series(True, index=rows.index)
        if item.from_utc is not None:
            span &= stamps > _naive(item.from_utc)
        if item.until_utc is not None:
            span &= stamps <= _naive(item.until_utc)
        if item.kind == "shift_clock":
            shift += np.where(span, item.value or 0.0, 0.0)
        elif item.channel in rows:
            _change(rows, span, item)
    if (shift != 0).any():
        rows["interval_end_utc"] = stamps + pd.to_timedelta(shift, unit="s")
        rows = rows.sort_values("interval_end_utc", kind="stable")
    return rows


def _change(rows: pd.DataFrame, span: "pd.Series[bool]", item: Correction) -> None:
    """Change one channel of a table that is already a copy."""
    channel, mask = str(item.channel), f"{item.channel}__mask"
    if item.kind == "scale":
        rows.loc[span, channel] *= item.value or 1.0
    elif item.kind == "offset":
        rows.loc[span, channel] += item.value or 0.0
    elif item.kind == "mask":
        bits = np.where(span, int(Mask.SENSOR_DOUBT), 0).astype("uint16")
        rows[mask] = rows[mask].fillna(0).astype("uint16") | bits
    elif item.other_channel in rows:
        for one, other in ((channel, item.other_channel), (mask, f"{item.other_channel}__mask")):
            held = rows.loc[span, one].copy()
            rows.loc[span, one] = rows.loc[span, other]
            rows.loc[span, other] = held


def _naive(stamp: datetime) -> pd.Timestamp:
    return pd.Timestamp(stamp).tz_convert("UTC").tz_localize(None)
