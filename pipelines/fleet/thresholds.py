"""Thresholds a company set otherwise than the program, laid over the program's own."""

from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from diagnostics.consequence import RankingRules
from diagnostics.settings import Settings
from pipelines.fleet.company import ThresholdChange
from pipelines.fleet.problems import Problem, nearest
from pipelines.fleet.toml_text import TomlFile

S = TypeVar("S")

_GROUPS: tuple[type, ...] = (Settings, RankingRules)


def bounded_groups() -> tuple[type[BaseModel], ...]:
    """Return the settings that state a range and a reason for each: of the masks, and of what a file may cost."""
    from diagnostics.quality.settings import QualitySettings
    from pipelines.ingest.limits import IngestLimits

    return (QualitySettings, IngestLimits)


def known_thresholds() -> dict[str, float]:
    """Return every threshold a company may change, with the program's own value."""
    known: dict[str, float] = {}
    for group in _GROUPS:
        defaults = group()
        known |= {item.name: getattr(defaults, item.name) for item in fields(group)}
    for model in bounded_groups():
        known |= model().model_dump()
    return known


def with_changes(defaults: S, changes: Mapping[str, ThresholdChange]) -> S:
    """Return settings with the company's changes laid over them; changes meant for other settings are passed by."""
    if isinstance(defaults, BaseModel):
        own = defaults.model_dump()
        given = {name: round(change.value) if isinstance(own[name], int) else change.value
                 for name, change in changes.items() if name in own}
        return type(defaults).model_validate({**own, **given}) if given else defaults
    if not is_dataclass(defaults) or isinstance(defaults, type):
        raise TypeError(f"settings are a dataclass instance, not {type(defaults).__name__}.")
    taken: dict[str, Any] = {}
    for item in fields(defaults):
        if item.name in changes:
            value = changes[item.name].value
            taken[item.name] = round(value) if isinstance(getattr(defaults, item.name), int) else value
    return replace(defaults, **taken)


def check_thresholds(changes: Mapping[str, ThresholdChange], file: TomlFile) -> list[Problem]:
    """Name every changed threshold the program does not have, and every value that cannot be one."""
    problems: list[Problem] = []
    if not changes:
        return problems
    known = known_thresholds()
    bounded = {name: model for model in bounded_groups() for name in model.model_fields}
    for name, change in changes.items():
        place = file.place(("thresholds", name))
        if name not in known:
            close = nearest(name, known)
            mend = f"Did you mean '{close}'?" if close else f"Known: {', '.join(known)}."
            problems.append(Problem(file.name, place, f"'{name}' is not a threshold of the program.", mend))
        elif name in bounded:
            problems += _beyond_its_range(bounded[name], name, change.value, file.name, place)
        elif change.value < 0:
            problems.append(Problem(file.name, place, f"'{name}' is {change.value:g}; no threshold is negative.",
                                    f"The program's own value is {known[name]:g}."))
        elif isinstance(known[name], int) and change.value != round(change.value):
            problems.append(Problem(file.name, place, f"'{name}' is {change.value:g} but is counted in whole numbers.",
                                    f"Write a whole number; the program's own is {known[name]}."))
        elif known[name] < 1 and name.endswith(("probability", "level", "ratio", "share_of_day")) and change.value > 1:
            problems.append(Problem(file.name, place, f"'{name}' is {change.value:g}; it is a share between 0 and 1.",
                                    f"Write {change.value / 100:g} for {change.value:g} %."))
    return problems


def _beyond_its_range(model: type[BaseModel], name: str, value: float, file: str, place: str) -> list[Problem]:
    try:
        model.model_validate({name: value})
    except ValidationError as error:
        says = error.errors()[0]["msg"].lower()
        return [Problem(file, place, f"'{name}' cannot be {value:g}: {says}.",
                        f"The program's own value is {model.model_fields[name].default:g}.")]
    return []
