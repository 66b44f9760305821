"""A check of a fleet folder looks into the logs: what would come out wrong is told before anything is read in."""

import shutil
from pathlib import Path

import pytest

from pipelines.fleet import load_fleet, write_starter_fleet
from pipelines.fleet.reading_check import check_readings

DEMO = Path(__file__).resolve().parents[2] / "sample-logs" / "fleet"
HEADER = "time,irradiance,flow,volts,amps"


def lines(header=HEADER, cut=",", row="2026-03-01 {hour:02d}:{minute:02d}:00,{sun},{flow},200.5,4.2"):
    """Return a day of ten-minute rows, the night at zero."""
    rows = [row.format(hour=hour, minute=minute, sun=700.5 if 7 <= hour < 17 else 0,
                       flow=31.5 if 7 <= hour < 17 else 0) for hour in range(24) for minute in range(0, 60, 10)]
    return "\n".join([header, *rows]).replace(",", cut) + "\n"


@pytest.fixture
def checked(tmp_path):
    """Return what a check says of the starter fleet with one file and, if asked, a changed profile."""
    def check(text, old="", new=""):
        write_starter_fleet(tmp_path / "fleet")
        profile = tmp_path / "fleet" / "loggers" / "plain-csv.toml"
        written = profile.read_text(encoding="utf-8")
        assert old in written
        profile.write_text(written.replace(old, new), encoding="utf-8")
        (tmp_path / "fleet" / "logs" / "acacia-bend" / "march.csv").write_text(text, encoding="utf-8")
        fleet = load_fleet(tmp_path / "fleet")
        assert fleet.problems == []
        return check_readings(fleet)
    return check


def test_a_file_as_its_profile_says_gives_no_problem(checked):
    assert checked(lines()) == []


def test_a_column_under_another_name_is_told_with_those_that_nothing_reads(checked):
    problem, = checked(lines(HEADER.replace("flow", "discharge")))
    assert problem.severity == "error" and problem.file == "logs/acacia-bend/march.csv"
    assert "'flow' (flow_m3_s)" in problem.says and "'discharge'" in problem.mend


def test_another_delimiter_is_told(checked):
    problem, = checked(lines(cut=";"))
    assert problem.severity == "error" and "delimiter" in problem.mend


def test_a_missing_unit_is_told_by_values_that_cannot_be(checked):
    problem, = checked(lines(), old='unit = "l_min"', new='# unit = "l_min"')
    assert problem.severity == "error" and problem.where == 'column "flow"'
    assert "`unit` missing" in problem.mend and "m3_s" in problem.mend


def test_a_unit_in_the_header_that_is_not_the_one_read_is_told(checked):
    """0.3 m3/h is 0.3 m3/s to a range of what pumps deliver; the header alone gives it away."""
    text = lines(HEADER.replace("flow", "flow (m3/h)")).replace("31.5", "0.3")
    problem, = checked(text, old="[channels.flow]", new='[channels."flow (m3/h)"]')
    assert problem.severity == "warning" and "m3_h" in problem.says and "l_min" in problem.says


def test_a_decimal_comma_is_told(checked):
    text = lines(cut=";").replace(".", ",")
    problems = checked(text, old='delimiter = ","', new='delimiter = ";"')
    assert {problem.where.split("column ")[1] for problem in problems} >= {'"volts"', '"amps"'}
    assert all('decimal = ","' in problem.mend for problem in problems)


def test_stamps_that_cannot_be_read_are_told(checked):
    problem, = checked(lines().replace("2026-03-01", "01.03.2026"))
    assert problem.severity == "error" and "not one of the first rows" in problem.says and "[time]" in problem.mend


def test_a_binary_file_and_an_empty_one_are_told(checked, tmp_path):
    problem, = checked("")
    assert problem.severity == "warning" and "empty" in problem.says
    shutil.rmtree(tmp_path / "fleet")
    problem, = checked("\x01\x02\x03\x04" * 50)
    assert problem.severity == "error" and "binary" in problem.says


def test_the_demo_reads_as_its_profiles_say():
    assert check_readings(load_fleet(DEMO)) == []


def test_two_sites_whose_files_are_exchanged_are_told(small_fleet, tmp_path):
    """The logs of a 2 kW array and of a 200 W one, each written down at the other's site."""
    folder = tmp_path / "fleet"
    shutil.copytree(small_fleet, folder)
    assert not [problem for problem in check_readings(load_fleet(folder)) if "fit each other" in problem.says]
    sheets = {name: folder / "sites" / f"{name}.toml" for name in ("draw-camp", "tule-house")}
    parts = {name: path.read_text(encoding="utf-8").split("[[logs]]") for name, path in sheets.items()}
    for mine, theirs in (("draw-camp", "tule-house"), ("tule-house", "draw-camp")):
        sheets[mine].write_text("[[logs]]".join([parts[mine][0], *parts[theirs][1:]]), encoding="utf-8")
    problem, = [problem for problem in check_readings(load_fleet(folder)) if "fit each other" in problem.says]
    assert problem.severity == "warning" and "[[logs]]" in problem.mend
    assert "draw-camp" in problem.says and "tule-house" in problem.says and "array voltage" in problem.says
