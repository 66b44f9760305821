"""
Published values for the tests, each file with its source in it; nothing without a confirmed value is handed out.

JSON files hold cases with `inputs`, `expected` and tolerances; CSV files carry the same head as `# key: value` lines.
A file or case that is marked unconfirmed is refused here, so that no test can rest on it by mistake.
"""

import io
import json
from pathlib import Path
from typing import Any

import pandas as pd

DATA = Path(__file__).parent / "data"


def cases(name: str, containing: str = "") -> list[Any]:
    """Return the confirmed cases of one JSON file whose name holds a text; raise where none is left."""
    document = json.loads((DATA / name).read_text(encoding="utf-8"))
    chosen = [case for case in document["cases"]
              if containing in case["name"] and case.get("test_ready", document["test_ready"])
              and "unconfirmed" not in case.get("status", document["status"])]
    if not chosen:
        raise LookupError(f"{name} has no confirmed case named like '{containing}'.")
    return chosen


def case(name: str, containing: str) -> dict[str, Any]:
    """Return the one confirmed case whose name holds a text."""
    chosen = cases(name, containing)
    if len(chosen) != 1:
        raise LookupError(f"{name}: {len(chosen)} cases are named like '{containing}', one was meant.")
    return dict(chosen[0])


def named(case: dict[str, Any]) -> str:
    """Return a case's name as test id."""
    return str(case["name"])


def table(name: str) -> pd.DataFrame:
    """Return the rows of one CSV file that is marked ready for tests."""
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    head = dict(line[2:].split(": ", 1) for line in lines if line.startswith("# ") and ": " in line)
    if head["test_ready"] != "true":
        raise LookupError(f"{name} is not marked ready for tests.")
    return pd.read_csv(io.StringIO("\n".join(line for line in lines if not line.startswith("#"))))


def rows(name: str) -> list[Any]:
    """Return the rows of `table` as named tuples, for parametrized tests."""
    return list(table(name).itertuples(index=False))
