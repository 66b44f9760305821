"""Whatever stands in a fleet folder, loading it never raises and every refusal is a problem with words."""

import os
import string
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from diagnostics.site import Site
from pipelines.fleet import load_fleet
from pipelines.fleet.checking import check
from pipelines.fleet.equipment import Equipment, read_equipment
from pipelines.fleet.service_log import read_service_log
from pipelines.fleet.toml_text import TomlFile, TomlUnreadableError, parse_toml
from tests.diagnostics.site.conftest import WRITTEN

QUIET = settings(deadline=None, database=None, max_examples=60,
                 suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])

WORDS = st.sampled_from([*Site.model_fields, "static_water_level_ft", "module", "key", "runs", "parts_absent", "kind"])
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.dates() | st.datetimes(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(WORDS | st.text(max_size=4), inner, max_size=3),
    max_leaves=6)


def places(written, path=()):
    """Return every key path of a description."""
    found = [path] if path else []
    if isinstance(written, dict):
        for key, value in written.items():
            found += places(value, (*path, key))
    elif isinstance(written, list):
        for number, value in enumerate(written):
            found += places(value, (*path, number))
    return found


PLACES = places(WRITTEN)


def with_garbage(written, path, value):
    copied = dict(written) if isinstance(written, dict) else list(written)
    copied[path[0]] = value if len(path) == 1 else with_garbage(copied[path[0]], path[1:], value)
    return copied


@QUIET
@given(path=st.sampled_from(PLACES), value=VALUES)
def test_garbage_anywhere_in_a_site_is_a_problem_or_a_site(path, value):
    content = with_garbage(WRITTEN, path, value)
    site, problems = check(Site, content, TomlFile("sites/x.toml", content))
    assert (site is None) == bool(problems)
    assert all(problem.says and problem.mend and problem.file == "sites/x.toml" for problem in problems)


@QUIET
@given(path=st.sampled_from(PLACES), key=WORDS | st.text(max_size=6), value=VALUES)
def test_a_strange_key_anywhere_is_a_problem_or_a_site(path, key, value):
    here = WRITTEN
    for step in path:
        here = here[step]
    if not isinstance(here, dict):
        return
    content = with_garbage(WRITTEN, path, {**here, key: value})
    site, problems = check(Site, content, TomlFile("sites/x.toml", content))
    assert (site is None) == bool(problems)


@QUIET
@given(value=VALUES)
def test_garbage_in_place_of_equipment_is_resolved_or_a_problem(value):
    file = TomlFile("sites/x.toml", {"pump": value})
    Equipment().resolve("pump", value, file, ("pump",))


@QUIET
@given(text=st.text(alphabet=string.printable + "µ°²", max_size=200))
def test_any_text_is_toml_or_is_refused_with_a_line(text):
    try:
        assert isinstance(parse_toml(text, "x.toml").content, dict)
    except TomlUnreadableError as error:
        assert error.line >= 0 and error.mend


@QUIET
@given(content=st.binary(max_size=300), name=st.sampled_from(
    ["fleet.toml", "sites/a.toml", "equipment/a.toml", "loggers/a.toml", "service-log.csv"]))
def test_any_bytes_in_any_file_of_the_folder_never_raise(tmp_path, content, name):
    path = tmp_path / name
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(content)
    fleet = load_fleet(tmp_path)
    path.unlink()
    assert all(str(problem) for problem in fleet.problems)


@QUIET
@given(rows=st.lists(st.text(alphabet="well-1,;\"'2026 :T+abcné#\t", max_size=60), max_size=6))
def test_any_rows_of_a_service_log_never_raise(tmp_path, rows):
    path = tmp_path / "service-log.csv"
    path.write_text("site_id,when,by,action,meant_for,says\n" + "\n".join(rows), encoding="utf-8")
    read_service_log(path, {"well-1": "Africa/Nairobi"})


def test_deep_nesting_is_refused_not_a_crash(tmp_path):
    (tmp_path / "fleet.toml").write_text("a = " + "[" * 5000 + "]" * 5000, encoding="utf-8")
    assert any(problem.file == "fleet.toml" and "not TOML" in problem.says for problem in load_fleet(tmp_path).problems)


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser reads every file")
def test_a_file_without_permission_is_a_problem(tmp_path: Path):
    path = tmp_path / "fleet.toml"
    path.write_text('name = "x"\n', encoding="utf-8")
    path.chmod(0)
    assert "cannot be read" in str(load_fleet(tmp_path).problems[0])


def test_a_folder_where_a_file_should_be_is_a_problem(tmp_path):
    (tmp_path / "equipment" / "pumps.toml").mkdir(parents=True)
    _, problems = read_equipment(tmp_path / "equipment")
    assert "cannot be read" in problems[0].says
