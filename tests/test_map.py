"""The map in DEVELOPERS.md names what is there, and everything that is there stands on the map."""

import importlib
import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("diagnostics", "dashboards", "pipelines")


def _place(name: str) -> Path:
    """Return where a name of the map lies: the rooms may be installed elsewhere than the checkout."""
    room, _, rest = name.partition("/")
    if room not in ROOMS:
        return ROOT / name
    return Path(str(importlib.import_module(room).__file__)).parent / rest


def _mapped() -> set[str]:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    block = re.search(r"<!-- map -->\n(.*?)<!-- /map -->", text, flags=re.DOTALL)
    assert block, "DEVELOPERS.md has lost its map"
    return set(re.findall(r"^    ([a-z][\w/.-]*[\w/])(?=\s|$)", block[1], flags=re.MULTILINE))


def test_every_name_on_the_map_exists():
    missing = [name for name in sorted(_mapped()) if not _place(name).exists()]
    assert not missing, f"on the map but not in the tree: {missing}"


def test_every_module_of_the_first_two_levels_stands_on_the_map():
    mapped = {name.rstrip("/") for name in _mapped()}
    there = set()
    for room in ROOMS:
        for path in _place(room).iterdir():
            if path.name.startswith(("_", ".")):
                continue
            if path.is_dir() or path.suffix == ".py":
                there.add(f"{room}/{path.name}")
    missing = sorted(there - mapped)
    assert not missing, f"in the tree but not on the map of DEVELOPERS.md: {missing}"
