"""The verbs that ask what a site could prove and what sites say of each other, on the small fleet of the demo."""

import json

import pytest

from pipelines.cli import main
from pipelines.errors import RequestError
from pipelines.stages.loading import load
from pipelines.stages.outfolder import OutFolder
from pipelines.stages.proving import kept_answer, provable_of


def _said(capsys, *words):
    with pytest.raises(SystemExit) as left:
        main(list(words))
    assert not left.value.code
    return capsys.readouterr().out


def test_findings_with_context_is_one_object_with_the_same_findings(small_fleet, small_run, capsys):
    plain = json.loads(_said(capsys, "findings", str(small_fleet), "--out", str(small_run), "--json"))
    wide = json.loads(_said(capsys, "findings", str(small_fleet), "--out", str(small_run), "--json", "--context"))
    assert wide["findings"] == plain
    assert wide["events"] == []         # one string open, one sound, one silent: nothing in common
    installers = {one["name"]: one for one in wide["rates"] if one["part"] == "installer"}
    assert sum(one["sites"] for one in installers.values()) == 3
    assert all(one["low"] <= one["rate"] <= one["high"] for one in wide["rates"])


def test_findings_with_context_is_told_in_words(small_fleet, small_run, capsys):
    text = _said(capsys, "findings", str(small_fleet), "--out", str(small_run), "--context")
    assert "No event of several sites." in text and "Too short to say" in text


def test_what_a_site_could_prove_is_kept_for_its_page(small_fleet, small_run, tmp_path, monkeypatch):
    fleet, out = load(small_fleet), OutFolder.of(small_fleet, small_run)
    monkeypatch.setattr("diagnostics.detectability.answer.ASKED", ("soiled_array",))
    written = {}
    monkeypatch.setattr("pipelines.stages.proving.write_text",
                        lambda path, text: written.update({path.name: text}))   # the shared run is only read
    answer = provable_of(fleet, out, "tule-house", sensors=False)
    rows = {row.cause: row for row in answer.causes if row.days == 30}
    assert rows["soiled_array"].named is not None
    folder = tmp_path / "provable"
    folder.mkdir()
    (folder / "tule-house.json").write_text(written["tule-house.json"], encoding="utf-8")
    assert kept_answer(OutFolder.of(small_fleet, tmp_path), "tule-house") == answer
    (folder / "tule-house.json").write_text("{}", encoding="utf-8")
    assert kept_answer(OutFolder.of(small_fleet, tmp_path), "tule-house") is None


def test_a_site_without_readings_is_refused_in_words(small_fleet, small_run):
    with pytest.raises(RequestError, match="no site 'tule-hous'"):
        provable_of(load(small_fleet), OutFolder.of(small_fleet, small_run), "tule-hous")
