"""The fleet folder: what is sound is loaded, everything wrong is told in one go with its file, place and mend."""

from pathlib import Path

import pytest

from diagnostics.quality import QualitySettings
from diagnostics.settings import Settings
from pipelines.fleet import Fleet, Problem, load_fleet
from pipelines.fleet.thresholds import with_changes
from pipelines.ingest.limits import IngestLimits

FLEET = 'name = "Korro Water Service"\ntimezone = "Africa/Nairobi"\nunits = "metric"\n'

EQUIPMENT = """
[[module]]
key = "m330"
power_w = 330
vmp_v = 37.6
imp_a = 8.78
voc_v = 45.9
isc_a = 9.3
cells_in_series = 72
temperature_coefficient_voc_pct_per_k = -0.31
temperature_coefficient_isc_pct_per_k = 0.05
temperature_coefficient_power_pct_per_k = -0.4

[[pump]]
key = "c14"
family = "centrifugal_submersible"
rated_speed_rpm = 2850
stages = 14
curve = [
    {flow_l_s = 0, head_m = 90, power_w = 500},
    {flow_l_s = 0.6, head_m = 75, power_kw = 0.8},
    {flow_m3_h = 4, head_ft = 130, power_w = 900},
]
[pump.motor]
kind = "induction"
rated_power_kw = 1.5
rated_efficiency = 0.75
rated_voltage_v = 220
rated_speed_rpm = 2850

[[drive]]
key = "f2"
kind = "frequency"
start_power_w = 150
max_input_voltage_v = 450
"""

PROFILE = """
[time]
columns = ["time"]
zone = "site"
[channels.flow]
channel = "flow_m3_s"
unit = "l_s"
"""

SITE = """
name = "Well one"
latitude_deg = -1.2
longitude_deg = 36.8
altitude_ft = 5500
installed_on = 2025-01-01
pump = "c14"
drive = "f2"

[array]
module = "m330"
modules_in_series = 8
tilt_deg = 10
azimuth_deg = 0

[well]
static_water_level_ft = 100
pump_setting_depth_m = 60

[pipework]
outlet_height_m = 3
[[pipework.runs]]
length_m = 65
bore_mm = 40

[[logs]]
profile = "plain"
files = "well-1/*.csv"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, text in {"fleet.toml": FLEET, "equipment/all.toml": EQUIPMENT, "loggers/plain.toml": PROFILE,
                       "sites/well-1.toml": SITE, "logs/well-1/a.csv": "time,flow\n"}.items():
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return tmp_path


def edit(folder: Path, name: str, *changes: tuple[str, str]) -> Fleet:
    path = folder / name
    text = path.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, f"the sample does not hold {old!r}"
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")
    return load_fleet(folder)


def only(fleet: Fleet) -> Problem:
    assert len(fleet.problems) == 1, "\n".join(map(str, fleet.problems))
    return fleet.problems[0]


def test_a_sound_folder_has_no_problems_and_its_equipment_is_resolved(folder):
    fleet = load_fleet(folder)
    assert fleet.problems == []
    site = fleet.sites["well-1"]
    assert site.pump.key == "c14" and site.pump.motor.rated_power_w == 1500
    assert site.drive.start_power_w == 150 and site.array.module.voc_v == 45.9
    assert site.well.static_water_level_m == pytest.approx(30.48)
    assert site.timezone == "Africa/Nairobi", "the company's zone is the default"
    assert site.array.module.temperature_coefficient_voc_per_k == pytest.approx(-0.0031)
    assert fleet.company.name == "Korro Water Service"
    assert [path.name for path in fleet.log_files["well-1"][0]] == ["a.csv"]
    assert set(fleet.profiles) == {"plain"}


def test_a_site_overrides_its_equipment_in_any_unit(folder):
    fleet = edit(folder, "sites/well-1.toml", ('drive = "f2"', 'drive = {key = "f2", start_power_kw = 0.2}'))
    assert fleet.problems == []
    assert fleet.sites["well-1"].drive.start_power_w == pytest.approx(200)
    assert fleet.sites["well-1"].drive.max_input_voltage_v == 450


def test_an_override_reaches_into_nested_tables(folder):
    fleet = edit(folder, "sites/well-1.toml",
                 ('pump = "c14"', 'pump = {key = "c14", motor = {rated_efficiency = 0.7}}'))
    assert fleet.problems == []
    assert fleet.sites["well-1"].pump.motor.rated_efficiency == 0.7
    assert fleet.sites["well-1"].pump.motor.rated_power_w == 1500


def test_a_motor_without_electronics_needs_no_equipment_file(folder):
    fleet = edit(folder, "sites/well-1.toml", ('drive = "f2"', 'drive = "direct"'),
                 ('pump = "c14"', 'pump = {key = "c14", motor = {kind = "brushless_dc"}}'))
    assert fleet.sites["well-1"].drive.kind == "direct" and not fleet.errors


def test_everything_wrong_in_a_site_is_told_at_once_with_its_lines(folder):
    fleet = edit(folder, "sites/well-1.toml",
                 ("pump_setting_depth_m = 60", "pump_setting_depth_m = 20\nlow_water_prob_depth_m = 15"),
                 ("tilt_deg = 10", "tilt_deg = 100"), ('name = "Well one"\n', ""),
                 ("bore_mm = 40", "bore_mm = 4000\nlength_psi = 3"))
    text = "\n".join(map(str, fleet.problems))
    assert "well-1" not in fleet.sites and fleet.refused == ["well-1"]
    for fragment in ("'name' is missing", "array.tilt_deg (line 12)", "must be at most 90 deg",
                     "Did you mean 'low_water_probe_depth_m'?", "pump_setting_depth (20 m) must be deeper than",
                     "'bore_mm' = 4000 comes to 4 m; it must be at most 1 m", "pipework.runs[1].bore_mm (line 24)",
                     "'length_psi' is written in a unit that does not measure length"):
        assert fragment in text, f"{fragment!r} not in:\n{text}"


def test_two_units_for_one_quantity_are_refused(folder):
    problem = only(edit(folder, "sites/well-1.toml",
                        ("pump_setting_depth_m = 60", "pump_setting_depth_m = 60\npump_setting_depth_ft = 200")))
    assert problem.says == "'pump_setting_depth_ft' and 'pump_setting_depth_m' say the same thing in two units."
    assert problem.where == "well.pump_setting_depth_ft (line 19)"


@pytest.mark.parametrize(("old", "new", "says"), [
    ('pump = "c14"', 'pump = "c41"', "no file in equipment/ holds a pump with the key 'c41'. Did you mean 'c14'?"),
    ('module = "m330"', 'module = "m33"', "array.module (line 11): no file in equipment/ holds a module"),
    ('profile = "plain"', 'profile = "plan"', "holds the profile 'plan'. Did you mean 'plain'?"),
    ('files = "well-1/*.csv"', 'files = "../*.csv"', "leaves the fleet folder"),
    ('files = "well-1/*.csv"', 'files = "/etc/*"', "is an absolute path"),
    ('files = "well-1/*.csv"', 'files = "well**/a.csv"', "'**' inside a name"),
    ('files = "well-1/*.csv"', 'files = "well-1/*.csv"\ncolumns = {Q = "flow_m3_h"}',
     "Did you mean flow_m3_s or draw_flow_m3_s?"),
    ("tilt_deg = 10", 'tilt_deg = "10"', "write the number without quotes"),
    ("tilt_deg = 10", "tilt_deg = true", "is not a number"),
    ("altitude_ft = 5500", 'altitude_ft = "5500"', "is not a number"),
    ("tilt_deg = 10", "tilt_deg = nan", "not a finite number"),
    ("installed_on = 2025-01-01", "installed_on = 2025", "Write a date as 2026-03-31"),
    ("[well]", "[well]\nkind = \"bore\"", "Did you mean 'borehole'?"),
])
def test_a_wrong_value_keeps_the_site_out_and_names_the_mend(folder, old, new, says):
    fleet = edit(folder, "sites/well-1.toml", (old, new))
    text = "\n".join(map(str, fleet.errors))
    assert says.lower() in text.lower()
    assert fleet.sites == {}


@pytest.mark.parametrize(("text", "line", "mend"), [
    ("name = \"a\"\ndepth_m = 12,5\n", 2, "decimal point"),
    ("name = \"a\"\nwell = 40 m\n", 2, "the unit belongs into the key"),
    ("name = well one\n", 1, "double quotes"),
    ("[well\n", 1, "key = value"),
])
def test_a_file_that_is_no_toml_is_pointed_at_by_line(folder, text, line, mend):
    (folder / "sites/well-1.toml").write_text(text, encoding="utf-8")
    problem = only(load_fleet(folder))
    assert problem.where == f"line {line}" and mend in problem.mend and problem.file == "sites/well-1.toml"


def test_a_file_saved_by_a_notepad_with_a_byte_order_mark_is_read(folder):
    path = folder / "sites/well-1.toml"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert load_fleet(folder).problems == []


def test_a_file_in_another_encoding_is_a_problem_not_a_crash(folder):
    (folder / "sites/well-1.toml").write_bytes(b'name = "Br\xfccke"\n')
    assert "UTF-8" in only(load_fleet(folder)).mend


def test_equipment_with_an_error_is_reported_once_there_and_named_by_its_sites(folder):
    fleet = edit(folder, "equipment/all.toml", ("vmp_v = 37.6", "vmp_v = 47.6"))
    assert [problem.file for problem in fleet.problems] == ["equipment/all.toml", "sites/well-1.toml"]
    assert "vmp_v (47.6) must be below voc_v (45.9)" in fleet.problems[0].says
    assert fleet.problems[1].says == "module 'm330' has errors in equipment/all.toml."


def test_a_key_that_stands_twice_in_the_equipment_is_refused(folder):
    (folder / "equipment/more.toml").write_text('[[drive]]\nkey = "f2"\nkind = "tracking"\n', encoding="utf-8")
    assert "drive 'f2' is already in equipment/all.toml" in str(only(load_fleet(folder)))


def test_two_files_with_one_site_id_are_refused(folder):
    (folder / "sites/well-2.toml").write_text(f'id = "well-1"\n{SITE}', encoding="utf-8")
    fleet = load_fleet(folder)
    assert any("already taken by sites/well-1.toml" in problem.says for problem in fleet.errors)


def test_two_sites_claiming_one_file_need_a_logger_id(folder):
    (folder / "sites/well-2.toml").write_text(SITE, encoding="utf-8")
    fleet = load_fleet(folder)
    assert {problem.file for problem in fleet.errors} == {"sites/well-1.toml", "sites/well-2.toml"}
    assert "claims the same file logs/well-1/a.csv" in fleet.errors[0].says
    assert fleet.sites == {}
    for number in (1, 2):
        (folder / f"sites/well-{number}.toml").write_text(f'{SITE}logger_id = "{number}"\n', encoding="utf-8")
    assert load_fleet(folder).problems == []


def test_a_pattern_without_files_is_a_warning_and_the_site_stays(folder):
    (folder / "logs/well-1/a.csv").unlink()
    fleet = load_fleet(folder)
    assert only(fleet).severity == "warning" and "no file matches logs/well-1/*.csv" in only(fleet).says
    assert set(fleet.sites) == {"well-1"}


def test_a_missing_folder_is_a_problem(tmp_path):
    assert "no such folder" in only(load_fleet(tmp_path / "nowhere")).says


def test_a_folder_with_nothing_in_it_says_what_to_write(tmp_path):
    says = [problem.says for problem in load_fleet(tmp_path).problems]
    assert says == ["the file is missing.", "no site is described."]


def test_company_values_are_checked(folder):
    (folder / "fleet.toml").write_text(FLEET + 'water_value_per_m3 = 2\nlanguag = "en"\n'
                                       '[alerts]\nservice_desk = ["not an address"]\nboss = ["a@b.example"]\n'
                                       '[thresholds]\nleast_judged_sun_hours = {value = 3, why = ""}\n',
                                       encoding="utf-8")
    text = "\n".join(map(str, load_fleet(folder).problems))
    for fragment in ("Did you mean 'language'?", "not an e-mail address", "boss",
                     "thresholds.least_judged_sun_hours.why", "without a currency"):
        assert fragment in text, text


def test_the_company_sets_the_defaults_of_its_owners(folder):
    fleet = edit(folder, "fleet.toml", ('units = "metric"', 'units = "us"\nlanguage = "fr"'))
    assert fleet.sites["well-1"].owner.volume_unit == "gal_us" and fleet.sites["well-1"].owner.language == "fr"


def test_thresholds_are_those_of_the_program_and_reach_its_settings(folder):
    path = folder / "fleet.toml"
    path.write_text(FLEET + "[thresholds]\nsilent_after_hours = {value = 100, why = \"Cards are read weekly.\"}\n"
                    "today_hours = {value = 72, why = \"The truck needs two days.\"}\n", encoding="utf-8")
    fleet = load_fleet(folder)
    assert fleet.problems == []
    assert fleet.settings().silent_after_hours == 100 and fleet.ranking_rules().today_hours == 72
    assert fleet.settings().least_judged_sun_hours == Settings().least_judged_sun_hours


@pytest.mark.parametrize(("line", "says"), [
    ("silent_after_hour = {value = 3, why = \"We like it so.\"}", "Did you mean 'silent_after_hours'?"),
    ("open_probability = {value = 80, why = \"Eighty percent.\"}", "Write 0.8 for 80 %"),
    ("most_causes = {value = 2.5, why = \"Half a cause more.\"}", "whole number"),
    ("silent_after_hours = {value = -3, why = \"Back in time.\"}", "no threshold is negative"),
])
def test_a_threshold_that_cannot_be_is_said_and_not_used(folder, line, says):
    (folder / "fleet.toml").write_text(f"{FLEET}[thresholds]\n{line}\n", encoding="utf-8")
    fleet = load_fleet(folder)
    assert says in str(only(fleet))
    assert fleet.settings() == Settings() and set(fleet.sites) == {"well-1"}


def test_changing_settings_needs_settings():
    with pytest.raises(TypeError, match="dataclass instance"):
        with_changes(3, {})


def test_thresholds_of_the_masks_and_of_the_ingest_are_settings_too(folder):
    path = folder / "fleet.toml"
    path.write_text(FLEET + "[thresholds]\nnight_elevation_deg = {value = -9, why = \"Snow lights the dusk.\"}\n"
                    "max_columns = {value = 300, why = \"Our loggers have 40.\"}\n", encoding="utf-8")
    fleet = load_fleet(folder)
    assert fleet.problems == []
    assert fleet.quality_settings().night_elevation_deg == -9 and fleet.ingest_limits().max_columns == 300
    assert fleet.quality_settings().stuck_samples == QualitySettings().stuck_samples
    path.write_text(FLEET + "[thresholds]\nmax_columns = {value = 3, why = \"Three are enough.\"}\n", encoding="utf-8")
    wrong = load_fleet(folder)
    assert "'max_columns' cannot be 3" in str(only(wrong)) and wrong.ingest_limits() == IngestLimits()
