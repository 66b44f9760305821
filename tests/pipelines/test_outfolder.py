"""The out folder belongs to one fleet, and a file in it is whole or not there."""

import pytest

from pipelines.errors import OutFolderError
from pipelines.stages.outfolder import OutFolder, write_bytes, write_text


def test_by_default_results_lie_beside_the_fleet_folder(tmp_path):
    fleet = tmp_path / "fleet"
    fleet.mkdir()
    assert OutFolder.of(fleet).root == (tmp_path / "liftledger-out").resolve()


def test_a_second_fleet_is_refused_and_the_mend_named(tmp_path):
    for name in ("north", "south"):
        (tmp_path / name).mkdir()
    out = OutFolder.of(tmp_path / "north", tmp_path / "out")
    out.claim(tmp_path / "north")
    out.claim(tmp_path / "north")
    with pytest.raises(OutFolderError, match="--out"):
        out.claim(tmp_path / "south")


def test_fleet_and_results_may_be_moved_together(tmp_path):
    before, after = tmp_path / "before", tmp_path / "after"
    (before / "fleet").mkdir(parents=True)
    OutFolder.of(before / "fleet").claim(before / "fleet")
    before.rename(after)
    OutFolder.of(after / "fleet").claim(after / "fleet")


def test_a_file_in_the_way_is_refused(tmp_path):
    (tmp_path / "out").write_text("not a folder")
    with pytest.raises(OutFolderError, match="is a file"):
        OutFolder.of(tmp_path, tmp_path / "out").claim(tmp_path)


def test_a_file_that_says_the_same_is_left_alone(tmp_path):
    page = tmp_path / "deep" / "page.html"
    write_text(page, "water\n")
    stamp = page.stat().st_mtime_ns
    write_text(page, "water\n")
    assert page.stat().st_mtime_ns == stamp
    write_bytes(page, b"wind \n")
    assert page.read_bytes() == b"wind \n"
    assert [path.name for path in page.parent.iterdir()] == ["page.html"]


def test_a_write_that_fails_leaves_the_old_file(tmp_path, monkeypatch):
    from pathlib import Path

    page = tmp_path / "page.html"
    write_text(page, "old")

    def full_disk(self, _target):
        raise OSError(28, "No space left on device", str(self))

    monkeypatch.setattr(Path, "replace", full_disk)
    with pytest.raises(OSError, match="No space"):
        write_text(page, "new")
    assert page.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["page.html"]
