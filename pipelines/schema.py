"""
JSON Schema of everything people write in a fleet folder, so that an editor can complete keys and mark mistakes.

The schemas are made from the descriptions themselves. Every quantity appears under each of its unit endings, with its
bounds converted; that exactly one of them may stand is part of the schema too.
"""

import json
import re
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from diagnostics.site import Drive, Module, Pump, Site
from diagnostics.site.described import Described, split_field
from diagnostics.units import convert
from pipelines.answer_schema import answer_schemas
from pipelines.fleet.company import Company
from pipelines.fleet.problems import units_for
from pipelines.ingest.profile import LoggerProfile

_DIALECT = "https://json-schema.org/draft/2020-12/schema"
_BOUNDS = ("minimum", "maximum", "exclusiveMinimum", "exclusiveMaximum")
_KEYED = {"Module": "module", "Pump": "pump", "Drive": "drive"}


def schemas() -> dict[str, dict[str, Any]]:
    """Return file name -> schema for all files of a fleet folder, and for the answers that programs read."""
    return {
        "site.schema.json": _site_schema(),
        "equipment.schema.json": _equipment_schema(),
        "logger-profile.schema.json": _schema_of(LoggerProfile, "One kind of logger file: loggers/NAME.toml"),
        "fleet.schema.json": _schema_of(Company, "The company: fleet.toml"),
        **answer_schemas(),
    }


def write_schemas(folder: Path) -> list[Path]:
    """Write every schema into a folder and return the files."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name, schema in schemas().items():
        path = folder / name
        path.write_text(schema_text(schema), encoding="utf-8")
        written.append(path)
    return written


def schema_text(schema: dict[str, Any]) -> str:
    """Return a schema as it stands in its file."""
    text = json.dumps(schema, indent=1, ensure_ascii=False)
    # What is short stands on one line: a rule names up to thirty spellings of one key.
    text = re.sub(r'\[\s+("[^"]*"|-?[\d.]+)\s+\]', r"[\1]", text)
    text = re.sub(r'\{\s+("[^"]*": [^\s{}][^{}\n]*)\s+\}', r"{\1}", text)
    return re.sub(r',\n\s+\{"required"', ', {"required"', text) + "\n"


def _schema_of(model: type[BaseModel], title: str) -> dict[str, Any]:
    schema = model.model_json_schema(mode="validation")
    for name, part in _models_in(model).items():
        table = schema if part is model else schema.get("$defs", {}).get(name)
        if table is not None:
            _tidy(table)
            if issubclass(part, Described):
                _add_units(table, part)
    return {"$schema": _DIALECT, "title": title, **{key: value for key, value in schema.items() if key != "title"}}


def _models_in(model: type[BaseModel]) -> dict[str, type[BaseModel]]:
    from diagnostics.site.described import part_of

    found: dict[str, type[BaseModel]] = {}
    todo = [model]
    while todo:
        here = todo.pop()
        if here.__name__ not in found:
            found[here.__name__] = here
            todo += [part for part in (part_of(here, field) for field in here.model_fields) if part is not None]
    return found


def _tidy(table: dict[str, Any]) -> None:
    """Take out what only a program needs: titles of keys, null for keys that are simply left out."""
    table.pop("title", None)
    for prop in table.get("properties", {}).values():
        prop.pop("title", None)
        kinds = [kind for kind in prop.get("anyOf", []) if kind != {"type": "null"}]
        if "anyOf" in prop and len(kinds) == 1:
            del prop["anyOf"]
            prop.update(kinds[0])
        if "default" in prop and prop["default"] is None:
            del prop["default"]


def _add_units(table: dict[str, Any], model: type[Described]) -> None:
    properties, required = table.get("properties", {}), table.get("required", [])
    rules: list[dict[str, Any]] = []
    for field in list(properties):
        ways = units_for(field)
        if not ways:
            continue
        for way in ways:
            properties[way] = _in_unit(properties[field], field, way)
        one_of_them = [{"required": [key]} for key in (field, *ways)]
        if field in required:
            required.remove(field)
            rules.append({"oneOf": one_of_them})
        else:
            rules.append({"oneOf": [*one_of_them, {"not": {"anyOf": one_of_them}}]})
    if rules:
        table["allOf"] = rules
    if not required:
        table.pop("required", None)


def _in_unit(prop: dict[str, Any], field: str, way: str) -> dict[str, Any]:
    suffixes = split_field(field), split_field(way)
    if suffixes[0] is None or suffixes[1] is None:
        raise ValueError(f"{field} and {way} carry no unit.")
    from_suffix, to_suffix = suffixes[0][1], suffixes[1][1]
    written: dict[str, Any] = {}
    for key, value in prop.items():
        if key in _BOUNDS:
            written[key] = float(f"{float(convert(value, from_suffix, to_suffix)):.6g}")
        elif key in ("items", "additionalProperties") and isinstance(value, dict):
            written[key] = _in_unit(value, field, way)
        elif key == "description":
            written[key] = f"{value.rstrip('.')} (instead of {field})."
        elif key != "default":
            written[key] = value
    return written


def _site_schema() -> dict[str, Any]:
    schema = _schema_of(Site, "One site: sites/ID.toml")
    # A site names its equipment by key; a table beside the key overrides what the equipment file says.
    for name in (*_KEYED, "Motor", "Ejector"):
        table = schema["$defs"][name]
        table.pop("required", None)
        table["allOf"] = [rule if len(rule["oneOf"]) and "not" in rule["oneOf"][-1] else
                          {"oneOf": [*rule["oneOf"], {"not": {"anyOf": rule["oneOf"]}}]} for rule in table["allOf"]]
    for name, kind in _KEYED.items():
        schema["$defs"][f"{name}Key"] = {"type": "string", "description": f"Key of a {kind} in equipment/."}
    _or_key(schema["properties"]["pump"], "Pump")
    _or_key(schema["properties"]["drive"], "Drive")
    _or_key(schema["$defs"]["Array"]["properties"]["module"], "Module")
    # The file's name gives the id, fleet.toml the time zone; a part named in parts_absent is left out.
    left_out = {"id", "timezone", "drive", "pump", "well", "pipework"}
    schema["required"] = [key for key in schema["required"] if key not in left_out]
    return schema


def _or_key(prop: dict[str, Any], name: str) -> None:
    prop.pop("$ref", None)
    prop["anyOf"] = [{"$ref": f"#/$defs/{name}Key"}, {"$ref": f"#/$defs/{name}"}]


def _equipment_schema() -> dict[str, Any]:
    definitions: dict[str, Any] = {}
    properties: dict[str, Any] = {}
    for model, kind in ((Module, "module"), (Pump, "pump"), (Drive, "drive")):
        schema = _schema_of(model, kind)
        definitions |= schema.pop("$defs", {})
        definitions[model.__name__] = {key: value for key, value in schema.items() if key not in ("$schema", "title")}
        properties[kind] = {"type": "array", "items": {"$ref": f"#/$defs/{model.__name__}"}}
    return {"$schema": _DIALECT, "title": "Modules, pumps and drives: equipment/*.toml", "type": "object",
            "properties": properties, "additionalProperties": False, "$defs": definitions}


if __name__ == "__main__":
    import sys

    from pipelines.site_reference import write_reference

    for made in [*write_schemas(Path(sys.argv[1])), write_reference(Path(sys.argv[1]))]:
        sys.stdout.write(f"{made}\n")
