"""Checking one written table against its description, so that everything wrong in it is found in one go."""

from collections.abc import Mapping
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from diagnostics.site.described import Described, field_of, part_of, split_field
from pipelines.fleet.problems import Problem, from_validation, model_at
from pipelines.fleet.toml_text import Loc, TomlFile

M = TypeVar("M", bound=BaseModel)

_ROUNDS = 6


def check(model: type[M], written: Mapping[str, Any], file: TomlFile, at: Loc = ()) -> tuple[M | None, list[Problem]]:
    """Build a description from a written table, or say everything that is wrong with it."""
    built, problems = check_what_is_sound(model, written, file, at)
    return (None if problems else built), problems


def check_what_is_sound(model: type[M], written: Mapping[str, Any], file: TomlFile,
                        at: Loc = ()) -> tuple[M | None, list[Problem]]:
    """
    Build a description from what is sound in a written table, and say everything that is wrong with the rest.

    A description that is checked as a whole only once its parts are sound would show its errors layer by layer.
    Therefore what was found wrong is set aside and the rest is checked again, until nothing new turns up.
    """
    rest, clashes = _canonical_deep(model, written, file, at)
    problems: dict[tuple[str, str], Problem] = {(p.where, p.says): p for p in clashes}
    aside: set[str] = set()
    for _ in range(_ROUNDS):
        try:
            return model.model_validate(rest), list(problems.values())
        except ValidationError as error:
            for problem in from_validation(error, model, file, at):
                # What merely misses a value that was set aside is no error of its own.
                if not any(name in f"{problem.says} {problem.mend}" for name in aside):
                    problems.setdefault((problem.where, problem.says), problem)
            taken = _set_aside(rest, error, model)
            aside |= taken
            if not taken:
                break
    return None, list(problems.values())


def _canonical_deep(model: type[BaseModel], written: Mapping[str, Any], file: TomlFile,
                    at: Loc) -> tuple[dict[str, Any], list[Problem]]:
    """Bring keys to canonical units all the way down; two units for one quantity become problems, the first stays."""
    canonical: dict[str, Any] = {}
    seen: dict[str, str] = {}
    problems: list[Problem] = []
    for key, value in written.items():
        found = field_of(model, key)
        field = found[0] if found else key
        if field in seen:
            problems.append(Problem(file.name, file.place((*at, key)),
                                    f"'{key}' and '{seen[field]}' say the same thing in two units.", "Keep one."))
            continue
        seen[field] = key
        part = part_of(model, field) if found else None
        if issubclass(model, Described):
            value = model.canonical({key: value}).get(field, value)
        if part is not None and isinstance(value, Mapping):
            if _is_table_of_parts(model, field):
                inner = {}
                for name, item in value.items():
                    inner[name], more = (_canonical_deep(part, item, file, (*at, key, name))
                                         if isinstance(item, Mapping) else (item, []))
                    problems += more
                value = inner
            else:
                value, more = _canonical_deep(part, value, file, (*at, key))
                problems += more
        elif part is not None and isinstance(value, list):
            items = []
            for number, item in enumerate(value):
                if isinstance(item, Mapping):
                    item, more = _canonical_deep(part, item, file, (*at, key, number))
                    problems += more
                items.append(item)
            value = items
        canonical[field] = value
    return canonical, problems


def _is_table_of_parts(model: type[BaseModel], field: str) -> bool:
    info = model.model_fields.get(field)
    return info is not None and str(info.annotation).startswith("dict[")


def _set_aside(rest: dict[str, Any], error: ValidationError, model: type[BaseModel]) -> set[str]:
    """Take out what was found wrong where the rest can be checked without it; return the stems of what was taken."""
    taken: set[str] = set()
    for detail in error.errors(include_url=False):
        loc: Loc = tuple(step for step in detail["loc"] if step != "[key]")
        while loc and not _take_out(rest, loc, model):
            loc = loc[:-1] if _stands_in_a_table_of_parts(loc, model) else ()
        if loc:
            parts = split_field(str(loc[-1]))
            taken.add(parts[0] if parts else str(loc[-1]))
    return taken


def _take_out(rest: dict[str, Any], loc: Loc, model: type[BaseModel]) -> bool:
    holder: Any = rest
    for step in loc[:-1]:
        try:
            holder = holder[step]
        except (KeyError, IndexError, TypeError):
            return False
    key = loc[-1]
    if not isinstance(holder, dict) or key not in holder:
        return False
    owner = model_at(model, loc[:-1])
    field = owner.model_fields.get(str(key)) if owner and not _stands_in_a_table_of_parts(loc, model) else None
    if field is not None and field.is_required():
        return False
    del holder[key]
    return True


def _stands_in_a_table_of_parts(loc: Loc, model: type[BaseModel]) -> bool:
    """Tell whether a place, or a place around it, is one named entry of a table of entries."""
    for length in range(2, len(loc) + 1):
        owner = model_at(model, loc[:length - 2])
        if owner is not None and _is_table_of_parts(owner, str(loc[length - 2])):
            return True
    return False


def merged(model: type[BaseModel], base: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    """Lay a site's own values over those of the equipment it names; both canonical at every level."""
    result = dict(base)
    for key, value in over.items():
        part = part_of(model, key)
        if part is not None and isinstance(value, Mapping) and isinstance(result.get(key), Mapping):
            result[key] = merged(part, result[key], value)
        else:
            result[key] = value
    return result


def canonical_table(model: type[BaseModel], written: Mapping[str, Any]) -> dict[str, Any]:
    """Bring the keys of a table to canonical units all the way down; of two units for one quantity the first stays."""
    return _canonical_deep(model, written, TomlFile("", {}), ())[0]
