"""A draft leaves no column out unsaid: by its unit alone where that is clear, else as a remark to choose from."""

import re
import tomllib

from pipelines.ingest.describe import describe_file

PLAIN = """Time,DC Volts,DC Amps,Ch 3,W/m\u00b2,Aux,Spare V,\u00b0C
,V,A,gpm,,,V,
2026-03-01 12:00:00,200.1,4.2,20,700,3,12.1,55
2026-03-01 12:10:00,200.2,4.2,21,701,3,12.1,55
2026-03-01 12:20:00,200.3,4.2,22,702,3,12.1,55
2026-03-01 12:30:00,200.4,4.2,23,703,3,12.1,55
"""


def drafted(tmp_path, text):
    """Return the description of a file that holds a text."""
    path = tmp_path / "own.csv"
    path.write_text(text, encoding="utf-8")
    return describe_file(path)


def test_plain_headers_are_mapped_by_their_unit_where_it_is_clear(tmp_path):
    found = drafted(tmp_path, PLAIN)
    assert {column: rule.channel for column, rule in found.profile.channels.items()} == {
        "DC Volts": "array_voltage_v", "DC Amps": "array_current_a", "Ch 3": "flow_m3_s",
        "W/m\u00b2": "global_horizontal_irradiance_w_m2"}
    assert any("'Ch 3'" in sentence and "unit alone" in sentence for sentence in found.cannot_know)


def test_two_columns_of_one_unit_and_no_other_word_are_left_to_people(tmp_path):
    found = drafted(tmp_path, PLAIN.replace("DC Volts", "Ch 1"))
    assert "Ch 1" not in found.profile.channels and '# [channels."Ch 1"]' in found.draft


def test_what_is_not_mapped_is_a_remark_with_candidates_and_nothing_is_ignored(tmp_path):
    found = drafted(tmp_path, PLAIN)
    assert "ignored_columns" not in tomllib.loads(found.draft) and found.profile.ignored_columns == []
    assert re.search(r'# \[channels\."Spare V"\]\n# channel = "array_voltage_v".*battery_voltage_v', found.draft)
    assert re.search(r'# \[channels\."\u00b0C"\]\n# channel = ".*air_temperature_c.*module_temperature_c', found.draft)
    assert '# [channels."Aux"]' in found.draft
    assert any("'Aux'" in note and "'Spare V'" in note for note in found.notes)
    freed = re.sub(r'(?m)^# (?=\[channels\."Spare V"\])', "", found.draft)
    assert "Spare V" in tomllib.loads(freed)["channels"]
