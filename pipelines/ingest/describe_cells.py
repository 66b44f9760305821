"""The cells of an unknown file: which are numbers, which column is which channel, which value means 'no value'."""

import re
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from diagnostics.quantities import CHANNELS
from diagnostics.units import convert, same_dimension
from pipelines.ingest.cell_sql import NOT_A_VALUE
from pipelines.ingest.column_words import channel_of_unit, likely_channel, split_column_name, unit_word

NUMBER = re.compile(r"^[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$")
TIME_LIKE = re.compile(r"^(\d{1,4}[-./]\d{1,2}[-./]\d{1,4}|\d{1,2}[- ][A-Za-z]{3}[- ]\d{2,4})?"
                       r"([T ]?\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?( ?[ap]m)?( ?([+-]\d{2}:?\d{2}|Z))?)?$", re.IGNORECASE)
_AIR_PA = (5.0e4, 1.09e5)       # from 5500 m above the sea to the highest ever at its level
CODES = re.compile(r"^-?(9{3,}|7{3,}|6999|7999|32768|32767|65535|8888|1000000|99\.9+|999\.9+|9999\.9+)(\.0+)?$")


def is_number(cell: str) -> bool:
    """Tell whether a cell is a number with either decimal mark."""
    return bool(NUMBER.match(cell))


def is_value(cell: str) -> bool:
    """Tell whether a cell is a number or one of the common words for 'no value'."""
    return is_number(cell) or cell.lower() in NOT_A_VALUE


def looks_like_time(cell: str) -> bool:
    """Tell whether a cell looks like a date, a time or both."""
    return bool(cell) and bool(TIME_LIKE.match(cell))


@dataclass
class SampleTable:
    """Some rows of a file as text."""

    columns: list[str]
    rows: list[list[str]]

    def texts(self, column: str) -> list[str]:
        """Return the cells of one column."""
        place = self.columns.index(column)
        return [row[place] for row in self.rows]

    def decimal(self) -> str:
        """Return the decimal mark that the cells use."""
        with_comma = sum(bool(re.match(r"^[+-]?\d*,\d+$", cell)) for row in self.rows[:500] for cell in row)
        with_point = sum(bool(re.match(r"^[+-]?\d*\.\d+([eE].*)?$", cell)) for row in self.rows[:500] for cell in row)
        return "," if with_comma > with_point else "."

    def numbers(self, column: str) -> pd.Series:
        """Return the cells of one column as numbers, NaN where they are none."""
        texts = pd.Series(self.texts(column), dtype="object")
        if self.decimal() == ",":
            texts = texts.str.replace(",", ".", regex=False)
        return pd.to_numeric(texts, errors="coerce")

    def shown(self, count: int) -> pd.DataFrame:
        """Return the first rows as a table of text."""
        return pd.DataFrame(self.rows[:count], columns=self.columns)


@dataclass
class ColumnGuess:
    """What one column seems to hold."""

    column: str
    channel: str | None
    settings: dict[str, Any]
    confidence: float
    cannot_know: list[str] = field(default_factory=list)


def column_guesses(table: SampleTable, units: dict[str, str], time_columns: list[str]) -> list[ColumnGuess]:
    """Return a guess for every column; a channel is given to the likeliest column only."""
    others = [column for column in table.columns if column not in time_columns]
    guesses = [_guess(table, column, units.get(column)) for column in others]
    unit_of = {column: split_column_name(column)[1] or units.get(column) for column in others}
    for place, guess in enumerate(guesses):
        unit = unit_of[guess.column]
        if guess.channel is None and unit is not None and sum(
                other is not None and same_dimension(unit, other) for other in unit_of.values()) == 1:
            by_unit = channel_of_unit(split_column_name(guess.column)[0], unit)
            guesses[place] = _guess(table, guess.column, unit, by_unit)
    taken: dict[str, ColumnGuess] = {}
    for guess in guesses:
        if guess.channel is None:
            continue
        rival = taken.get(guess.channel)
        if rival is not None:
            loser = guess if rival.confidence >= guess.confidence else rival
            winner = rival if loser is guess else guess
            loser.channel = None
            taken[guess.channel or winner.channel or ""] = winner
        else:
            taken[guess.channel] = guess
    return guesses


def said_above(top: str) -> tuple[str, str | None]:
    """Return what the lines above the data say the values are, and in which unit, for files that name no column."""
    said, unit = "", None
    for line in top.split("\n"):
        parts = re.split(r"[:;=\t]+", line.strip().lstrip("#"), maxsplit=1)
        if len(parts) < 2 or not parts[1].strip():
            continue
        key, value = parts[0].lower(), parts[1].strip()
        if not said and re.search(r"param|quantity|variable|grootheid|identification", key) and likely_channel(value):
            said = value
        if unit is None and "unit" in key:
            unit = unit_word(value)
    return said, unit


def guess_by_words_above(table: SampleTable, guesses: list[ColumnGuess], top: str) -> None:
    """Give the one column called value the channel that the lines above the data speak of."""
    values = [place for place, guess in enumerate(guesses)
              if re.match(r"(value|wert|waarde|valor|valeur)\b", guess.column.lower())]
    said, unit = said_above(top)
    if len(values) != 1 or any(guess.channel for guess in guesses) or not said:
        return
    column = guesses[values[0]].column
    made = _guess(table, column, unit, likely_channel(said))
    made.cannot_know = [f"whether column '{column}' is {made.channel}: the lines above the data speak of "
                        f"'{said[:60]}'.", *made.cannot_know[1:]]
    guesses[values[0]] = made


def _guess(table: SampleTable, column: str, unit_in_row: str | None, by_unit: str | None = None) -> ColumnGuess:
    name, unit = split_column_name(column)
    unit = unit or unit_in_row
    numbers = table.numbers(column)
    known = numbers.dropna()
    channel = by_unit or likely_channel(name, unit) or likely_channel(column)
    if len(known) < max(1, 0.02 * len(numbers)) or channel is None:
        return ColumnGuess(column, None, {}, 0.0)
    if channel == "rain_mm_rain":
        unit = {"in": "in_rain", "mm": "mm_rain"}.get(unit or "", unit)
    settings: dict[str, Any] = {"channel": channel}
    cannot_know: list[str] = []
    confidence = 0.8
    if by_unit is not None:
        cannot_know.append(f"whether column '{column}' is {by_unit}: the draft takes it by its unit alone.")
    if channel.endswith("pressure_pa") and unit is not None:
        channel, unit = _which_pressure(column, channel, unit, known, cannot_know)
        settings["channel"] = channel
    if channel == "flow_m3_s" and re.search(r"puls|count|impuls|tick", column.lower()):
        settings |= {"meter": "pulse", "unit": "l", "pulse_volume": 1.0}
        cannot_know.append(f"water of one pulse in column '{column}': the draft takes 1 l; see the meter's plate.")
        return ColumnGuess(column, channel, settings, 0.4, cannot_know)
    if channel in ("flow_m3_s", "meter_total_m3") and unit is not None and same_dimension(unit, "m3"):
        rising = bool((known.diff().dropna() >= -1e-9).mean() > 0.98) and known.iloc[-1] > known.iloc[0]
        channel = "meter_total_m3" if rising else channel
        settings["channel"] = channel
    if channel == "meter_total_m3":
        settings["meter"] = "totaliser"
        target = "m3"
    else:
        target = CHANNELS[channel].unit_suffix or "ratio"
    if unit is not None and same_dimension(unit, target):
        settings["unit"] = unit
        confidence = 0.9 if by_unit is None else 0.5
    else:
        if unit is not None:
            return ColumnGuess(column, None, {}, 0.0)
        if target not in ("ratio", "v", "a", "w_m2"):
            confidence = 0.5
            cannot_know.append(f"unit of column '{column}': the draft takes {target}.")
    si = convert(known.to_numpy(dtype=float), settings.get("unit", target), target)
    quantity = CHANNELS[channel]
    inside = float(np.mean((si >= quantity.low) & (si <= quantity.high)))
    if inside < 0.5:
        confidence = min(confidence, 0.3)
        cannot_know.append(f"column '{column}' as {channel} is out of range in {1 - inside:.0%} of the rows; its unit "
                           "or channel is another.")
    return ColumnGuess(column, channel, settings, confidence, cannot_know + _open_questions(column, channel))


def _which_pressure(column: str, channel: str, unit: str, known: pd.Series,
                    cannot_know: list[str]) -> tuple[str, str]:
    """Return channel and unit of a pressure: of the air, of water and air together, or the column above a logger."""
    if same_dimension(unit, "m"):
        cannot_know.append(f"column '{column}' is a water column in {unit}; whether it is absolute or above the air, "
                           "and how deep the logger hangs: set scale = -1 and offset.")
        return "water_level_m", unit
    if not same_dimension(unit, "pa"):
        return channel, unit
    usual_pa = float(convert([float(known.median())], unit, "pa")[0])
    of_pump = re.search(r"suction|outlet|deliv|disch|line|head|pump", column.lower())
    if channel == "air_pressure_pa" or (_AIR_PA[0] <= usual_pa <= _AIR_PA[1] and not of_pump):
        cannot_know.append(f"whether '{column}' is the air's pressure as it stood at this height (as the channel "
                           "wants) or brought to sea level.")
        return "air_pressure_pa", unit
    if not unit.endswith("h2o") or of_pump:
        return channel, unit
    if usual_pa > _AIR_PA[1]:
        cannot_know.append(f"whether '{column}' is absolute, with the air above the water in it (as the draft takes "
                           "it), and how deep the logger hangs: level_logger_depth_m of the site's well. The air's own "
                           "pressure has to be logged beside it.")
        return "submerged_pressure_pa", unit
    cannot_know.append(f"how deep the logger of '{column}' hangs: set scale = -1 and offset, so that it is a depth "
                       "below ground.")
    return "water_level_m", unit.removesuffix("_h2o")


def _open_questions(column: str, channel: str) -> list[str]:
    """Return what neither the name nor the numbers of a column tell about where its sensor sits."""
    if channel == "global_horizontal_irradiance_w_m2" and not re.search(r"ghi|global|horiz|level|flat", column.lower()):
        return [f"whether the sensor of column '{column}' lies level or in the plane of the modules; the draft takes "
                "level, write channel = \"poa_irradiance_w_m2\" where it is in the plane."]
    if channel == "water_level_m":
        return [f"whether '{column}' is depth below ground (as the channel wants), height above a datum or height "
                "above the sensor; use scale = -1 and offset to turn it."]
    return []


@dataclass
class LongGuess:
    """A file with one value a row."""

    settings: dict[str, Any]
    site_column: str
    channels: dict[str, dict[str, Any]]
    confidence: float


def long_guess(table: SampleTable, time_columns: list[str], columns: list[ColumnGuess]) -> LongGuess | None:
    """Recognise one value a row: stamps that repeat or a single number column beside columns of few words."""
    others = [column for column in table.columns if column not in time_columns]
    words, values = [], []
    for column in others:
        texts = [text for text in table.texts(column) if text]
        if not texts:
            continue
        if sum(is_number(text) for text in texts) > 0.9 * len(texts):
            values.append(column)
        elif len(set(texts)) <= max(40, len(texts) // 50):
            words.append(column)
    codes = [column for column in values if re.search(r"(code|param|tag|sensor|id)", column.lower())
             and len(set(table.texts(column))) <= 40]
    values = [column for column in values if column not in codes]
    named = [column for column in words + codes if re.search(
        r"name|param|tag|sensor|variable|channel|meas|kind|code", column.lower().rsplit("/", 2)[-1] + column.lower())]
    if len(values) != 1 or not named or not re.search(r"val|wert|reading|value", values[0].lower()):
        return None
    named = [column for column in named if not re.search(r"quality|interpol|state|status|flag", column.lower())]
    if not named:
        return None
    name_column = max(named, key=lambda column: (any(likely_channel(text) for text in set(table.texts(column))),
                                                 "variable" in column.lower(), -named.index(column)))
    sites = [column for column in words + codes if column != name_column and re.search(
        r"site|station|node|logger|device|unit", column.lower())]
    channels: dict[str, dict[str, Any]] = {}
    found = 0
    for text in sorted(set(table.texts(name_column))):
        name, unit = split_column_name(text)
        channel = likely_channel(name, unit) or likely_channel(column)
        if text and channel and all(rule["channel"] != channel for rule in channels.values()):
            found += 1
            target = CHANNELS[channel].unit_suffix or "ratio"
            channels[text] = {"channel": channel, **({"unit": unit} if unit and same_dimension(unit, target) else {})}
            if channel == "meter_total_m3":
                channels[text] = {"channel": channel, "meter": "totaliser"}
    if not channels and "variable" not in name_column.lower():
        return None
    return LongGuess({"name_column": name_column, "value_column": values[0]}, sites[0] if sites else "", channels,
                     round(0.4 + 0.4 * found / max(len(set(table.texts(name_column))), 1), 2))


def sentinel_guess(table: SampleTable, columns: list[str]) -> list[str]:
    """Return values that stand far off the others and look like codes for 'no value'."""
    found: Counter[str] = Counter()
    for column in columns:
        if column not in table.columns:
            continue
        texts = [text for text in table.texts(column) if text]
        numbers = table.numbers(column).replace([np.inf, -np.inf], np.nan).dropna()
        usual = numbers[numbers.between(*numbers.quantile([0.02, 0.98]))] if len(numbers) > 50 else numbers
        spread = float(usual.max() - usual.min()) if len(usual) else 0.0
        for text in set(texts):
            if is_number(text) and CODES.match(text.replace(",", ".")):
                value = float(text.replace(",", "."))
                if len(numbers) and (value < usual.min() - spread or value > usual.max() + spread or value <= -999):
                    found[text] += 1
            elif not is_number(text) and text.lower() not in NOT_A_VALUE and len(text) <= 12:
                share = texts.count(text) / len(texts)
                if 0 < share < 0.5 and len(numbers) > 0.5 * len(texts):
                    found[text] += 1
    return sorted(found)
