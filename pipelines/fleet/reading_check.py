"""A look into the logs before they are read: does the head of each logger's first file give what its profile says?"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from diagnostics.quantities import CHANNELS
from diagnostics.site import LogSource, Site
from diagnostics.units import same_dimension
from pipelines.errors import LoggerFileError
from pipelines.fleet.problems import Problem

if TYPE_CHECKING:
    from diagnostics.quality.settings import QualitySettings
    from diagnostics.readings import SiteReadings
    from pipelines.fleet.load import Fleet
    from pipelines.ingest.one_file import LoggerFile
    from pipelines.ingest.profile import ColumnRule, LoggerProfile

ROWS_LOOKED_AT = 1500               # a day of minutes: the night alone shows neither a wrong unit nor a wrong column
_MOST, _MANY = 0.5, 0.05            # shares of cells or rows from which a problem is an error, or a warning
_WATER = ("flow_m3_s", "meter_total_m3")
_OF_JUDGING = (" It is not read on.", " They are not read on.", " They are exchanged back for the judging.",
               " Judged at the true times.")


def check_readings(fleet: "Fleet") -> list[Problem]:
    """
    Read the head of one file for each logger of each sound site, and return what is wrong with it.

    Parameters
    ----------
    fleet : Fleet
        As `load_fleet` returned it; its own problems are not repeated.

    Returns
    -------
    problems : list of Problem
        In the order of the sites. A file that several sites read by the same profile is told of once.
    """
    from pipelines.ingest.claims import profile_for

    problems: list[Problem] = []
    heads: list[_FileHead] = []
    for site_id, site in fleet.sites.items():
        for source, files in zip(site.logs, fleet.log_files.get(site_id, []), strict=False):
            if files and source.profile in fleet.profiles:
                profile = profile_for(fleet.profiles[source.profile], site, source)
                found = _read_head(files[0], fleet.folder / "logs", profile, site, source)
                if isinstance(found, Problem):
                    problems.append(found)
                else:
                    heads.append(found)
    seen: dict[str, set[str]] = {}
    for head in heads:
        seen.setdefault(head.source.profile, set()).update(head.read.columns)
    for head in heads:
        problems += _problems_of(head, seen[head.source.profile], fleet.quality_settings())
    return list(dict.fromkeys([*problems, *_exchanged(heads)]))


@dataclass(frozen=True, slots=True)
class _FileHead:
    file: str
    read: "LoggerFile"
    profile: "LoggerProfile"
    source: LogSource
    site: Site


def _read_head(path: Path, logs: Path, profile: "LoggerProfile", site: Site,
               source: LogSource) -> "_FileHead | Problem":
    from pipelines.ingest.one_file import read_logger_head

    file = f"logs/{path.relative_to(logs).as_posix()}"
    try:
        if path.stat().st_size == 0:
            return Problem(file, "", "the file is empty.", "Fetch it again if the logger has written since.", "warning")
        read = read_logger_head(path, profile, ROWS_LOOKED_AT, site_zone=site.timezone)
        return _FileHead(file, read, profile, source, site)
    except LoggerFileError as error:
        where = "" if error.line is None else f"line {error.line}"
        says = f"{error.says.rstrip('.')}, read by {_sheet(source)}."
        return Problem(file, where, says, error.mend)
    except OSError as error:
        return Problem(file, "", f"cannot be read ({error.strerror or error}).", "Check the rights of the file.")


def _problems_of(head: _FileHead, seen: set[str], quality: "QualitySettings") -> list[Problem]:
    file, read, profile, source = head.file, head.read, head.profile, head.source
    missing = list(_missing(head, seen))
    if not len(read.rows):
        return [*missing, _nothing_read(file, read, source)]
    return [*missing, *_bad_rows(file, read, source), *_bad_columns(file, read, source),
            *_units(file, read, profile, source), *_whole_channels(head, quality)]


def _whole_channels(head: _FileHead, quality: "QualitySettings") -> Iterator[Problem]:
    """Tell what days of readings betray: a wrong zone, exchanged columns, light or levels in another unit."""
    from diagnostics.data_chain import look_through
    from diagnostics.quality.masking import masked

    readings = _readings_of(head)
    if readings is None:
        return
    chain = look_through(head.site, masked(head.site, readings, settings=quality), quality=quality)
    for finding in chain.findings:
        says = finding.evidence[0].says
        for of_judging in _OF_JUDGING:
            says = says.removesuffix(of_judging)
        yield Problem(head.file, "", f"the first rows do not fit site {head.site.id}: {says}",
                      f"{finding.next_test} It is {_sheet(head.source)}.", "warning")
    for note in chain.notes:
        yield Problem(head.file, "", note.split(" Add the code")[0],
                      f"If it is, add it to sentinels in {_sheet(head.source)}.", "warning")


def _readings_of(head: _FileHead) -> "SiteReadings | None":
    """Return the first rows as readings of their site; None where they are of several sites or cannot be told."""
    from diagnostics.clock_mend import NOT_A_VALUE
    from diagnostics.readings import SiteReadings

    rows = head.read.rows.dropna(subset=["interval_end_utc"]).drop_duplicates("interval_end_utc")
    if rows.empty or len(rows["logger_id"].unique()) > 1 or not head.read.channels or head.site.parts_absent:
        return None                                             # a file of several sites says nothing of one
    index = pd.DatetimeIndex(pd.to_datetime(rows["interval_end_utc"], utc=True), name="interval_end_utc")
    values = rows[head.read.channels].astype("float64").set_axis(index).sort_index()
    masks = rows[[f"{name}__mask" for name in head.read.channels]].set_axis(head.read.channels, axis=1)
    masks = (masks.fillna(0).astype("int64") & NOT_A_VALUE).astype("uint16").set_axis(index).sort_index()
    seconds = rows["interval_s"].astype("float64").set_axis(index).sort_index()
    if not values.notna().to_numpy().any() or seconds.isna().any():
        return None
    return SiteReadings(head.site.id, values, masks, seconds)


def _exchanged(heads: "list[_FileHead]") -> Iterator[Problem]:
    """Tell of two sites whose first rows fit each other's sheets and not their own."""
    from diagnostics.fleet_context.exchanged_sites import exchanged_sites
    from diagnostics.fleet_context.site_sizes import sheet_sizes, sizes_by_day

    sizes: dict[str, pd.DataFrame] = {}
    files: dict[str, str] = {}
    for head in heads:
        readings = _readings_of(head) if sheet_sizes(head.site) is not None and len(head.read.rows) else None
        if readings is not None:
            found = sizes_by_day(head.site, readings)
            sizes[head.site.id] = sizes[head.site.id].combine_first(found) if head.site.id in sizes else found
            files.setdefault(head.site.id, head.file)
    sites = {head.site.id: head.site for head in heads}
    for pair in exchanged_sites(sites, sizes):
        yield Problem(files[pair.sites[0]], "", f"{pair.says} The other file is {files[pair.sites[1]]}.", pair.check,
                      "warning")


def _sheet(source: LogSource) -> str:
    return f"profile '{source.profile}' in loggers/"


def _missing(head: _FileHead, seen: set[str]) -> Iterator[Problem]:
    """Tell of absent columns; one that other loggers of the profile have is optional, unless this may be its typo."""
    read = head.read
    absent = [column for column in read.missing_columns if column not in seen or read.unknown_columns]
    if not absent:
        return
    water = any(head.profile.channels[column].channel in _WATER for column in absent)
    names = ", ".join(f"'{column}' ({head.profile.channels[column].channel})" for column in absent)
    there = ", ".join(f"'{name}'" for name in read.unknown_columns[:12])
    mend = f"Columns of the file that nothing reads: {there}." if there else "Is it the right profile?"
    yield Problem(head.file, "", f"the file lacks column(s) {names}.",
                  f"Compare the spelling with {_sheet(head.source)}. {mend}", "error" if water else "warning")


def _nothing_read(file: str, read: "LoggerFile", source: LogSource) -> Problem:
    if not len(read.quarantine):
        return Problem(file, "", "the file has a header and no rows yet.", "Nothing is to do if the logger is new.",
                       "warning")
    rule, line, value, column = _commonest(read.quarantine)
    where = f"line {line}" + (f', column "{column}"' if column else "")
    return Problem(file, where, f"not one of the first rows can be read: '{value}' {rule}.",
                   f"Correct {_mend_of(rule)} in {_sheet(source)}.")


def _commonest(bad: pd.DataFrame) -> tuple[str, int, str, str]:
    rule = str(bad["rule"].value_counts().index[0])
    first = bad[bad["rule"] == rule].iloc[0]
    column = first["column_name"]
    return rule, int(first["line"]), str(first["value"])[:60], column if isinstance(column, str) else ""


def _mend_of(rule: str) -> str:
    from pipelines.ingest.reader import LONG_ROW, NOT_A_NUMBER, SHORT_ROW

    if rule in (LONG_ROW, SHORT_ROW):
        return "the delimiter, or the decimal mark where it is a comma like the delimiter,"
    if rule == NOT_A_NUMBER:
        return "the decimal mark or the columns"
    return "[time] (columns, format, zone)"


def _bad_rows(file: str, read: "LoggerFile", source: LogSource) -> Iterator[Problem]:
    from pipelines.ingest.reader import NO_CHANNEL, NO_SITE, NOT_A_NUMBER, WAITING

    bad = read.quarantine
    bad = bad[~bad["rule"].isin([NOT_A_NUMBER, WAITING, NO_SITE, NO_CHANNEL])]
    share = bad["line"].nunique() / (bad["line"].nunique() + len(read.rows))
    if share > _MANY:
        rule, line, value, column = _commonest(bad)
        where = f"line {line}" + (f', column "{column}"' if column else "")
        yield Problem(file, where, f"{share:.0%} of the first rows cannot be read; the first: '{value}' {rule}.",
                      f"Correct {_mend_of(rule)} in {_sheet(source)}.", "error" if share > _MOST else "warning")


def _bad_columns(file: str, read: "LoggerFile", source: LogSource) -> Iterator[Problem]:
    from pipelines.ingest.reader import NOT_A_NUMBER

    bad = read.quarantine[read.quarantine["rule"] == NOT_A_NUMBER]
    for column, cells in bad.groupby("column_name"):
        share = len(cells) / max(len(read.rows), len(cells))
        if share <= _MANY:
            continue
        value = str(cells["value"].iloc[0])[:60]
        comma = cells["value"].astype(str).str.fullmatch(r"\s*[+-]?\d*,\d+\s*").mean() > _MOST
        mend = (f"The file writes a decimal comma: set decimal = \",\" in {_sheet(source)}." if comma else
                f"Is it the right column? If the text means 'no value', add it to sentinels in {_sheet(source)}.")
        yield Problem(file, f'line {cells["line"].iloc[0]}, column "{column}"',
                      f"{share:.0%} of the first cells are not numbers, for instance '{value}'.", mend,
                      "error" if share > _MOST else "warning")


def _units(file: str, read: "LoggerFile", profile: "LoggerProfile", source: LogSource) -> Iterator[Problem]:
    for column, rule in profile.channels.items():
        if rule.channel in read.channels and column not in read.missing_columns:
            found = _out_of_range(file, column, rule, read.rows[rule.channel], source) or _other_unit(
                file, column, rule, source)
            if found:
                yield found


def _out_of_range(file: str, column: str, rule: "ColumnRule", values: pd.Series, source: LogSource) -> Problem | None:
    known = values.dropna()
    known = known[known != 0.0]                                 # zeros of the night fit every unit
    quantity = CHANNELS[rule.channel]
    share = float((~known.between(quantity.low, quantity.high)).mean()) if len(known) else 0.0
    if share <= _MOST:
        return None
    says = (f"{share:.0%} of the values that are not 0 cannot be {quantity.label.lower()}, for instance "
            f"{float(known.median()):.4g} {rule.target_unit}; {quantity.low:g} to {quantity.high:g} can.")
    if rule.unit:
        return Problem(file, f'column "{column}"', says, f"Is {rule.unit} its unit, and {rule.channel} its channel? "
                       f"A code for 'no value' belongs in sentinels of {_sheet(source)}.", "warning")
    return Problem(file, f'column "{column}"', says, f"Is `unit` missing? Without it the numbers are taken as "
                   f"{rule.source_unit}. Write the unit of the file, for instance unit = \"{_example(column, rule)}\", "
                   f"in {_sheet(source)}.")


def _example(column: str, rule: "ColumnRule") -> str:
    from pipelines.ingest.column_words import split_column_name

    written = split_column_name(column)[1]
    if written and same_dimension(written, rule.target_unit):
        return written
    usual = ("m3_h", "l_min", "kpa", "kw", "cm", "f", "ma", "mv", "pct", "l")
    return next((unit for unit in usual if same_dimension(unit, rule.target_unit)), rule.target_unit)


def _other_unit(file: str, column: str, rule: "ColumnRule", source: LogSource) -> Problem | None:
    """Compare the unit in the column's name with the one it is read in; a scale may stand for a unit."""
    from pipelines.ingest.column_words import split_column_name

    written = split_column_name(column)[1]
    if written is None or rule.meter == "pulse" or rule.scale != 1.0 or not same_dimension(written, rule.target_unit):
        return None
    if written == rule.source_unit or {written, rule.source_unit} in ({"gpm_us", "gpm_imp"}, {"gal_us", "gal_imp"}):
        return None                                             # a bare "gpm" or "gal" says neither which
    return Problem(file, f'column "{column}"', f"its name says {written}, and it is read as {rule.source_unit}.",
                   f"Write unit = \"{written}\" in {_sheet(source)} if the name is right.", "warning")
