"""Thresholds a company set otherwise than the program, laid over the program's own."""

from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

from diagnostics.consequence import RankingRules
from diagnostics.settings import Settings
from pipelines.fleet.company import ThresholdChange
from pipelines.fleet.problems import Problem, nearest
from pipelines.fleet.toml_text import TomlFile

S = TypeVar("S")

_GROUPS: tuple[type, ...] = (Settings, RankingRules)


def known_thresholds() -> dict[str, float]:
    """Return every threshold a company may change, with the program's own value."""
    known: dict[str, float] = {}
    for group in _GROUPS:
        defaults = group()
        known |= {item.name: getattr(defaults, item.name) for item in fields(group)}
    return known


def with_changes(defaults: S, changes: Mapping[str, ThresholdChange]) -> S:
    """Return settings with the company's changes laid over them; changes meant for other settings are passed by."""
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
    known, problems = known_thresholds(), []
    for name, change in changes.items():
        place = file.place(("thresholds", name))
        if name not in known:
            close = nearest(name, known)
            mend = f"Did you mean '{close}'?" if close else f"Known: {', '.join(known)}."
            problems.append(Problem(file.name, place, f"'{name}' is not a threshold of the program.", mend))
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
