"""The scheduled flows: the same stages, one failing site or chunk never stops the others, logs stay clean."""

import json
import shutil

import pytest

pytestmark = pytest.mark.slow
pytest.importorskip("prefect")


@pytest.fixture(scope="module")
def night(small_fleet, small_run, tmp_path_factory):
    """Return fleet and out folder after one night that was judged at the demo's end."""
    from pipelines.flows.nightly import nightly
    from pipelines.stages.loading import load, open_ledger
    from pipelines.stages.moments import judged_at
    from pipelines.stages.outfolder import OutFolder

    with open_ledger(OutFolder(small_run), read_only=True) as ledger:
        newest = judged_at(None, load(small_fleet), ledger).isoformat()
    place = tmp_path_factory.mktemp("night")
    fleet, out = shutil.copytree(small_fleet, place / "fleet"), shutil.copytree(small_run, place / "out")
    (out / "made-from.txt").unlink()
    told = nightly(str(fleet), str(out), as_of=newest, chunk_size=2, workers=1)
    return fleet, out, told


def test_a_night_works_out_every_site_and_lists_what_cannot_wait(night):
    _, out, told = night
    assert told["sites"] == 3
    assert told["failed"] == []
    alerts = json.loads((out / "alerts.json").read_text(encoding="utf-8"))
    assert told["alerts"] == len(alerts["findings"])
    assert {one["urgency"] for one in alerts["findings"]} <= {"now", "two_days"}
    assert (out / "pages" / "index.html").is_file()


def test_the_flow_gives_what_the_command_line_gives(night, small_run):
    _, out, _ = night
    for site_id in ("draw-camp", "tule-house", "windy-point"):
        page = f"pages/sites/{site_id}.html"
        assert (out / page).read_bytes() == (small_run / page).read_bytes()


def test_letters_of_a_month(night):
    from pipelines.flows.monthly import monthly

    fleet, out, _ = night
    assert monthly(str(fleet), str(out), month="2026-06", as_of="2026-08-19") == 3
    assert (out / "outbox" / "2026-06_tule-house.eml").is_file()


def test_a_chunk_that_fails_whole_stops_neither_the_others_nor_the_pages(night, monkeypatch, tmp_path):
    from pipelines.flows import nightly as nightly_module
    from pipelines.stages import diagnosing

    fleet, out, _ = night
    fleet, out = shutil.copytree(fleet, tmp_path / "fleet"), shutil.copytree(out, tmp_path / "out")
    (out / "made-from.txt").unlink()
    (out / "pages" / "index.html").unlink()
    done = []

    def trips(_fleet, _ledger, *, site_ids, **_more):
        if "draw-camp" in site_ids:
            raise ArithmeticError("a chunk nobody foresaw")
        done.extend(site_ids)
        return diagnosing.DiagnoseReport(done=list(site_ids))

    monkeypatch.setattr(diagnosing, "diagnose", trips)
    with pytest.raises(RuntimeError, match="draw-camp"):
        nightly_module.nightly(str(fleet), str(out), as_of="2026-08-19", chunk_size=1, workers=1)
    assert done == ["tule-house", "windy-point"]
    assert (out / "pages" / "index.html").is_file()
