"""Reading a TOML file so that what is wrong in it can be pointed at: values, key paths and their lines."""

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from diagnostics.site.described import field_of, part_of

Loc = tuple[str | int, ...]

_KEY = r"""(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')"""
_DOTTED = rf"{_KEY}(?:\s*\.\s*{_KEY})*"
_ARRAY = re.compile(rf"^\s*\[\[\s*({_DOTTED})\s*\]\]")
_TABLE = re.compile(rf"^\s*\[\s*({_DOTTED})\s*\]")
_ASSIGN = re.compile(rf"^\s*({_DOTTED})\s*=")


class TomlUnreadableError(Exception):
    """A file that is no TOML. `line` is 0 where it is not known."""

    def __init__(self, says: str, mend: str, line: int = 0) -> None:
        super().__init__(says)
        self.says, self.mend, self.line = says, mend, line


@dataclass(frozen=True)
class TomlFile:
    """One file: its name below the fleet folder, what it holds, and the line each key stands on."""

    name: str
    content: dict[str, Any]
    lines: dict[Loc, int] = field(default_factory=dict)

    def value(self, loc: Loc) -> Any:
        """Return what stands at a key path, or None."""
        here: Any = self.content
        for step in loc:
            in_list = isinstance(here, list) and isinstance(step, int) and step < len(here)
            if not in_list and not (isinstance(here, Mapping) and step in here):
                return None
            here = here[step]
        return here

    def as_written(self, model: type[BaseModel], at: Loc, loc: Loc) -> Loc:
        """Turn the path of a field below the table at `at` into the path of the keys as they were written."""
        path, holder = at, model
        for step in loc:
            here = self.value(path)
            key: str | int = step
            if isinstance(step, str) and isinstance(here, Mapping) and step not in here:
                key = next((name for name in here if (field_of(holder, name) or ("",))[0] == step), step)
            path = (*path, key)
            if isinstance(step, str):
                holder = part_of(holder, step) or holder
        return path

    def line(self, loc: Loc) -> int:
        """Return the line of a key path or of the nearest table around it; 0 where there is none."""
        for length in range(len(loc), 0, -1):
            if loc[:length] in self.lines:
                return self.lines[loc[:length]]
        return 0

    def place(self, loc: Loc) -> str:
        """Return a key path and its line for people, items counted from 1: ``pipework.runs[2].bore_mm (line 41)``."""
        path = ""
        for step in loc:
            path += f"[{step + 1}]" if isinstance(step, int) else (f".{step}" if path else str(step))
        line = self.line(loc)
        return f"{path} (line {line})".strip() if line else path


def read_toml(path: Path, name: str) -> TomlFile:
    """Read one file; raise TomlUnreadableError with the line where it is no TOML."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object[:error.start].count(b"\n") + 1
        raise TomlUnreadableError("the file is not written in UTF-8.", "Save it again as UTF-8.", line) from error
    except OSError as error:
        raise TomlUnreadableError(f"the file cannot be read ({error.strerror}).", "Check its permissions.") from error
    return parse_toml(text, name)


def parse_toml(text: str, name: str) -> TomlFile:
    """Parse the text of one file; see `read_toml`."""
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        found = re.search(r"at line (\d+)", message)
        line = int(found.group(1)) if found else text.count("\n") + 1
        says = re.sub(r"\s*\(at .*\)$", "", message)
        raise TomlUnreadableError(f"this is not TOML: {says[:1].lower()}{says[1:]}.", _mend_for(text, line),
                                  line) from error
    except (ValueError, RecursionError) as error:
        raise TomlUnreadableError(f"this is not TOML: {str(error)[:80]}.", "Correct the value.") from error
    return TomlFile(name, content, _lines_of(text))


def _mend_for(text: str, line: int) -> str:
    lines = text.splitlines()
    wrong = lines[line - 1] if 0 < line <= len(lines) else ""
    if re.search(r"=\s*-?\d+,\d", wrong):
        return "Write a decimal point instead of the decimal comma."
    if re.search(r"=\s*-?\d[\d.]*\s*[A-Za-z%]", wrong):
        return "Write the number alone; the unit belongs into the key (depth_m = 40)."
    if re.search(r"=\s*[A-Za-z]", wrong):
        return "Put text in double quotes."
    if re.search(r"\\", wrong):
        return "Write paths with forward slashes, or put the text in single quotes."
    return "A line reads key = value; text stands in double quotes, tables begin with [name]."


def _split_key(dotted: str) -> list[str]:
    return [part.strip().strip("\"'") for part in re.findall(_KEY, dotted)]


def _lines_of(text: str) -> dict[Loc, int]:
    """Find the line of every key that begins a line. Keys inside inline tables are found by the table around them."""
    lines: dict[Loc, int] = {}
    counts: dict[Loc, int] = {}
    prefix: Loc = ()

    def resolve(parts: list[str]) -> Loc:
        path: Loc = ()
        for part in parts:
            path = (*path, part)
            if path in counts:
                path = (*path, counts[path])
        return path

    for number, line in enumerate(text.splitlines(), start=1):
        if match := _ARRAY.match(line):
            parts = _split_key(match.group(1))
            parent: Loc = (*resolve(parts[:-1]), parts[-1])
            counts[parent] = counts.get(parent, -1) + 1
            prefix = (*parent, counts[parent])
            lines.setdefault(parent, number)
            lines[prefix] = number
        elif match := _TABLE.match(line):
            prefix = resolve(_split_key(match.group(1)))
            lines.setdefault(prefix, number)
        elif match := _ASSIGN.match(line):
            path = prefix
            for part in _split_key(match.group(1)):
                path = (*path, part)
                lines.setdefault(path, number)
    return lines
