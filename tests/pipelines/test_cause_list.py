"""What a finding can name, for other programs: all of the catalogue, as its schema says; refused if unknown."""

import json

import pytest

from diagnostics.causes import CAUSES, CAUTIONS
from diagnostics.quantities import CHANNELS
from diagnostics.units import UNIT_OF_SUFFIX
from pipelines.cause_list import cause_list
from pipelines.cli import main
from pipelines.errors import RequestError
from pipelines.schema import schemas


def _said(capsys, *words):
    with pytest.raises(SystemExit) as left:
        main(["causes", *words])
    assert not left.value.code
    return capsys.readouterr().out


def test_every_cause_is_listed_once_with_what_a_program_must_know():
    listed = cause_list()
    assert [one.code for one in listed] == list(CAUSES)
    for one in listed:
        assert one.label and one.size_means and one.field_test and one.shapes and one.families, one.code
        assert one.size_unit in {"1", "K", *UNIT_OF_SUFFIX}, one.code
        assert set(one.look_alikes) <= set(CAUSES) - {one.code}, one.code
        assert {channel for need in one.needs for channel in need} <= set(CHANNELS), one.code
        assert all(one.dangers[code] == CAUTIONS[code] for code in one.dangers), one.code


def test_it_is_printed_as_its_schema_says(capsys):
    jsonschema = pytest.importorskip("jsonschema", reason="comes with the extra 'service'")
    judge = jsonschema.Draft202012Validator(schemas()["causes.schema.json"])
    told = json.loads(_said(capsys, "--json"))
    assert list(judge.iter_errors(told)) == [] and len(told) == len(CAUSES)
    assert list(judge.iter_errors([{key: value for key, value in told[0].items() if key != "field_test"}]))


def test_the_table_names_what_was_asked_for(capsys):
    text = _said(capsys, "string_open", "soiled_array")
    assert "string_open" in text and "soiled_array" in text and "low_water_cutout" not in text


def test_an_unknown_code_is_refused_with_the_nearest():
    with pytest.raises(RequestError, match="string_open"):
        cause_list(["strings_open"])
