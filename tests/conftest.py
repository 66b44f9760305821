"""What tests of several rooms share: a small fleet folder cut out of the demo, and the whole job done on it once."""

import shutil
from pathlib import Path

import pytest
from hypothesis import settings

# The same cases on every run, so that a red run means a change; `--hypothesis-profile=default` draws fresh ones.
settings.register_profile("steady", derandomize=True, deadline=None, database=None)
settings.load_profile("steady")

SAMPLE = Path(__file__).resolve().parents[1] / "sample-logs" / "fleet"
SMALL = ("draw-camp", "tule-house", "windy-point")          # a string opens; sound; falls silent


@pytest.fixture(scope="session")
def small_fleet(tmp_path_factory):
    """Return a fleet folder with three sites of the demo. Tests that write to it copy it first."""
    folder = tmp_path_factory.mktemp("small") / "fleet"
    shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns("logs", "sites", "service-log.csv"))
    for site_id in SMALL:
        (folder / "sites").mkdir(exist_ok=True)
        shutil.copy(SAMPLE / "sites" / f"{site_id}.toml", folder / "sites")
        shutil.copytree(SAMPLE / "logs" / site_id, folder / "logs" / site_id)
    lines = (SAMPLE / "service-log.csv").read_text(encoding="utf-8").splitlines()
    kept = lines[:1] + [line for line in lines[1:] if line.startswith(SMALL)]
    (folder / "service-log.csv").write_text("\n".join(kept) + "\n", encoding="utf-8")
    return folder


@pytest.fixture(scope="session")
def small_run(small_fleet, tmp_path_factory):
    """Return the out folder of the whole job on the small fleet; tests only read it."""
    from pipelines.cli import main

    out = tmp_path_factory.mktemp("small-run") / "out"
    try:
        main(["run", str(small_fleet), "--out", str(out), "--workers", "1"])
    except SystemExit as left:
        assert not left.code, "the whole job failed"
    return out
