"""The folder a newcomer begins with: it loads without errors and what its remarks offer works too."""

import re

import pytest

from pipelines.errors import DescriptionError
from pipelines.fleet import load_fleet, write_starter_fleet


@pytest.fixture
def folder(tmp_path):
    write_starter_fleet(tmp_path / "fleet")
    return tmp_path / "fleet"


def test_the_only_thing_it_lacks_are_logger_files(folder):
    fleet = load_fleet(folder)
    assert [problem.says for problem in fleet.problems] == ["no file matches logs/acacia-bend/*.csv."]
    assert set(fleet.sites) == {"acacia-bend"} and set(fleet.profiles) == {"plain-csv"}
    (folder / "logs/acacia-bend/march.csv").write_text("time,irradiance,flow,volts,amps\n", encoding="utf-8")
    assert load_fleet(folder).problems == []


def test_everything_its_remarks_offer_works(folder):
    """Take the # away from every offered line, as the remarks say, and load again."""
    for path in (folder / "fleet.toml", folder / "sites/acacia-bend.toml", folder / "service-log.csv"):
        text = path.read_text(encoding="utf-8")
        offered = re.sub(r"(?m)^# (?=\[|[a-z_0-9]+ = |acacia-bend,)", "", text)
        assert offered != text
        if path.parent.name == "sites":
            offered = offered.replace('drive = "t1100"  ', '# drive = "t1100"  ')
        path.write_text(offered, encoding="utf-8")
    fleet = load_fleet(folder)
    assert [str(problem) for problem in fleet.problems if "no file matches" not in problem.says] == []
    site = fleet.sites["acacia-bend"]
    assert site.guarantee.daily_volume_m3 == 30 and site.drive.start_power_w == 180
    assert fleet.service_events[0].action == "washed_array"
    assert fleet.settings().silent_after_hours == 96 and fleet.company.depot.latitude_deg == -2.31


def test_a_folder_in_use_is_left_alone(folder):
    before = (folder / "fleet.toml").read_text(encoding="utf-8")
    (folder / "fleet.toml").write_text("mine", encoding="utf-8")
    with pytest.raises(DescriptionError, match="new or empty"):
        write_starter_fleet(folder)
    assert (folder / "fleet.toml").read_text(encoding="utf-8") == "mine" != before


def test_a_file_in_the_way_is_said(tmp_path):
    (tmp_path / "fleet").write_text("", encoding="utf-8")
    with pytest.raises(DescriptionError, match="stands there already"):
        write_starter_fleet(tmp_path / "fleet")
    with pytest.raises(DescriptionError, match="cannot be written"):
        write_starter_fleet(tmp_path / "fleet" / "below")
