"""Equipment by key: modules, pumps and drives from equipment/*.toml, named by the sites that use them."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from diagnostics.site import Drive, Module, Pump
from diagnostics.site.described import Described
from pipelines.fleet.checking import canonical_table, check, merged
from pipelines.fleet.problems import Problem, nearest
from pipelines.fleet.toml_text import TomlFile, TomlUnreadableError, read_toml

KINDS: dict[str, type[Described]] = {"module": Module, "pump": Pump, "drive": Drive}

# A motor on the array without electronics is no piece of equipment, so no file need hold it.
_WITHOUT_SHEET: dict[str, dict[str, dict[str, Any]]] = {"drive": {"direct": {"key": "direct", "kind": "direct"}}}


@dataclass
class Equipment:
    """What the equipment files hold: written tables in canonical units, and which keys have errors, by file."""

    tables: dict[str, dict[str, dict[str, Any]]] = field(default_factory=lambda: {kind: {} for kind in KINDS})
    items: dict[str, dict[str, Described]] = field(default_factory=lambda: {kind: {} for kind in KINDS})
    files: dict[tuple[str, str], str] = field(default_factory=dict)
    broken: set[tuple[str, str]] = field(default_factory=set)

    def resolve(self, kind: str, written: Any, file: TomlFile, path: tuple[str, ...]) -> tuple[Any, list[Problem]]:
        """
        Replace a key by the equipment it names.

        `written` is the key, or a table with the key and the values that differ at this site, or a full description
        of something no equipment file holds.
        """
        if isinstance(written, str):
            key, over = written, {}
        elif isinstance(written, Mapping):
            key, over = written.get("key", ""), {name: value for name, value in written.items() if name != "key"}
        else:
            return written, []
        where = file.place(path)
        if isinstance(key, str) and (kind, key) in self.broken:
            return written, [Problem(file.name, where, f"{kind} '{key}' has errors in {self.files[kind, key]}.",
                                     "Mend them there.")]
        base = self.tables[kind].get(key) if isinstance(key, str) else None
        base = base or _WITHOUT_SHEET.get(kind, {}).get(key if isinstance(key, str) else "")
        if base is not None:
            model = KINDS[kind]
            return merged(model, base, canonical_table(model, over)), []
        if over:
            return written, []
        known = [*self.tables[kind], *_WITHOUT_SHEET.get(kind, {})]
        close = nearest(str(key), known)
        hint = f"Did you mean '{close}'?" if close else f"Add a [[{kind}]] table with this key to a file there."
        return None, [Problem(file.name, where, f"no file in equipment/ holds a {kind} with the key '{key}'.", hint)]


def read_equipment(folder: Path) -> tuple[Equipment, list[Problem]]:
    """Read every file of equipment/; items with errors are reported and marked as broken."""
    equipment = Equipment()
    problems: list[Problem] = []
    for path in sorted(folder.glob("*.toml")):
        try:
            file = read_toml(path, f"equipment/{path.name}")
        except TomlUnreadableError as error:
            problems.append(Problem(f"equipment/{path.name}", f"line {error.line}" if error.line else "", error.says,
                                    error.mend))
            continue
        problems += _take(file, equipment)
    return equipment, problems


def _take(file: TomlFile, equipment: Equipment) -> list[Problem]:
    problems = []
    for kind, written in file.content.items():
        if kind not in KINDS:
            close = nearest(kind, KINDS)
            mend = f"Did you mean [[{close}]]?" if close else "Equipment files hold [[module]], [[pump]], [[drive]]."
            problems.append(Problem(file.name, file.place((kind,)), f"'{kind}' is not a kind of equipment.", mend))
            continue
        for number, item in enumerate(written if isinstance(written, list) else [written]):
            at = (kind, number) if isinstance(written, list) else (kind,)
            if not isinstance(item, Mapping):
                problems.append(Problem(file.name, file.place((kind,)), f"'{kind}' is not a table.",
                                        f"Begin each item with [[{kind}]]."))
                continue
            problems += _take_item(kind, item, at, file, equipment)
    return problems


def _take_item(kind: str, item: Mapping[str, Any], at: tuple[str | int, ...], file: TomlFile,
               equipment: Equipment) -> list[Problem]:
    built, problems = check(KINDS[kind], item, file, at)
    key = item.get("key")
    if not isinstance(key, str) or not key:
        if "key" in KINDS[kind].model_fields and not any("'key'" in problem.says for problem in problems):
            problems.append(Problem(file.name, file.place(at), f"this {kind} has no key.",
                                    "Add key = \"...\", the name sites call it by."))
        return problems
    if (kind, key) in equipment.files:
        problems.append(Problem(file.name, file.place((*at, "key")), f"{kind} '{key}' is already in "
                                f"{equipment.files[kind, key]}.", "Give one of them another key."))
        return problems
    equipment.files[kind, key] = file.name
    if built is None:
        equipment.broken.add((kind, key))
    else:
        equipment.tables[kind][key] = canonical_table(KINDS[kind], item)
        equipment.items[kind][key] = built
    return problems
