"""What is wrong in a fleet folder, said so that somebody can mend it: file, place, sentence, mend."""

import difflib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import BaseModel, ValidationError

from diagnostics.site.described import Described, part_of, split_field
from diagnostics.units import UNIT_OF_SUFFIX, same_dimension, split_unit
from pipelines.fleet.toml_text import Loc, TomlFile

Severity = Literal["error", "warning"]


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong. `file` is relative to the fleet folder; `where` is a key path, a line, or both."""

    file: str
    where: str
    says: str
    mend: str
    severity: Severity = "error"

    def __str__(self) -> str:
        place = f"{self.file}, {self.where}" if self.where else self.file
        return f"{place}: {self.says} {self.mend}".rstrip()


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word that `word` was most probably meant to be, or None."""
    lowered = {str(name).lower(): str(name) for name in known}
    close = difflib.get_close_matches(word.lower(), list(lowered), n=1, cutoff=0.6)
    return lowered[close[0]] if close else None


def units_for(field: str, holder: type[BaseModel] = Described) -> list[str]:
    """Return every other way a field may be written, by unit: ``head_m`` -> ``["head_cm", "head_ft", ...]``."""
    parts = split_field(field)
    if parts is None or not issubclass(holder, Described):
        return []
    stem, own = parts
    ways = [f"{stem}_{suffix}" for suffix in UNIT_OF_SUFFIX
            if suffix != own and same_dimension(suffix, own)]
    return [way for way in ways if split_unit(way) == (stem, way[len(stem) + 1:])]


def from_validation(error: ValidationError, model: type[BaseModel], file: TomlFile, at: Loc = ()) -> list[Problem]:
    """Translate what pydantic found in one table (standing at `at` in the file) into problems."""
    return [_one(detail, model, file, at) for detail in error.errors(include_url=False)
            if detail["type"] != "default_factory_not_called"]      # only follows from another field's error


def _one(detail: Mapping[str, Any], model: type[BaseModel], file: TomlFile, at: Loc) -> Problem:
    loc: Loc = tuple(step for step in detail["loc"] if step != "[key]")
    holder = model_at(model, loc[:-1]) or model
    path = file.as_written(model, at, loc)
    key = str(loc[-1]) if loc else ""
    written = f"'{path[-1]}'" if loc else ""
    if loc and path[-1] != key and detail["type"] != "missing":
        written = f"'{path[-1]}' = {_short(file.value(path))}"
    says, mend = _sentences(str(detail["type"]), detail, holder, key, written)
    return Problem(file.name, file.place(path), says, mend)


def model_at(model: type[BaseModel], loc: Loc) -> type[BaseModel] | None:
    """Return the description that stands at a place, or None where it is a plain value."""
    here: type[BaseModel] | None = model
    for step in loc:
        if here is None:
            return None
        if isinstance(step, str) and step in here.model_fields:
            here = part_of(here, step)
    return here


def _sentences(kind: str, detail: Mapping[str, Any], holder: type[BaseModel], key: str,
               written: str) -> tuple[str, str]:
    value, ctx = detail.get("input"), detail.get("ctx", {})
    if kind == "extra_forbidden":
        return unknown_key(key, holder)
    if kind == "missing":
        return f"'{key}' is missing.", _how_to_write(key, holder)
    if kind in _BOUNDS:
        return _out_of_bounds(kind, key, value, ctx, written)
    if kind == "literal_error":
        allowed = re.findall(r"'([^']*)'", str(ctx.get("expected", "")))
        close = nearest(str(value), allowed)
        hint = f"Did you mean '{close}'? " if close else ""
        return f"{written} is {_short(value)}, which is not known.", f"{hint}Write one of {', '.join(allowed)}."
    if kind == "value_error":
        return _split_sentence(str(ctx.get("error", detail["msg"])))
    if kind == "string_pattern_mismatch" and key == "id":
        return f"'id' is {_short(value)}.", "Use small letters, digits and hyphens only, up to 40 characters."
    for start, says, mend in _SHAPES:
        if kind.startswith(start):
            return f"{written} is {_short(value)}, {says}.", mend
    return f"{written} is {_short(value)}: {detail['msg']}.", "Correct the value."


_BOUNDS = {"greater_than": ("gt", "above"), "greater_than_equal": ("ge", "at least"), "less_than": ("lt", "below"),
           "less_than_equal": ("le", "at most")}

_SHAPES = (
    ("float", "not a number", "Write a plain number with a decimal point, without quotes and without its unit."),
    ("int", "not a whole number", "Write a whole number."),
    ("finite", "not a finite number", "Leave the key out where the value is not known."),
    ("bool", "not true or false", "Write true or false, without quotes."),
    ("date", "not a date", "Write a date as 2026-03-31, without quotes."),
    ("string_too_short", "too short", "Write a little more: one plain sentence."),
    ("string_too_long", "too long", "Shorten it."),
    ("string_pattern", "not written in the form expected", "Compare with the reference of the file."),
    ("string", "not a text", "Put the text in double quotes."),
    ("list", "not a list", "Write a list in square brackets, or one table a row with double square brackets."),
    ("tuple", "not a list", "Write a list in square brackets."),
    ("too_", "of the wrong length", "Give the number of entries the description asks for."),
    ("dict", "not a table", "Write it as a table of its own, under [its.name]."),
    ("model", "not a table", "Write it as a table of its own, under [its.name]."),
)


def _out_of_bounds(kind: str, key: str, value: Any, ctx: Mapping[str, Any], written: str) -> tuple[str, str]:
    name, word = _BOUNDS[kind]
    limit = ctx.get(name)
    parts = split_field(key)
    unit = f" {parts[1]}" if parts else ""
    shown_limit = f"{limit:g}" if isinstance(limit, (int, float)) else str(limit)
    comes_to = "comes to" if "=" in written else "is"
    says = f"{written} {comes_to} {_short(value)}{unit}; it must be {word} {shown_limit}{unit}."
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if limit == 1 and not parts and is_number and 1 < value <= 100:
        return says, f"A ratio is written between 0 and 1: {value / 100:g} for {value:g} %."
    if parts and parts[1] == "m" and is_number and kind.startswith("less") and "=" not in written:
        return says, f"If it was read in another unit, write that unit into the key: {parts[0]}_ft, {parts[0]}_mm."
    if limit == 0 and kind == "less_than":
        return says, "What falls as it gets hotter is written with a minus sign."
    return says, "Check the value and the unit in its key."


def unknown_key(key: str, holder: type[BaseModel]) -> tuple[str, str]:
    """Say that no field knows a key, and name the key it was most probably meant to be."""
    parts = split_unit(key)
    if parts and issubclass(holder, Described):
        for field in holder.model_fields:
            target = split_field(field)
            if target and target[0] == parts[0]:
                ways = ", ".join([field, *units_for(field, holder)[:6]])
                return f"'{key}' is written in a unit that does not measure {target[0]}.", f"Write one of {ways}."
    known = [*holder.model_fields, *(way for field in holder.model_fields for way in units_for(field, holder))]
    close = nearest(key, known)
    if close:
        return f"'{key}' is not a known key.", f"Did you mean '{close}'?"
    return f"'{key}' is not a known key.", f"Known here: {', '.join(holder.model_fields)}."


def _how_to_write(key: str, holder: type[BaseModel]) -> str:
    info = holder.model_fields.get(key)
    if info is None:
        return "Add it."
    part = part_of(holder, key)
    if part is not None and part is not holder:
        summary = (part.__doc__ or "").strip().split("\n")[0]
        return f"Add the table [{key}]. {summary}"
    meaning = f" ({info.description.rstrip('.')})" if info.description else ""
    usual = ("_ft", "_in", "_us", "_f", "_hp", "_psi", "_h", "_mm")
    others = [way for way in units_for(key, holder) if way.endswith(usual)][:3]
    also = f", or {', '.join(others)}" if others else ""
    return f"Add {key}{also}{meaning}."


def _split_sentence(text: str) -> tuple[str, str]:
    for mark in (". ", "; ", ": "):
        head, found, tail = text.partition(mark)
        if found and tail:
            return f"{head.rstrip('.')}.", tail[0].upper() + tail[1:]
    return text, "Correct it."


def _short(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:.6g}"
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
