"""Schemas and reference: kept as made from the descriptions, and they judge files as the program does."""

import json
import re
import tomllib
from pathlib import Path
from typing import Annotated

import pytest
from pydantic import TypeAdapter

import pipelines
from diagnostics.service_actions import SERVICE_ACTIONS
from diagnostics.site import Drive, Module, Pump, Site
from pipelines.field_examples import EXAMPLES
from pipelines.fleet import write_starter_fleet
from pipelines.fleet.company import Company
from pipelines.ingest.profile import LoggerProfile
from pipelines.schema import _models_in, schema_text, schemas, write_schemas
from pipelines.site_reference import FILE_NAME, reference_text, write_reference
from pipelines.stages.asking import to_json
from tests.pipelines.test_fleet import EQUIPMENT, FLEET, PROFILE, SITE

KEPT = Path(str(pipelines.__file__)).parent / "schemas"
RENEW = "run `python -m pipelines.schema pipelines/schemas` and commit what it wrote."


@pytest.mark.parametrize("name", schemas())
def test_the_kept_schemas_are_those_of_the_descriptions(name):
    assert (KEPT / name).read_text(encoding="utf-8") == schema_text(schemas()[name]), RENEW


def test_the_kept_reference_is_that_of_the_descriptions():
    assert (KEPT / FILE_NAME).read_text(encoding="utf-8") == reference_text(), RENEW


def test_nothing_else_is_kept_beside_them(tmp_path):
    write_schemas(tmp_path)
    write_reference(tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == {path.name for path in KEPT.iterdir()}


def as_json(text: str):
    return json.loads(json.dumps(tomllib.loads(text), default=str))


def validator(name: str):
    jsonschema = pytest.importorskip("jsonschema", reason="comes with the extra 'service'")
    schema = schemas()[name]
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def messages(name: str, text: str) -> str:
    return "\n".join(error.message for error in validator(name).iter_errors(as_json(text)))


@pytest.mark.parametrize(("name", "text"), [
    ("site.schema.json", SITE), ("equipment.schema.json", EQUIPMENT), ("fleet.schema.json", FLEET),
    ("logger-profile.schema.json", PROFILE),
    ("site.schema.json", SITE.replace('pump = "c14"', 'pump = {key = "c14", motor = {rated_efficiency = 0.7}}')),
    ("site.schema.json", SITE.replace("tilt_deg = 10", "tilt_rad = 0.17")),
])
def test_a_sound_file_passes_its_schema(name, text):
    assert messages(name, text) == ""


@pytest.mark.parametrize(("name", "old", "new"), [
    ("site.schema.json", "tilt_deg = 10", "tilt_deg = 100"),
    ("site.schema.json", "tilt_deg = 10", "tilt_rad = 2.0"),
    ("site.schema.json", "tilt_deg = 10", "tilt_deg = 10\ntilt_rad = 0.17"),
    ("site.schema.json", "tilt_deg = 10\n", ""),
    ("site.schema.json", "tilt_deg = 10", "tilt_pct = 10"),
    ("site.schema.json", "static_water_level_ft = 100", "static_water_levl_ft = 100"),
    ("site.schema.json", 'name = "Well one"\n', ""),
    ("equipment.schema.json", "vmp_v = 37.6", "vmp_v = true"),
    ("equipment.schema.json", 'kind = "frequency"', 'kind = "fast"'),
    ("equipment.schema.json", "flow_l_s = 0.6, ", ""),
    ("fleet.schema.json", 'units = "metric"', 'units = "nautical"'),
    ("logger-profile.schema.json", 'zone = "site"\n', ""),
])
def test_a_file_that_the_program_refuses_fails_its_schema(name, old, new):
    text = {"site.schema.json": SITE, "equipment.schema.json": EQUIPMENT, "fleet.schema.json": FLEET,
            "logger-profile.schema.json": PROFILE}[name]
    assert old in text
    assert messages(name, text.replace(old, new))


def test_the_starter_fleet_passes_the_schemas(tmp_path):
    folder = tmp_path / "fleet"
    write_starter_fleet(folder)
    for name, pattern in {"site.schema.json": "sites/*.toml", "equipment.schema.json": "equipment/*.toml",
                          "logger-profile.schema.json": "loggers/*.toml", "fleet.schema.json": "fleet.toml"}.items():
        paths = list(folder.glob(pattern))
        assert paths
        for path in paths:
            assert messages(name, path.read_text(encoding="utf-8")) == "", path


# 1 ft = 0.3048 m, exact: a depth of at most 500 m is one of at most 1640.42 ft.
def test_bounds_are_converted_with_their_unit():
    well = schemas()["site.schema.json"]["$defs"]["Well"]["properties"]
    assert well["static_water_level_m"]["maximum"] == 500
    assert well["static_water_level_ft"]["maximum"] == pytest.approx(500 / 0.3048, rel=1e-5)
    assert well["water_temperature_f"]["exclusiveMaximum"] == pytest.approx(140)


def test_the_reference_names_every_action_and_every_key_has_a_meaning():
    text = reference_text()
    assert all(f"| `{code}` |" in text for code in SERVICE_ACTIONS)
    site = text.split("## loggers/")[0].split("## sites/")[1]
    empty = [line for line in site.splitlines() if line.startswith("| `") and line.rstrip().endswith("|  |")]
    assert empty == []


def test_every_key_has_a_meaning_and_an_example():
    rows = [line for line in reference_text().split("## service-log.csv")[0].splitlines()
            if line.startswith("| `") and line.count(" | ") >= 4]
    assert len(rows) > 200
    for row in rows:
        cells = [cell.strip() for cell in re.split(r"(?<!\\)\|", row)[1:-1]]
        key, _, _, meaning, example = cells
        assert len(meaning) > 3, row
        assert not re.search(r"docstring|TIME_PARTS|\bNone\b|:class:|:func:", meaning), row
        assert example == "tables below" or example.startswith(f"`{key.split('`')[1]} = "), (
            f"add an example to pipelines/field_examples.py for: {row}")


def test_every_example_is_of_a_key_there_is_and_lies_in_its_range():
    known = {name: model for root in (Site, Module, Pump, Drive, LoggerProfile, Company)
             for name, model in _models_in(root).items()}
    for name, keys in EXAMPLES.items():
        for key, written in keys.items():
            field = known[name].model_fields[key]
            value = tomllib.loads(f"value = {written}")["value"]
            kind = Annotated[(field.annotation, *field.metadata)] if field.metadata else field.annotation
            TypeAdapter(kind).validate_python(value)


def test_answers_are_as_their_schemas_say():
    from tests.dashboards import sample

    findings = [finding for view in sample.sample_fleet().sites for finding in view.diagnosis.findings]
    assert len(findings) > 3
    assert list(validator("findings.schema.json").iter_errors(json.loads(to_json(findings)))) == []
    unknown = findings[0].model_copy(update={"water_lost_m3_day": float("nan")})
    assert list(validator("findings.schema.json").iter_errors(json.loads(to_json([unknown])))) == []
    wrong = [*json.loads(to_json(findings)), {"site_id": "x"}]
    assert list(validator("findings.schema.json").iter_errors(wrong))


def test_every_key_of_a_finding_has_a_meaning():
    for name, schema in (("Finding", schemas()["findings.schema.json"]["items"]),
                         ("CauseEntry", schemas()["causes.schema.json"]["items"]),
                         ("ClaimJudgement", schemas()["claim.schema.json"])):
        for key, prop in schema["properties"].items():
            assert prop.get("description") or "$ref" in prop, (name, key)
