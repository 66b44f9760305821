"""
What comes out on measured data, beside what is known of it: ``python -m pipelines.measured_report``.

Reads the fleet folder of measured files from the start (ingest, masks, diagnosis), compares with the known facts of the
sources and writes RESULTS.md beside them. Nothing is left out because it looks bad.
"""

import argparse
import gzip
import io
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from diagnostics.diagnose import diagnose_site
from diagnostics.quality.masking import masked
from diagnostics.readings import Mask, SiteReadings
from diagnostics.results import SiteDiagnosis
from diagnostics.station_checks import lasting_change
from pipelines.fleet import Fleet, load_fleet
from pipelines.ingest.load import IngestReport, ingest_fleet
from pipelines.ledger import Ledger
from pipelines.measured_arrays import LEAST_SUN_DEG, MODELS, compare_array
from pipelines.stages.demo import sample_logs_folder

TRUTH_STUCK = "ac_power_inv_2173_stale_data.csv.gz"
TRUTH_STRAIGHT = "ac_power_inv_2173_interpolated_data.csv.gz"


@dataclass(frozen=True)
class Run:
    """The fleet of measured files after the whole path."""

    fleet: Fleet
    report: IngestReport
    readings: dict[str, SiteReadings]
    diagnoses: dict[str, SiteDiagnosis]

    def note(self, site_id: str, begins: str) -> str:
        """Return the notes of a site that begin with a word, joined."""
        return " ".join(note for note in self.diagnoses[site_id].notes if note.startswith(begins)) or "nothing said"

    def masked_share(self, site_id: str, channel: str, above: float) -> tuple[int, int]:
        """Return how many values above a bound are masked, and how many there are."""
        readings = self.readings[site_id]
        high = readings.values[channel].to_numpy() > above
        return int(((readings.masks[channel].to_numpy() != 0) & high).sum()), int(high.sum())


@dataclass(frozen=True)
class Known:
    """One known fact: what it is, the truth as the source has it, and how to tell what came out and whether it fits."""

    what: str
    truth: str
    came_out: Callable[[Run], tuple[str, bool]]


def run_measured(folder: Path) -> Run:
    """Take the folder of measured files through ingest, masks and diagnosis."""
    fleet = load_fleet(folder)
    with tempfile.TemporaryDirectory() as place:
        ledger = Ledger(Path(place))
        try:
            report = ingest_fleet(fleet, ledger)
            raw = {site_id: ledger.read_site(site_id) for site_id in fleet.sites}
        finally:
            ledger.close()
    readings = {site_id: masked(fleet.sites[site_id], one) if len(one.values) else one for site_id, one in raw.items()}
    return Run(fleet, report, readings,
               {site_id: diagnose_site(fleet.sites[site_id], one) for site_id, one in readings.items()})


def _onset(site_id: str, cause: str, day: str, size: float, *, days: int = 0) -> Callable[[Run], tuple[str, bool]]:
    """Tell whether a finding begins on the known day and its stated interval holds the known size."""
    def came_out(run: Run) -> tuple[str, bool]:
        found = [one for one in run.diagnoses[site_id].findings if one.cause == cause]
        if not found:
            return "not found", False
        one = found[0]
        off = abs((pd.Timestamp(one.onset) - pd.Timestamp(day)).days)
        said = f"{cause} since {one.onset}, size {one.size:.2f} ({one.size_low:.2f} to {one.size_high:.2f})"
        return said, bool(off <= days and one.size_low <= size <= one.size_high)
    return came_out


def _said(site_id: str, begins: str, *words: str) -> Callable[[Run], tuple[str, bool]]:
    def came_out(run: Run) -> tuple[str, bool]:
        note = run.note(site_id, begins)
        return note, all(word in note for word in words)
    return came_out


def _marks(site_id: str, channel: str, bit: Mask, file: str, column: str) -> Callable[[Run], tuple[str, bool]]:
    """Compare marked samples with the source's truth, stretch by stretch; a stretch counts from nine samples in ten."""
    def came_out(run: Run) -> tuple[str, bool]:
        raw = pd.read_csv(io.BytesIO(gzip.decompress((run.fleet.folder / "logs/power-records" / file).read_bytes())))
        truth = raw[column].astype(str).str.lower().eq("true").to_numpy()
        values = run.readings[site_id].values[channel].to_numpy() / 1000.0
        found = (run.readings[site_id].masks[channel].to_numpy(dtype=np.int64) & int(bit)) != 0
        stretch = np.cumsum(np.concatenate(([True], truth[1:] != truth[:-1])))
        table = pd.DataFrame({"stretch": stretch, "found": found, "value": values})[truth].groupby("stretch").agg(
            share=("found", "mean"), low=("value", "min"), high=("value", "max"), n=("found", "size"))
        # A line that rises by less than 0.5 % of the scale, or a single sample, looks like any other night.
        visible = (table["n"] > 1) & ((table["high"] - table["low"] > 0.005) | (bit is Mask.STUCK))
        whole = table["share"] >= 0.9
        besides = int((found & ~truth).sum())
        said = (f"{int((visible & whole).sum())} of {int(visible.sum())} visible stretches; of {int((~visible).sum())} "
                f"without visible slope {int((~visible & whole).sum())}; {int((found & truth).sum())} of "
                f"{int(truth.sum())} samples; {besides} marked besides")
        return said, bool(whole[visible].all() and besides <= 0.02 * len(found))
    return came_out


def _not_masked(site_id: str, channel: str, above: float) -> Callable[[Run], tuple[str, bool]]:
    def came_out(run: Run) -> tuple[str, bool]:
        bad, count = run.masked_share(site_id, channel, above)
        highest = float(run.readings[site_id].values[channel].max())
        return f"highest {highest:.0f} W/m2; {bad} of {count} values above {above:.0f} masked", bad == 0 and count > 0
    return came_out


def _level(site_id: str, day: str, low: float, high: float) -> Callable[[Run], tuple[str, bool]]:
    """Tell whether the change of level that the diagnosis states holds the known date and overlaps the known size."""
    def came_out(run: Run) -> tuple[str, bool]:
        change = lasting_change(run.readings[site_id], run.fleet.sites[site_id].timezone)
        if change is None or not change.found:
            return "no lasting change", False
        fits = (change.when_low <= pd.Timestamp(day) <= change.when_high
                and change.size_low <= high and change.size_high >= low)
        said = (f"{change.size:+.2f} m of depth (95 % {change.size_low:+.2f} to {change.size_high:+.2f}), "
                f"{change.shape}, {change.when.date()}, from {change.when_low.date()} to {change.when_high.date()}")
        return said, bool(fits)
    return came_out


def _rows(site_id: str, rows: int) -> Callable[[Run], tuple[str, bool]]:
    def came_out(run: Run) -> tuple[str, bool]:
        found = len(run.readings[site_id].values)
        return f"{found} readings", found == rows
    return came_out


KNOWN: tuple[Known, ...] = (
    Known("Array of 204 kW off a whole day", "6 Jan 2022", _onset("flat-roof", "drive_stopped", "2022-01-06", 1.0)),
    Known("Clock of that logger", "two hours late: light at 17:15 although the sun set at 16:47, days symmetric about "
          "14:05 instead of 12:05 (the source calls it mountain standard time)",
          _onset("flat-roof", "clock_shift", "2022-01-02", 2.0)),
    Known("Clock of the deck in the week US clocks changed", "standard time throughout",
          _said("sky-denver", "Clock", "agrees")),
    Known("Inverter record: clock jumps", "one hour from day 162 of the record (12 Jun in the invented dates)",
          _onset("clock-power", "clock_shift", "2015-06-12", -1.0, days=2)),
    Known("Stuck values put in by the source", "245 samples in three stretches",
          _marks("stuck-power", "array_power_w", Mask.STUCK, TRUTH_STUCK, "stale_data_mask")),
    Known("Straight lines put in by the source", "12 stretches, marked",
          _marks("straight-power", "array_power_w", Mask.INTERPOLATED, TRUTH_STRAIGHT, "interpolated_data_mask")),
    Known("Codes for no value", "-1 000 000 three times",
          lambda run: _count_bit(run, "sentinel-power", "array_power_w", Mask.SENTINEL, 3)),
    Known("Scale of a plane sensor", "from 25 May 2023, peaks near 5 500 instead of 1 100 W/m2",
          _onset("plane-jump", "irradiance_sensor_fault", "2023-05-25", 5.0)),
    Known("Cloud edges at Payerne", "1 404 W/m2, real", _not_masked("sky-payerne", "global_horizontal_irradiance_w_m2",
                                                                   1200.0)),
    Known("Cloud edges at Golden", "plane of array to 1 320 W/m2, real",
          _not_masked("sky-denver", "poa_irradiance_w_m2", 1200.0)),
    Known("Cloud edges over the roof strings", "1 270 W/m2, real",
          _not_masked("roof-string-1", "poa_irradiance_w_m2", 1200.0)),
    Known("Water main: floor of the meter", "24.24 to 24.28 l/s", _said("water-main", "Flow: the meter", "24.26")),
    Known("Water main: shut-downs", "24 Mar 09:00 to 25 Mar 00:00, 29 Mar 09:00 to 18:00, 27 Apr 16:00 to 28 Apr 05:00 "
          "including the way down and up", _said("water-main", "Flow: stopped", "3 time(s)", "2022-03-24",
                                                 "2022-03-29 09:00", "2022-04-28")),
    Known("Water main: gaps", "10, the longest 32 h up to 25 Apr 10:00",
          _said("water-main", "Record", "10 gap(s)", "32 h up to 2022-04-25 10:00")),
    Known("Water main: offset change of 27 March", "no gap there",
          lambda run: _no_gap(run, "water-main", "2022-03-27")),
    Known("Well field stops for good", "31 Jul 2012; head rises 0.3 to 0.5 m",
          _level("well-field", "2012-07-31", -0.5, -0.3)),
    Known("River dam", "1 Jan 2012; close to +1.0 m", _level("river-dam", "2012-01-01", -1.1, -0.9)),
    Known("Slow decline", "more than 3 m from 1960 to 1975, then a rise: a ramp and no step",
          lambda run: (run.note("slow-decline", "Level"), " years from 196" in run.note("slow-decline", "Level"))),
    Known("Tab-separated well file", "76 168 rows", _rows("tabs-well", 76168)),
    Known("Semicolon well file", "28 797 rows", _rows("semicolon-well", 28797)),
    Known("Text trailer", "15 222 readings", _rows("trailer-well", 15222)),
    Known("Slug test in XML, eight readings a second", "587 records", _rows("slug-well", 587)),
    Known("Second input of string 1 reads zero", "nothing connected by design; no finding",
          lambda run: _no_finding(run, "roof-string-1", "string_open")),
)


def _count_bit(run: Run, site_id: str, channel: str, bit: Mask, wanted: int) -> tuple[str, bool]:
    found = int(((run.readings[site_id].masks[channel].to_numpy(dtype=np.int64) & int(bit)) != 0).sum())
    return f"{found} marked", found == wanted


def _no_gap(run: Run, site_id: str, day: str) -> tuple[str, bool]:
    local = pd.DatetimeIndex(run.readings[site_id].values.index).tz_convert(run.fleet.sites[site_id].timezone)
    hours = int((local.strftime("%Y-%m-%d") == day).sum())
    return f"{hours} readings on the day of 23 hours", hours == 23


def _no_finding(run: Run, site_id: str, cause: str) -> tuple[str, bool]:
    found = [one.cause for one in run.diagnoses[site_id].findings]
    return f"findings: {', '.join(found) or 'none'}", cause not in found


# Site, days that are free of snow (all if empty), coefficients of a stronger plain model where the source has them.
ARRAYS: tuple[tuple[str, list[str], str, str], ...] = (
    ("roof-string-1", [], "baseline/sapm-roof-strings.json", "label of the source; one clear and broken day"),
    ("roof-string-2", [], "baseline/sapm-roof-strings.json", "the same modules beside it"),
    ("flat-roof", ["2022-01-04", "2022-01-05"], "", "11 years old; clock two hours late; days without snow"),
    ("bipolar-roof", ["2022-01-03", "2022-01-04", "2022-01-05"], "",
     "28 years old; module and wiring from memory; days without snow on the panes"),
)


def with_clock_set(readings: SiteReadings, hours: float) -> SiteReadings:
    """Return readings with every stamp moved back by some hours, as an operator would after a clock finding."""
    shift = pd.Timedelta(minutes=round(hours * 60.0))
    return SiteReadings(readings.site_id, readings.values.set_axis(readings.values.index - shift),
                        readings.masks.set_axis(readings.masks.index - shift),
                        readings.interval_s.set_axis(readings.interval_s.index - shift))


def array_tables(run: Run) -> dict[str, tuple[str, pd.DataFrame]]:
    """Compare every array with its measured power, that of a wrong clock also with the clock set right."""
    tables = {}
    for site_id, days, coefficients, says in ARRAYS:
        file = run.fleet.folder / coefficients if coefficients else None
        site, readings = run.fleet.sites[site_id], run.readings[site_id]
        tables[site_id] = says, compare_array(site, readings, days, file)
        for one in run.diagnoses[site_id].findings:
            if one.cause == "clock_shift":
                tables[f"{site_id}, clock set"] = (
                    f"the same with its stamps moved by the {one.size:.2f} h that were found",
                    compare_array(site, with_clock_set(readings, one.size), days, file))
    return tables


def array_section(tables: dict[str, tuple[str, pd.DataFrame]]) -> list[str]:
    """Write the tables of the arrays, and in which bins the chain is worse than which plain model."""
    lines = ["## Arrays: power at the drive against measured power", "",
             "Bias, then nRMSE over the mean measured power of the bin, of six predictions on the same rows, the sun "
             f"at least {LEAST_SUN_DEG:.0f} degrees up (below stand neighbours and hills that nobody described).", "",
             "- *sheet*: the chain from the sheet alone.",
             "- *own*: the chain as it runs, with what the site's own record has taught of scale, sensor zero and "
             "warmth within the sheet's tolerances; no row is predicted by what was learned from its own day (of one "
             "single day: from its own half).",
             "- *plain*: pvlib's ModelChain by its ordinary path, `run_model_from_poa`: pvlib's split of plane light, "
             "reflection and spectrum of the Sandia model with the coefficients of the source (roof strings), else De "
             "Soto fitted to the label by pvlib and the physical reflection; no other loss, as ModelChain has it by "
             "default.",
             "- *lossless*: ModelChain from effective irradiance, without reflection too. *fair*: that less mismatch, "
             "connections, age and tracking. *scaled*: plain times the one factor that the rows ask for which taught "
             "*own*.", "", "V and I are biases of the chain from the sheet.", ""]
    for name, (says, table) in tables.items():
        lines += [f"**{name}** ({says})", "",
                  f"| W/m2 | n | measured W | {' | '.join(MODELS)} | V | I |",
                  f"| --- | ---: | ---: |{' ---: |' * len(MODELS)} ---: | ---: |"]
        for _, row in table.iterrows():
            cells = " | ".join(f"{row[f'bias_{who}']:+.1%}, {row[f'nrmse_{who}']:.1%}" for who in MODELS)
            lines.append(f"| {row.low_w_m2:.0f} to {row.high_w_m2:.0f} | {row.n:.0f} | {row.measured_w:.0f} | {cells} "
                         f"| {row.voltage_bias:+.1%} | {row.current_bias:+.1%} |")
        lines.append("")
    bins = sum(len(table) for _, table in tables.values())
    lines += [f"Not worse than plain in any of the {bins} bins was the aim. By nRMSE:", "",
              "| chain | against | worse in | bins |", "| --- | --- | ---: | --- |"]
    for ours in ("own", "sheet"):
        for theirs in ("plain", "lossless", "fair", "scaled"):
            worse = worse_bins(tables, ours, theirs)
            lines.append(f"| {ours} | {theirs} | {len(worse)} | {'; '.join(worse) or 'none'} |")
    return [*lines, "", *_ARRAY_REMARKS, ""]


_ARRAY_REMARKS = (
    "Why the two young strings give more than their sheet. They give 1.00 to 1.02 of the label's current for what the "
    "pyranometer in their plane reads, and 1 to 5 % more than the label's voltage; no loss of a healthy array is seen. "
    "On the clear afternoon of that file the pyranometer reads 0.98 of what the direct beam and the level sensor of "
    "the weather tower make in the plane after Perez: a quarter of the miss. The strings do show reflection at "
    "slanting light: from 33 to 60 and 67 degrees of incidence their current over light falls by about 3 and 7 %. The "
    "rest is two specimens of one label. Models that leave losses out are nearer there for that reason alone: on the "
    "roofs of 11 and 28 years they are 13 to 29 % too high.",
    "",
    "What was mended for physics and not for these rows: plane light is split into beam and diffuse by the level sky "
    "that gives it (held against measured beams at two other stations), a thermopile's reading is brought to what "
    "modules make of the spectrum, and mismatch follows from the label's tolerance. *Scaled* is often the best where "
    "one factor is all that is wrong; it knows nothing of tolerances and would follow any fault.",
)


def worse_bins(tables: dict[str, tuple[str, pd.DataFrame]], ours: str, theirs: str) -> list[str]:
    """Return in which bins one prediction has a larger nRMSE than another."""
    return [f"{name} {row.low_w_m2:.0f} to {row.high_w_m2:.0f}" for name, (_, table) in tables.items()
            for _, row in table[table[f"nrmse_{ours}"] > table[f"nrmse_{theirs}"]].iterrows()]


def short_section(run: Run, good: int, tables: dict[str, tuple[str, pd.DataFrame]]) -> list[str]:
    """Write the few lines that a reader in a hurry needs, good and bad alike."""
    lines = ["## In short", "",
             f"- {len(run.fleet.sites)} stations, {run.report.files_new} files in {len(run.fleet.profiles)} layouts, "
             f"{run.report.rows} rows: {run.report.files_unreadable} unreadable files, {run.report.quarantined} cells "
             "or rows in quarantine.",
             f"- {good} of {len(KNOWN)} known facts of the sources came out (outage day, clock errors, stuck and drawn "
             "values, meter floor, shut-downs, gaps, level steps, a sensor's change of scale, cloud edges left alone)."]
    for name, (_, table) in tables.items():
        bright = table[table["low_w_m2"] >= 400.0]
        if bright.empty:
            continue
        said = []
        for who in ("own", "sheet", "plain"):
            bias, error = bright[f"bias_{who}"], bright[f"nrmse_{who}"]
            said.append(f"{bias.min():+.1%} to {bias.max():+.1%} off, nRMSE up to {error.max():.1%}")
        lines.append(f"- Array {name}: power above 400 W/m2, learned on other days or hours, {said[0]}; by the sheet "
                     f"alone {said[1]}; pvlib's ModelChain {said[2]}.")
    return [*lines, ""]


def known_section(run: Run) -> tuple[list[str], int]:
    """Write every known fact beside what came out."""
    lines = ["## Known facts", "", "| fact | truth | what came out | |", "| --- | --- | --- | --- |"]
    good = 0
    for one in KNOWN:
        text, fits = one.came_out(run)
        good += fits
        lines.append(f"| {one.what} | {one.truth} | {text} | {'found' if fits else '**missed**'} |")
    return [*lines, "", f"{good} of {len(KNOWN)} known facts came out as they are.", ""], good


def reading_section(run: Run) -> list[str]:
    """Write what was read of each station, which bits were set, and what was judged."""
    lines = ["## Stations", "", f"{run.report.files_new} files, {run.report.rows} rows, "
             f"{run.report.files_unreadable} unreadable, {run.report.quarantined} cells or rows in quarantine.", ""]
    lines += [f"- {message}" for message in run.report.messages]
    lines += ["", "| station | readings | masked | judged | findings |", "| --- | ---: | --- | --- | --- |"]
    for site_id, readings in sorted(run.readings.items()):
        diagnosis = run.diagnoses[site_id]
        bits = {mask.name.lower(): int(((readings.masks.to_numpy(dtype=np.int64) & int(mask)) != 0).sum())
                for mask in Mask if mask and mask.name}
        shown = ", ".join(f"{name} {count}" for name, count in bits.items() if count) or "none"
        judged = diagnosis.verdict_says.partition("Judged: ")[2].rstrip(".") or "nothing"
        found = ", ".join(f"{one.cause} since {one.onset}" for one in diagnosis.findings) or "none"
        lines.append(f"| {site_id} | {len(readings.values)} | {shown} | {judged} | {found} |")
    return [*lines, ""]


def results_text(run: Run) -> str:
    """Write the whole of RESULTS.md."""
    known, good = known_section(run)
    tables = array_tables(run)
    head = ["# What came out on measured data", "",
            "Made by `make measured` from the files in `logs/`; sources and licences are in `SOURCES.md`. No station "
            "is a solar pump: none was found under an open licence. Delivery and pump faults are therefore not judged "
            "here; light, arrays, flow records, water levels, clocks and the reading of files are.", ""]
    return "\n".join([*head, *short_section(run, good, tables), *known, *array_section(tables),
                      *reading_section(run)])


def main() -> None:
    """Run the report, print it and write it beside the data."""
    parser = argparse.ArgumentParser(description="What comes out on measured data, beside the known truth.")
    parser.add_argument("folder", nargs="?", type=Path, help="the folder of measured files")
    parser.add_argument("--no-write", action="store_true", help="print only")
    asked = parser.parse_args()
    folder = asked.folder or sample_logs_folder() / "measured"
    text = results_text(run_measured(folder))
    print(text)
    if not asked.no_write:
        (folder / "RESULTS.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
