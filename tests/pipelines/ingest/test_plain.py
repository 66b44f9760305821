"""Plain files are read by the engine at once, all others line by line: both ways give the same, cell by cell."""

import random

import numpy as np
import pandas as pd
import pytest

from pipelines.ingest import load as loading
from pipelines.ingest.cell_sql import fixed_offset_s
from pipelines.ingest.limits import IngestLimits
from pipelines.ingest.load import ingest_fleet
from pipelines.ledger import Ledger

CHANNELS = {"V": {"channel": "array_voltage_v"}, "Q": {"channel": "flow_m3_s", "unit": "l_min"},
            "T": {"channel": "air_temperature_c", "unit": "f"}}
PROFILE = {"time": {"columns": ["t"], "zone": "UTC"}, "sentinels": ["-9999"], "channels": CHANNELS}
DOUBLE = '",'
LINE_BY_LINE = IngestLimits(max_plain_bytes=0)


def rows(count=50, step_min=5, start="2026-01-01 10:00:00", seed=1, form="%Y-%m-%d %H:%M:%S"):
    chance = np.random.default_rng(seed)
    stamps = pd.date_range(start, periods=count, freq=f"{step_min}min").strftime(form)
    return [f"{stamp},{chance.uniform(50, 150):.3f},{chance.uniform(0, 30):.2f},{chance.uniform(40, 100):.1f}"
            for stamp in stamps]


def text(lines, header="t,V,Q,T", end="\n"):
    return end.join([header, *lines]) + end


def stored(fleet, folder, limits):
    """Return everything an ingest leaves in the ledger about the files' rows, and what it says."""
    with Ledger(folder) as ledger:
        report = ingest_fleet(fleet, ledger, limits=limits)
        kept = ledger.sql.execute("SELECT * FROM core_readings ORDER BY file_no, site_id, line").df()
        bad = ledger.sql.execute("SELECT * FROM raw_quarantine ORDER BY ALL").df()
        files = ledger.files()
    return kept, bad, files, report


def both_ways(fleet, tmp_path, monkeypatch):
    """Read a fleet both ways, hold the one against the other, and return how many files were taken as plain."""
    taken = []
    flush = loading._PlainGroup.flush

    def counted(group, *given):
        got, left = flush(group, *given)
        taken.extend(got)
        return got, left

    with monkeypatch.context() as patched:
        patched.setattr(loading._PlainGroup, "flush", counted)
        quick = stored(fleet, tmp_path / "quick", IngestLimits(least_plain_bytes=0))
    slow = stored(fleet, tmp_path / "slow", LINE_BY_LINE)
    for one, other in zip(quick[:3], slow[:3], strict=True):
        pd.testing.assert_frame_equal(one[sorted(one.columns)], other[sorted(other.columns)], check_exact=True)
    assert sorted(quick[3].messages) == sorted(slow[3].messages)
    return len(taken)


# (what is special, profile, text of the file, whether it is plain)
CASES = {
    "plain": ({}, text(rows()), True),
    "with empty cells and a code for no value": ({}, text(rows()).replace(",10", ",").replace(",11", ",-9999"), None),
    "codes for no value": ({}, text([*rows(5), "2026-01-02 00:00:00,-9999,3,50", "2026-01-02 00:05:00,-9999.0,,50"]),
                           True),
    "out of range": ({}, text([*rows(5), "2026-01-02 00:00:00,99999,3,-900"]), True),
    "returns at line ends": ({}, text(rows(), end="\r\n"), True),
    "mixed line ends": ({}, text(rows(9), end="\r\n") + "\n".join(rows(9, start="2026-02-01")) + "\n", False),
    "quoted cells": ({}, text([f'"{line.replace(",", DOUBLE, 1)}' for line in rows()], '"t","V","Q","T"'), True),
    "an unread column of words": ({"ignored_columns": ["note"]}, text(
        [f"{line},tank ok" for line in rows()], "t,V,Q,T,note"), True),
    "decimal comma": ({"decimal": ",", "delimiter": ";"}, text(
        [line.replace(",", ";").replace(".", ",") for line in rows()], "t;V;Q;T"), True),
    "decimal comma and a point": ({"decimal": ",", "delimiter": ";"}, text(
        [line.replace(",", ";").replace(".", ",", 2) for line in rows()], "t;V;Q;T"), False),
    "rows that step back and repeat": ({}, text([*rows(9), *rows(20)]), True),
    "an unused zone's clock": ({"time": {"columns": ["t"], "zone": "Africa/Nairobi"}}, text(rows()), True),
    "clocks that are put forward": ({"time": {"columns": ["t"], "zone": "Europe/Berlin"}}, text(
        rows(60, start="2026-03-29 00:30:00")), False),
    "start of interval, interval given": ({"time": {"columns": ["t"], "zone": "+03:00", "stamp": "start",
                                                    "interval_s": 300}}, text(rows()), True),
    "pulses": ({"channels": {"Q": {"channel": "flow_m3_s", "meter": "pulse", "unit": "l", "pulse_volume": 10.0},
                             "V": {"channel": "array_voltage_v"}}, "ignored_columns": ["T"]}, text(rows()), True),
    "a running total": ({"channels": {"Q": {"channel": "meter_total_m3", "meter": "totaliser", "unit": "l"}},
                         "ignored_columns": ["*"]}, text(rows()), True),
    "date and time apart": ({"time": {"columns": ["d", "t"], "format": "%d/%m/%Y %H:%M", "zone": "UTC"}}, text(
        rows(form="%d/%m/%Y,%H:%M"), "d,t,V,Q,T"), True),
    "parts of a date": ({"time": {"parts": {"year": "y", "day_of_year": "d", "hhmm": "h"}, "zone": "UTC"}}, text(
        rows(form="%Y,%j,%H%M"), "y,d,h,V,Q,T"), True),
    "stamps with their offset": ({"time": {"columns": ["t"], "zone": "in_stamp"}}, text(
        rows(form="%Y-%m-%dT%H:%M:%S+03:00")), True),
    "an offset nobody asked for": ({}, text(rows(form="%Y-%m-%dT%H:%M:%S+03:00")), False),
    "milliseconds": ({}, text(rows(form="%Y-%m-%d %H:%M:%S.250")), True),
    "preamble and units": ({"preamble_lines": 2, "lines_after_header": 1}, "logger 7\nexport\n" + text(
        [",V,l/min,F", *rows()]), True),
    "no header": ({"header_lines": 0, "columns": ["t", "V", "Q", "T"]}, "\n".join(rows()) + "\n", True),
    "a clock reset": ({}, text([*rows(5), "1970-01-01 00:00:00,100,3,50"]), False),
    "a blank line": ({}, text([*rows(5), "", *rows(5, start="2026-02-01")]), False),
    "empty cells only": ({}, text([*rows(5), ",,,"]), False),
    "a row too long": ({}, text([*rows(5), rows(1, start="2026-02-01")[0] + ",7"]), False),
    "a row too short": ({}, text([*rows(5), "2026-02-01 00:00:00,100,3"]), False),
    "surplus empty cells": ({}, text([f"{line}," for line in rows(5)]), None),
    "the header again": ({}, text([*rows(5), "t,V,Q,T", *rows(5, start="2026-02-01")]), False),
    "an unfinished last line": ({}, text(rows(5)) + "2026-02-01 00:00:00,10", False),
    "byte order mark": ({}, "\ufeff" + text(rows(5)), False),
    "a zero byte": ({}, text(rows(5)).replace(",1", ",\x001", 1), False),
    "a single return": ({}, text(rows(5)).replace(",1", ",\r1", 1), False),
    "a quote in the middle": ({}, text([*rows(5), '2026-02-01 00:00:00,1"0,3,50']), False),
    "a cell over two lines": ({"ignored_columns": ["note"]}, text(
        [*[f"{line},x" for line in rows(5)], '2026-02-01 00:00:00,100,3,50,"two\nlines"'], "t,V,Q,T,note"), False),
    "words for no value": ({}, text([*rows(5), "2026-02-01 00:00:00,NaN,--,NULL"]), False),
    "numbers in odd spellings": ({}, text([
        *rows(2), "2026-02-01 00:00:00, 7.5 ,+3,1e1", "2026-02-01 00:05:00,5.,.5,-0"]), None),
    "only a header": ({}, "t,V,Q,T\n", None),
    "nothing": ({}, "", False),
}


@pytest.mark.parametrize("case", CASES)
def test_both_ways_store_the_same(case, fleet, tmp_path, monkeypatch):
    changes, content, is_plain = CASES[case]
    fleet.add_profile("p", **{**PROFILE, **changes})
    fleet.add_site("well-1", "p", "*.csv")
    fleet.write("a.csv", content)
    taken = both_ways(fleet, tmp_path, monkeypatch)
    if is_plain is not None:
        assert taken == int(is_plain)


@pytest.mark.parametrize("cell", ["1e999", "1_000", "0x1F", "١٢٣", "5;rm", "=1+1", "<b>5</b>", "7.5.1", "inf", "-inf",
                                  "NAN", "\u00a05", "1e308", "1e-400", "'5", "5'", "5 6", "1,", "TRUE", "1d5", "1.5f",
                                  "5e", "nan(snan)", "0b11", "1'000", "٣", "1.0000000000000000000000001", "\t5", "5\t"])
def test_one_odd_cell_reads_the_same_both_ways(cell, fleet, tmp_path, monkeypatch):
    fleet.add_profile("p", **PROFILE)
    fleet.add_site("well-1", "p", "*.csv")
    fleet.write("a.csv", text([*rows(4), f"2026-02-01 00:00:00,{cell},3,50", *rows(4, start="2026-03-01")]))
    fleet.write("b.csv", text(rows(4, start="2026-04-01")))
    assert both_ways(fleet, tmp_path, monkeypatch) >= 1


@pytest.mark.parametrize("stamp", ["2026-02-01", "2026-2-1 1:00", "2026-02-01 24:00:00", "2026-02-30 10:00:00", "today",
                                   "now", "2026-02-01 10", "2026-02-01T10:00:00Z", "infinity", "epoch", "20260201",
                                   "0001-01-01",
                                   " 2026-02-01 10:00:00 ", "2026-02-01 10:00:00 UTC", "294247-01-10 04:00:54"])
def test_one_odd_stamp_reads_the_same_both_ways(stamp, fleet, tmp_path, monkeypatch):
    fleet.add_profile("p", **PROFILE)
    fleet.add_site("well-1", "p", "*.csv")
    fleet.write("a.csv", text([*rows(4), f"{stamp},100,3,50", *rows(4, start="2026-03-01")]))
    both_ways(fleet, tmp_path, monkeypatch)


def test_damaged_files_read_the_same_both_ways(fleet, tmp_path, monkeypatch):
    chance = random.Random(11)  # noqa: S311 - no secret
    fleet.add_profile("p", **PROFILE)
    fleet.add_site("well-1", "p", "*.csv")
    letters = [",", "\n", '"', "x", "-", ".", "9", " ", "\r\n", "_", ";", "é", "\t"]
    for turn in range(150):
        body = list(text(rows(12, start=f"2026-{1 + turn % 12:02d}-{1 + turn // 12:02d}", seed=turn)))
        for _ in range(chance.randint(0, 2)):
            at = chance.randrange(8, len(body))
            body[at:at + chance.randint(0, 3)] = chance.choice(letters)
        fleet.write(f"d{turn:03d}.csv", "".join(body))
    assert 20 < both_ways(fleet, tmp_path, monkeypatch) < 150


def test_a_zone_that_never_changes_its_clocks_is_an_offset():
    # common practice: Kenya keeps UTC+3 all year; India UTC+5:30; Germany has summer time
    assert fixed_offset_s("Africa/Nairobi", 1990) == 3 * 3600 and fixed_offset_s("Asia/Kolkata", 1990) == 19800
    assert fixed_offset_s("Europe/Berlin", 1990) is None and fixed_offset_s("Africa/Nairobi") is None
