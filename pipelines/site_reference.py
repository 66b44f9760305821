"""The reference of everything that can stand in a fleet folder's files, made from the descriptions themselves."""

import re
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt, MaxLen, MinLen
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from diagnostics.quantities import CHANNELS
from diagnostics.service_actions import SERVICE_ACTIONS
from diagnostics.site import Drive, Module, Pump, Site
from diagnostics.site.described import Described, part_of, split_field
from diagnostics.units import UNIT_OF_SUFFIX, same_dimension
from pipelines.field_examples import example_of
from pipelines.fleet.company import Company
from pipelines.fleet.problems import units_for
from pipelines.fleet.thresholds import bounded_groups, known_thresholds
from pipelines.ingest.profile import LoggerProfile

FILE_NAME = "SITE-FILES.md"

_HEAD = """# What can stand in the files of a fleet folder

This page is made from the program's own descriptions; do not edit it by hand.

    fleet.toml         the company
    sites/ID.toml      one site; names its equipment and logger profiles by key
    equipment/*.toml   [[module]], [[pump]], [[drive]]: datasheet figures as printed
    loggers/*.toml     one logger profile a file, known by the file's name
    service-log.csv    who did what, when
    corrections.csv    mends of readings, with author, reason and date
    logs/              logger files as delivered, any depth
    weather/           imported irradiance and weather

The ending of a key is its unit. A quantity may be written in any unit that measures it, under exactly one key:
`static_water_level_ft = 100` or `static_water_level_m = 30.48`. The tables name each quantity by its unit inside the
program; the endings that may stand instead are listed by letter under [Units](#units). Keys without an ending are
plain numbers, words or tables. A key nobody knows is refused. *needed* means that the file is refused without it.

`array.module`, `pump` and `drive` hold the key of a piece of equipment (`pump = "c14"`), or a table with the key and
what differs at this site (`pump = {key = "c14", stages = 12}`), or the full description of something no equipment file
holds. `drive = "direct"` needs no file.
"""


_CORRECTIONS = """## corrections.csv

What a logger wrote is never changed; a correction is laid over it, with a name, a reason and a date. Columns, separated
by commas; an empty cell means every logger, every channel or an open end:

| column | meaning | for instance |
|---|---|---|
| `site_id` | Site it holds for. | `ridge-well` |
| `logger` | Logger of the site, where it has several. | `RW-01` |
| `channel` | Channel it holds for; not needed for shift_clock. | `flow_m3_s` |
| `from_utc` | Stamps after this moment, as the logger wrote them, with their offset. | `2026-03-01T00:00:00Z` |
| `until_utc` | Up to and with this moment. | `2026-04-15T00:00:00Z` |
| `kind` | `shift_clock` adds `value` seconds to stamps; `scale` multiplies the channel by `value`; `offset` adds \
`value` in the channel's own unit; `mask` says it is not to be trusted; `swap` exchanges it with `other_channel`. | \
`scale` |
| `value` | Number for shift_clock, scale and offset; a scale cannot be 0. | `1.021` |
| `other_channel` | For swap. | `array_current_a` |
| `author` | Who says so. | `M. Tengrin` |
| `reason` | Why. | `bucket test on 15 April` |
| `entered_on` | Day it was written down. | `2026-04-16` |""".replace("\\\n", "")


def reference_text() -> str:
    """Return the whole reference as Markdown."""
    kinds = _unit_kinds()
    parts = [_HEAD]
    parts += ["## sites/ID.toml", *_tables(Site, kinds, {})]
    equipment = {"[[module]]": Module, "[[pump]]": Pump, "[[drive]]": Drive}
    parts += ["## equipment/\\*.toml", "Any number of " + ", ".join(f"`{name}`" for name in equipment)
              + " tables in any number of files; the keys are those of `array.module`, `pump` and `drive` above."]
    parts += ["## loggers/\\*.toml", *_tables(LoggerProfile, kinds, {})]
    parts += ["## fleet.toml", *_tables(Company, kinds, {}), _thresholds()]
    parts += [_service_log(), _CORRECTIONS, _channels(), _units(kinds)]
    return "\n\n".join(part.strip() for part in parts) + "\n"


def write_reference(folder: Path) -> Path:
    """Write the reference into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / FILE_NAME
    path.write_text(reference_text(), encoding="utf-8")
    return path


def _tables(root: type[BaseModel], kinds: dict[str, str], seen: dict[str, str]) -> list[str]:
    """Return one section for a description and one for every description inside it."""
    sections: list[str] = []
    todo: list[tuple[str, type[BaseModel]]] = [("", root)]
    while todo:
        path, model = todo.pop(0)
        if model.__name__ in seen:
            continue
        seen[model.__name__] = path
        heading = f"### `[{path}]`" if path else "### At the top of the file"
        rows = ["| key | value | needed or default | meaning | for instance |", "|---|---|---|---|---|"]
        for field, info in model.model_fields.items():
            rows.append(_row(field, info, model, kinds))
            part = part_of(model, field)
            if part is not None:
                todo.append((f"{path}.{field}".lstrip("."), part))
        sections.append(f"{heading}\n\n{_summary(model)}\n\n" + "\n".join(rows))
    return sections


def _summary(model: type[BaseModel]) -> str:
    return " ".join((model.__doc__ or "").split())


def _row(field: str, info: FieldInfo, model: type[BaseModel], kinds: dict[str, str]) -> str:
    unit = split_field(field) if issubclass(model, Described) else None
    name = f"`{field}`" + (f" <sup>{kinds[unit[1]]}</sup>" if unit and kinds.get(unit[1]) else "")
    cells = (name, _value(info, part_of(model, field)), _default(info), _meaning(info),
             _example(field, info, model))
    return "| " + " | ".join(cell.replace("|", "\\|").replace("\n", " ") for cell in cells) + " |"


def _meaning(info: FieldInfo) -> str:
    """Return the meaning in words; a key that is not there is left out, whatever the program calls that."""
    said = (info.description or "").strip()
    return re.sub(r"(?<=[.;:] )None\b|^None\b", lambda found: "Left out" if not found.start() else "left out", said)


def _example(field: str, info: FieldInfo, model: type[BaseModel]) -> str:
    """Return a line as it would stand in the file; a table of its own has its examples below."""
    if part_of(model, field) is not None:
        return "tables below"
    written = example_of(model.__name__, field)
    if not written:
        words, default = _words(info.annotation), info.get_default(call_default_factory=True, validated_data={})
        if words:
            other = next((word for word in words if word not in (str(default), '""')), words[-1])
            written = other if other.isdigit() else f'"{other}"'
        elif isinstance(default, bool):
            written = str(not default).lower()
        elif isinstance(default, (int, float)):
            written = f"{default:g}"
        elif isinstance(default, str) and default:
            written = f'"{default}"'
    return f"`{field} = {written}`" if written else ""


def _value(info: FieldInfo, part: type[BaseModel] | None) -> str:
    words = _words(info.annotation)
    if words:
        return ", ".join(f"`{word}`" for word in words)
    if part is not None:
        shape = str(info.annotation)
        return "tables" if shape.startswith("list[") else "table of tables" if shape.startswith("dict[") else "table"
    text = str(info.annotation)
    name = next((word for key, word in (("dict[", "table"), ("list[", "list"), ("bool", "true or false"),
                                        ("float", "number"), ("int", "whole number"), ("date", "date"))
                 if key in text), "text")
    bounds = [_bound(item) for item in info.metadata]
    return " ".join([name, *(bound for bound in bounds if bound)])


def _words(annotation: Any) -> list[str]:
    if get_origin(annotation) is Literal:
        return [str(word) if word != "" else '""' for word in get_args(annotation)]
    if get_origin(annotation) in (list, dict):
        return []
    return [word for inner in get_args(annotation) for word in _words(inner)]


def _bound(item: Any) -> str:
    for kind, name, word in ((Gt, "gt", "above"), (Ge, "ge", "from"), (Lt, "lt", "below"), (Le, "le", "to")):
        if isinstance(item, kind):
            return f"{word} {getattr(item, name):g}"
    if isinstance(item, MinLen):
        return f"(at least {item.min_length})"
    return f"(at most {item.max_length})" if isinstance(item, MaxLen) else ""


def _default(info: FieldInfo) -> str:
    if info.is_required():
        return "needed"
    default = info.get_default(call_default_factory=True, validated_data={})
    if default is None or default is PydanticUndefined or default in ("", [], {}) or isinstance(default, BaseModel):
        return ""
    return f"`{str(default).lower()}`" if isinstance(default, bool) else f"`{default}`"


def _unit_kinds() -> dict[str, str]:
    """Give every unit ending the letter of the kind of quantity it measures, where there is more than one unit."""
    kinds: dict[str, str] = {}
    letters = iter("abcdefghijklmnopqrstuvwxyz")
    for suffix in _canonical_suffixes():
        if suffix not in kinds and len(units_for(f"x_{suffix}")) > 0:
            letter = next(letters)
            for other in UNIT_OF_SUFFIX:
                if other not in kinds and same_dimension(other, suffix):
                    kinds[other] = letter
    return kinds


def _canonical_suffixes() -> list[str]:
    found: list[str] = []
    todo: list[type[BaseModel]] = [Site]
    seen: set[str] = set()
    while todo:
        model = todo.pop(0)
        if model.__name__ in seen:
            continue
        seen.add(model.__name__)
        for field in model.model_fields:
            unit = split_field(field)
            if unit and unit[1] not in found:
                found.append(unit[1])
            part = part_of(model, field)
            if part is not None:
                todo.append(part)
    return found


def _units(kinds: dict[str, str]) -> str:
    rows = ["| letter | endings | for instance |", "|---|---|---|"]
    for letter in sorted(set(kinds.values())):
        endings = [suffix for suffix in UNIT_OF_SUFFIX if kinds.get(suffix) == letter]
        shown = UNIT_OF_SUFFIX[endings[0]]
        rows.append(f"| {letter} | {', '.join(f'`_{suffix}`' for suffix in endings)} | `_{endings[0]}` is {shown} |")
    return "## Units\n\nAny ending of one row may stand for any other of the same row.\n\n" + "\n".join(rows)


def _thresholds() -> str:
    rows = ["| threshold | the program's own value |", "|---|---|"]
    bounded = {name: model for model in bounded_groups() for name in model.model_fields}
    rows += [f"| `{name}` | {value:g} |" for name, value in known_thresholds().items() if name not in bounded]
    rows += ["", "Of the masks that say which readings are not to be trusted, and of what a logger file may cost:", "",
             "| threshold | the program's own value; range | reason |", "|---|---|---|"]
    for name, model in bounded.items():
        item = model.model_fields[name]
        low, high = (next((getattr(rule, side) for rule in item.metadata if hasattr(rule, side)), None)
                     for side in ("ge", "le"))
        rows.append(f"| `{name}` | {item.default:g}; {low:g} to {high:g} | {item.description} |")
    return ("### Thresholds that `[thresholds]` may change\n\nEach change is written `name = {value = ..., why = "
            '"..."}`; the reason is printed with the results.\n\n' + "\n".join(rows))


def _service_log() -> str:
    rows = ["| action | meaning | meant for | starts a new epoch | note |", "|---|---|---|---|---|"]
    for action in SERVICE_ACTIONS.values():
        causes = ", ".join(f"`{cause}`" for cause in action.meant_for) or "nothing in particular"
        rows.append(f"| `{action.code}` | {action.label} | {causes} | {'yes' if action.starts_epoch else 'no'} | "
                    f"{action.note or '–'} |")
    return ("## service-log.csv\n\nColumns `site_id,when,by,action,meant_for,says`, separated by commas. `when` is the "
            "site's local time, 2026-03-31 14:30. A new epoch means that the healthy state of the site is learned anew "
            "from that hour.\n\n" + "\n".join(rows))


def _channels() -> str:
    rows = ["| channel | meaning | plausible range | over an interval |", "|---|---|---|---|"]
    for quantity in CHANNELS.values():
        rows.append(f"| `{quantity.name}` | {quantity.label}. {quantity.meaning} | {quantity.low:g} to "
                    f"{quantity.high:g} | {quantity.interval_value} |")
    return ("## Channels\n\nWhat a logger profile or a site's `columns` can name. The ending is the unit inside the "
            "program; a profile says in which unit the file is written.\n\n" + "\n".join(rows))
