"""Files from outside: each ends as readings, as quarantine or as a named error; nothing reaches a shell or a path."""

import csv
import gzip
import io
import os
import random
import zipfile
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.errors import LoggerFileError, ProjectError
from pipelines.ingest import ingest_fleet
from pipelines.ingest.describe import describe_file
from pipelines.ingest.limits import IngestLimits
from pipelines.ingest.one_file import read_logger_file
from pipelines.ingest.profile import LoggerProfile
from pipelines.ledger.corrections import Correction, add_correction
from pipelines.ledger.keeping import export

DATA = Path(__file__).parent.parent / "data"
MEASURED = Path(__file__).parents[3] / "sample-logs" / "measured"
PROFILE = {"time": {"columns": ["t"], "zone": "UTC"}, "channels": {"V": {"channel": "array_voltage_v"},
                                                                  "Q": {"channel": "flow_m3_s", "unit": "l_min"}}}
GOOD = "t,V,Q\n2026-01-01 10:00:00,100,5\n"
SMALL = IngestLimits(max_line_chars=2000, part_chars=2_000_000, max_unpacked_bytes=20_000_000, max_unpacking_ratio=50)


def profile(**changes: object) -> LoggerProfile:
    return LoggerProfile.model_validate({"key": "p", **PROFILE, **changes})


def read(tmp_path: Path, content: str | bytes, **changes: object):
    path = tmp_path / "file.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_logger_file(path, profile(**changes), limits=SMALL)


@pytest.mark.parametrize(("cell", "becomes"), [
    ("=1+1", "bad"), ("+1", 1.0), ("-3", -3.0), ("@SUM(A1)", "bad"), ("1e308", 1e308), ("1e999", "bad"),
    ("-inf", "none"), ("NaN", "none"), ("nan(ind)", "none"), ("1.#QNAN", "none"), ("NULL", "none"), ("1_000", "bad"),
    ("0x1F", "bad"), ("١٢٣", "bad"), ("12\u202e34", "bad"), ("<b>5</b>", "bad"), ("5;rm -rf", "bad"), ("1,5", "row"),
    ("", "none"), ("  7.5 ", 7.5), ("7.5.1", "bad"), ("--", "none"), ("1e5", 1e5), ("\u00a05", "bad"), ("'5", "bad")])
def test_cells_end_as_a_number_as_nothing_or_in_quarantine(tmp_path, cell, becomes):
    found = read(tmp_path, f"t,V,Q\n2026-01-01 10:00:00,{cell},5\n")
    if becomes == "row":
        assert len(found.rows) == 0 and list(found.quarantine["rule"]) == ["row has more cells than the header"]
    elif becomes == "bad":
        assert list(found.quarantine["value"].str.strip()) == [cell.strip()]
        assert found.rows["array_voltage_v"].isna().all()
    elif becomes == "none":
        assert len(found.quarantine) == 0 and found.rows["array_voltage_v"].isna().all()
    else:
        assert found.rows["array_voltage_v"].tolist() == [becomes] and len(found.quarantine) == 0


def test_nul_bytes_long_lines_and_rubbish_lines_are_quarantined(tmp_path):
    found = read(tmp_path, GOOD.encode() + b"2026-01-01 10:01:00,1\x0000,5\n" + b"x" * 5000 + b"\n"
                 + "2026-01-01 10:02:00,ÿþ,5".encode("utf-16") + b"\n" + GOOD.split("\n")[1].encode() + b"\n")
    assert found.rows["array_voltage_v"].dropna().tolist() == [100.0, 100.0]
    assert set(found.quarantine["line"]) >= {3, 4}


def test_a_line_without_end_stops_at_the_limit(tmp_path):
    with pytest.raises(LoggerFileError, match="longer than"):
        read(tmp_path, "t,V,Q\n" + "9" * 2_100_000)


def test_bombs_nested_archives_and_odd_members_are_refused(tmp_path):
    bomb = gzip.compress(b"t,V,Q\n" + b"2026-01-01 10:00:00,1,1\n" * 500_000)
    with pytest.raises(LoggerFileError, match="unpacks to more than"):
        read(tmp_path, bomb)
    with pytest.raises(LoggerFileError, match="archive inside an archive"):
        read(tmp_path, gzip.compress(gzip.compress(GOOD.encode())))
    with pytest.raises(LoggerFileError, match="cannot be unpacked"):
        read(tmp_path, gzip.compress(GOOD.encode() * 100)[:-20])
    box = io.BytesIO()
    with zipfile.ZipFile(box, "w") as archive:
        archive.writestr("../../etc/passwd.csv", GOOD)
        archive.writestr("/abs.csv", GOOD.replace("01-01", "01-02"))
    before = set(tmp_path.parent.rglob("*"))
    assert len(read(tmp_path, box.getvalue()).rows) == 2       # members are read where they lie, never unpacked to disk
    assert set(tmp_path.parent.rglob("*")) - before <= {tmp_path / "file.csv"}


def test_links_that_lead_outside_are_left_alone(fleet, ledger, tmp_path):
    fleet.add_profile("p", **PROFILE)
    fleet.add_site("well-1", "p", "**/*.csv")
    secret = tmp_path / "secret.csv"
    secret.write_text(GOOD)
    (fleet.folder / "logs" / "link.csv").symlink_to(secret)
    (fleet.folder / "logs" / ".hidden.csv").write_text(GOOD)
    report = ingest_fleet(fleet, ledger)
    assert report.rows == 0 and "link to outside" in report.messages[0]


def test_odd_names_and_odd_sites_are_only_text(fleet, ledger):
    fleet.add_profile("p", **{**PROFILE, "site": {"column": "site"}})
    fleet.add_site("well-1", "p", "", logs=[{"profile": "p", "files": "**/*.csv", "logger_id": "a'; DROP TABLE x; --"}])
    text = GOOD.replace("t,V,Q", "site,t,V,Q").replace("2026", "a'; DROP TABLE x; --,2026")
    fleet.write("a '\"; $(touch x) \u202e<b>.csv", text)
    assert ingest_fleet(fleet, ledger).rows == 1
    assert ledger.files()["path"].iloc[0].endswith(".csv") and ledger.sites() == ["well-1"]


def test_nothing_from_a_file_or_its_name_steers_the_terminal(fleet, ledger, capsys):
    from rich.console import Console

    from pipelines.cli.tables import print_description, print_ingest

    fleet.add_profile("p", **PROFILE)
    fleet.add_site("well-1", "p", "in/*.csv")
    odd = "\x1b[2J\x1b]0;owned\x07 [bold red]x[/] \u202egpj.\r"
    fleet.write(f"in/{odd}.csv", GOOD + f"2026-01-01 10:05:00,{odd.replace(chr(13), '')},5\n")
    fleet.write(f"{odd}.log", "nobody's")
    report = ingest_fleet(fleet, ledger)
    (fleet.folder / "logs" / "in" / "b.csv").write_text(f"t,V [V],Q{odd.strip()}\n" + "2026-01-01 10:00:00,1,5\n" * 9)
    print_ingest(report, Console())
    print_description(describe_file(fleet.folder / "logs" / "in" / "b.csv"), None)
    print(LoggerFileError("is odd", file=odd, value=odd))
    said = capsys.readouterr().out
    assert "[bold red]x[/]" in said
    assert not {letter for letter in said if not letter.isprintable()} - {"\n"}


@pytest.mark.parametrize("content", [b"", b"\n\n\n", b"t,V,Q\n", b"t,V,Q", b"\xef\xbb\xbf", b"\xff\xfe", b"\x00" * 1000,
                                     b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 10, b"%PDF-1.7\n" + b"\x80\x81" * 300])
def test_empty_and_binary_files_end_as_nothing_or_as_a_named_error(tmp_path, content):
    try:
        found = read(tmp_path, content)
    except LoggerFileError as error:
        assert error.mend or error.says
    else:
        assert len(found.rows) == 0


def test_a_gz_file_that_breaks_inside_is_told_so_by_the_description(tmp_path):
    packed = bytearray(gzip.compress(("t,V,Q\n" + "2026-01-01 10:00:00,1,5\n" * 5000).encode(), mtime=0))
    packed[len(packed) // 2:] = b"\xff" * 40
    (tmp_path / "a.csv.gz").write_bytes(packed)
    with pytest.raises(LoggerFileError):
        describe_file(tmp_path / "a.csv.gz")


def test_a_return_inside_a_header_is_left_to_the_line_reader(fleet, ledger):
    fleet.add_profile("p", **PROFILE)
    fleet.add_site("well-1", "p", "*.csv")
    fleet.write("a.csv", "t,\rV [V],Q\n2026-01-01 10:00:00,1,5\n" + GOOD)
    fleet.write("b.csv", GOOD)
    report = ingest_fleet(fleet, ledger, limits=IngestLimits(least_plain_bytes=0))
    assert report.files_new == 2 and any(says.startswith("a.csv: ") for says in report.messages)


def mutated(content: bytes, chance: random.Random) -> bytes:
    """Damage a file the way transmission, spreadsheets and power cuts do."""
    body = bytearray(content)
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(len(body) + 1) if body else 0
        kind = chance.randrange(8)
        if kind == 0:
            del body[at:at + chance.randint(1, 200)]
        elif kind == 1:
            body[at:at] = bytes(chance.randrange(256) for _ in range(chance.randint(1, 30)))
        elif kind == 2 and body:
            body[at % len(body)] = chance.randrange(256)
        elif kind == 3:
            body[at:at] = body[at:at + chance.randint(1, 400)]
        elif kind == 4:
            del body[at:]
        elif kind == 5:
            body[at:at] = chance.choice([b"\x00" * 50, b"\r", b'"', b",", b";;;;", b"\n\n", b"\xef\xbb\xbf", b"'" * 9])
        elif kind == 6:
            body = body.replace(b".", b",", chance.randint(1, 50))
        else:
            body[at:at] = chance.choice([b"1e999", b"=cmd|' /C calc'!A0", "٣".encode(), b"-9999", b"2026-02-30 25:61"])
    return bytes(body)


FILES = [("climate-network", DATA / "profiles", DATA / "files" / "CRN_with_problems.txt"),
         ("solrad-short", DATA / "profiles", DATA / "files" / "abq19056.dat"),
         ("river-json", DATA / "profiles", DATA / "files" / "usgs_waterservices_iv.txt"),
         ("small-tables", MEASURED / "loggers", MEASURED / "logs" / "dialects" / "P58A0001.csv"),
         ("two-tables", MEASURED / "loggers", MEASURED / "logs" / "dialects" / "B31H0759001.csv"),
         ("water-main", MEASURED / "loggers", MEASURED / "logs" / "water-main" / "water-flow.csv")]


def mutate_and_read(tmp_path: Path, rounds: int, seed: int) -> tuple[int, int]:
    """Return how many mutations ended as readings or quarantine, and how many as a named error."""
    chance, read_in, refused = random.Random(seed), 0, 0  # noqa: S311 - no secret
    bodies = [(LoggerProfile.from_toml(folder / f"{key}.toml"), file.read_bytes()[:6000], file.suffix)
              for key, folder, file in FILES]
    for turn in range(rounds):
        used, body, suffix = bodies[turn % len(bodies)]
        path = tmp_path / f"mutation{suffix}"
        path.write_bytes(mutated(body, chance))
        try:
            read_logger_file(path, used, limits=SMALL)
            read_in += 1
        except ProjectError:
            refused += 1
    return read_in, refused


def test_mutated_real_files_end_as_readings_quarantine_or_a_named_error(tmp_path):
    # The long form of 10 000 mutations is part of `python -m tests.benchmarks.bench_ingest --long`.
    read_in, refused = mutate_and_read(tmp_path, 60, seed=3)
    assert read_in + refused == 60 and read_in > 20


def test_mutated_files_never_break_the_description(tmp_path):
    chance = random.Random(9)  # noqa: S311 - no secret
    for turn in range(12):
        _, _, file = FILES[turn % len(FILES)]
        path = tmp_path / f"odd{file.suffix}"
        path.write_bytes(mutated(file.read_bytes()[:6000], chance))
        try:
            describe_file(path, limits=SMALL)
        except ProjectError as error:
            assert "\n" not in str(error)


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.text(max_size=12), st.text(max_size=12), st.text(max_size=12)), max_size=8),
       st.sampled_from([",", ";", "\t"]), st.sampled_from([".", ","]), st.booleans())
def test_any_text_is_read_or_quarantined_row_by_row(tmp_path, rows, delimiter, decimal, quoted):
    if decimal == delimiter:
        decimal = "."
    mark = '"' if quoted else ""
    text = delimiter.join(["t", "V", "Q"]) + "\n" + "".join(
        delimiter.join(f"{mark}{cell}{mark}" for cell in row) + "\n" for row in rows)
    path = tmp_path / "any.csv"
    path.write_bytes(text.encode("utf-8", errors="surrogatepass"))
    try:
        found = read_logger_file(path, profile(delimiter=delimiter, decimal=decimal), limits=SMALL)
    except ProjectError:
        return
    assert len(found.rows) <= text.count("\n") + text.count("\r")
    assert found.rows.empty or found.rows["interval_end_utc"].notna().all()


def test_pipes_and_links_to_nothing_are_named_and_never_waited_for(fleet, ledger):
    fleet.add_profile("p", **PROFILE)
    fleet.add_site("well-1", "p", "*.csv")
    fleet.write("a.csv", GOOD)
    os.mkfifo(fleet.folder / "logs" / "pipe.csv")
    (fleet.folder / "logs" / "gone.csv").symlink_to(fleet.folder / "logs" / "nowhere.csv")
    report = ingest_fleet(fleet, ledger)
    assert (report.files_new, report.unclaimed) == (1, [])
    assert [says.split(":")[0] for says in report.messages] == ["gone.csv", "pipe.csv"]


def test_a_spreadsheet_opens_nothing_of_ours_as_a_formula(fleet, ledger, tmp_path):
    fleet.add_profile("p", **PROFILE)
    fleet.add_site("well-1", "p", "*.csv")
    fleet.write("a.csv", GOOD + "2026-01-01 10:05:00,=cmd|' /C calc'!A0,@SUM(A1)\n2026-01-01 10:10:00,+x,-x\n")
    ingest_fleet(fleet, ledger)
    export(ledger, tmp_path / "export")
    with (tmp_path / "export" / "quarantine.csv").open(encoding="utf-8", newline="") as stream:
        cells = [cell for row in csv.DictReader(stream) for name, cell in row.items() if name != "line"]
    assert "'=cmd|' /C calc'!A0" in cells and "'@SUM(A1)" in cells
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@", "\t", "\r"))]
    made = Correction(site_id="well-1", kind="mask", channel="array_voltage_v", author="crew", reason="=1+1",
                      entered_on=date(2026, 1, 1))
    with pytest.raises(ProjectError, match="Begin with a word"):
        add_correction(tmp_path / "corrections.csv", made)


def test_a_file_that_was_refused_is_read_anew_when_its_limit_is_raised(fleet, ledger):
    fleet.add_profile("p", **PROFILE, ignored_columns=["*"])
    fleet.add_site("well-1", "p", "*.csv")
    wide = "".join(f",c{place}" for place in range(30))
    fleet.write("a.csv", f"t,V,Q{wide}\n2026-01-01 10:00:00,100,5{',1' * 30}\n")
    tight, wider = IngestLimits(max_columns=20), IngestLimits(max_columns=40)
    report = ingest_fleet(fleet, ledger, limits=tight)
    assert report.files_unreadable == 1 and "[thresholds] in fleet.toml" in report.messages[0]
    assert ingest_fleet(fleet, ledger, limits=tight).files_known == 1
    assert ingest_fleet(fleet, ledger, limits=wider).rows == 1
    assert ingest_fleet(fleet, ledger, limits=wider).files_known == 1
    assert ingest_fleet(fleet, ledger, limits=IngestLimits(max_columns=40, batch_files=5)).files_known == 1
