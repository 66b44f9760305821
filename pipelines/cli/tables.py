"""What the verbs print: tables for people on the screen."""

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console
from rich.markup import escape
from rich.table import Table

if TYPE_CHECKING:
    from dashboards.shown import DeskUnits
    from diagnostics.results import SiteDiagnosis, WaterAccount
    from diagnostics.site import Site
    from pipelines.fleet import Fleet, Problem
    from pipelines.ingest.describe import FileDescription
    from pipelines.ingest.load import IngestReport
    from pipelines.proof_of_demo import ScoreCard
    from pipelines.stages.diagnosing import SiteFailure
    from pipelines.stages.outfolder import OutFolder
    from pipelines.stages.publishing import LettersReport

_MESSAGES_SHOWN = 20


def screen(*, errors: bool = False) -> Console:
    """Return the console; where output goes to a file or a pipe, lines are not cut at 80 characters."""
    console = Console(stderr=errors, highlight=False)
    if not console.is_terminal:
        console.width = 160
    return console


def print_problems(problems: "Sequence[Problem]", n_sites: int, folder: Path) -> int:
    """List what is wrong with a fleet folder and return the number of errors among it."""
    console = screen()
    errors = [problem for problem in problems if problem.severity == "error"]
    for problem in sorted(problems, key=lambda one: (one.severity != "error", one.file)):
        console.print(f"[bold]{problem.severity}[/bold]  {escape(str(problem))}", soft_wrap=True)
    console.print(f"{folder}: {n_sites} site(s) can be used; {len(errors)} error(s), "
                  f"{len(problems) - len(errors)} warning(s).", soft_wrap=True)
    return len(errors)


def print_skipped(fleet: "Fleet", folder: Path) -> None:
    """Say on the error stream that some sites are left out, never in silence."""
    errors = [problem for problem in fleet.problems if problem.severity == "error"]
    if errors:
        screen(errors=True).print(
            f"{len(errors)} error(s) in the fleet folder; what they touch is left out. The first: "
            f"{escape(str(errors[0]))} `liftledger check {folder}` lists them all.", soft_wrap=True)


def print_failures(failures: "Iterable[SiteFailure]") -> None:
    """Name the sites that could not be worked out."""
    for failure in failures:
        screen(errors=True).print(f"{failure.site_id}: could not be worked out: {escape(failure.says)}", soft_wrap=True)


def print_where(out: "OutFolder") -> None:
    """Print the last line of a whole job: where to look."""
    console = screen()
    console.print(f"Fleet page: {out.fleet_page}", soft_wrap=True)


def table(title: str, *columns: str, right: Iterable[str] = ()) -> Table:
    """Return an empty table of one look."""
    made = Table(title=title, title_justify="left", title_style="bold", box=None, pad_edge=False, header_style="bold")
    for name in columns:
        made.add_column(name, justify="right" if name in right else "left", overflow="fold")
    return made


def print_ingest(report: "IngestReport", console: Console) -> None:
    """Say what came in and, file by file, what did not."""
    console.print(escape(str(report)), soft_wrap=True, highlight=False)
    gathered = _gathered(report.messages)
    for message in gathered[:_MESSAGES_SHOWN]:
        console.print(f"  {escape(message)}", soft_wrap=True, highlight=False)
    if len(gathered) > _MESSAGES_SHOWN:
        console.print(f"  and {len(gathered) - _MESSAGES_SHOWN} more; the site pages list them all.")
    if report.unclaimed:
        named = ", ".join(report.unclaimed[:5]) + (" ..." if len(report.unclaimed) > 5 else "")
        console.print(f"  {len(report.unclaimed)} file(s) in logs/ belong to no site: {escape(named)}", soft_wrap=True)


def _gathered(messages: Sequence[str]) -> list[str]:
    """Say once what holds for many files of one folder; what happened once stands first."""
    files: dict[tuple[str, str], list[str]] = {}
    for message in messages:
        name, _, says = message.partition(": ")
        files.setdefault((name.rpartition("/")[0], says), []).append(name)
    return [f"{names[0]}: {says}" if len(names) == 1 else f"{folder}/ ({len(names)} files, the first "
            f"{names[0].rpartition('/')[2]}): {says}"
            for (folder, says), names in sorted(files.items(), key=lambda item: len(item[1]))]


def print_letters(report: "LettersReport", out: "OutFolder") -> None:
    """Say how many letters wait in the outbox, and who gets none."""
    for site_id, reason in report.skipped.items():
        screen(errors=True).print(f"  no letter for {site_id}: {escape(reason)}", soft_wrap=True)
    screen().print(f"{len(report.written)} letter(s) for {report.month} in {out.outbox}", soft_wrap=True)


def print_findings(fleet: "Fleet", out: "OutFolder", *, sites: Iterable[str] | None = None, only_open: bool) -> None:
    """Print the findings as a table, then what was not judged, then how many sites are well."""
    from dashboards.facts import size_says
    from dashboards.figures import short_label
    from dashboards.shown import day_words, volume
    from dashboards.wording import desk
    from diagnostics.consequence import MEASURING_CAUSES
    from pipelines.stages.asking import diagnoses_of, listed
    from pipelines.stages.viewing import desk_units

    units = desk_units(fleet)
    diagnoses = diagnoses_of(fleet, out, sites)
    words = desk()
    console = screen()
    shown = table("Findings", "Site", "Finding", "Sure", "Since", "Size", "Lost a day", "Go", "Status",
                  right=("Lost a day",))
    rows = listed(diagnoses.values(), only_open=only_open)
    for finding in rows:
        also = [short_label(code).lower() for code in finding.group if code != finding.cause]
        name = short_label(finding.cause) + (f", or {', or '.join(also)}" if also else "")
        lost = "–" if finding.cause in MEASURING_CAUSES else volume(finding.water_lost_m3_day, units.volume, 2)
        size = size_says(finding, units, meant=False)
        shown.add_row(finding.site_id, escape(name), f"{finding.confidence:.2f}", day_words(finding.onset),
                      escape(size), lost, words["urgency"][finding.urgency],
                      words["status"][finding.status])
    if rows:
        console.print(shown)
    else:
        console.print("No findings." if diagnoses else "Nothing was worked out yet. Run `liftledger run`.")
    if sites is None and diagnoses:
        _print_events(console, fleet, diagnoses)
    _print_verdicts(console, diagnoses, fleet)


def _print_events(console: Console, fleet: "Fleet", diagnoses: "dict[str, SiteDiagnosis]") -> None:
    """Say of findings that began together under one sky or on one groundwater that they are one event."""
    from diagnostics.fleet_context import fleet_events

    for event in fleet_events(fleet.sites, diagnoses):
        if event.is_open:
            console.print(f"One event (sure {event.confidence:.2f}): {escape(event.says)} {', '.join(event.sites)}.",
                          soft_wrap=True)


def _print_verdicts(console: Console, diagnoses: "dict[str, SiteDiagnosis]", fleet: "Fleet") -> None:
    from dashboards.facts import verdict_of
    from dashboards.wording import desk

    words = desk()["verdict"]
    unknown = {site_id: one for site_id, one in diagnoses.items() if one.verdict == "not enough data"}
    for site_id, diagnosis in unknown.items():
        console.print(f"{site_id}: not enough data for a verdict. {escape(diagnosis.verdict_says)}", soft_wrap=True)
    told = [verdict_of(fleet.sites[site_id], one) for site_id, one in diagnoses.items()]
    counts = {verdict: told.count(verdict) for verdict in words}
    console.print(f"{len(diagnoses)} site(s): " + ", ".join(
        f"{count} {words[verdict]['word'][:1].lower()}{words[verdict]['word'][1:]}"
        for verdict, count in counts.items() if count))


def print_account(site: "Site", account: "WaterAccount", units: "DeskUnits") -> None:
    """Print a water account in the company's units; its lines add up to what was expected."""
    from dashboards.shown import day_words, volume
    from dashboards.wording import cause_labels, desk

    labels, states = cause_labels(), desk()["state"]
    shown = table(f"Water account of {site.name}, {day_words(account.first_day)} to {day_words(account.last_day)}", "",
                  "Volume", "95 % interval", right=("Volume", "95 % interval"))
    unit = units.volume
    shown.add_row("Expected", volume(account.expected_m3, unit, 4),
                  _between(account.expected_low_m3, account.expected_high_m3, unit))
    for line in account.lines:
        name = {"delivered": "Delivered", "unexplained": "Not explained"}.get(
            line.kind, states.get(line.code) if line.kind == "state" else labels.get(line.code)) or line.code
        shown.add_row(f"  {escape(name)}", volume(line.volume_m3, unit, 4),
                      _between(line.low_m3, line.high_m3, unit))
    console = screen()
    console.print(shown)
    console.print(f"{account.judged_days} of {account.days} days judged; the meter saw "
                  f"{volume(account.seen_m3, unit, 4)} in all.")


def _between(low_m3: float, high_m3: float, unit: str) -> str:
    from dashboards.shown import volume

    return f"{volume(low_m3, unit)} to {volume(high_m3, unit)}"


def print_score(card: "ScoreCard") -> None:
    """Print how the demo was judged against what was planted in it."""
    console = screen()
    sites = table("What was planted and what was said", "Site", "Family", "Planted", "Said", "Place", "Onset error",
                  right=("Onset error",))
    for one in card.sites:
        state = "" if not one.state_planted else f" ({one.state_planted}: {'seen' if one.state_seen else 'not seen'})"
        sites.add_row(one.site_id, one.family, one.planted + state, ", ".join(one.said) or "nothing", one.place,
                      "" if one.onset_error_days is None else f"{one.onset_error_days:+d} days")
    console.print(sites)
    confusion = table("Confusion", "Planted", "Said", "Sites", right=("Sites",))
    for planted, said, count in card.confusion:
        confusion.add_row(planted, said, str(count))
    console.print(confusion)
    for name, count in card.totals().items():
        console.print(f"{name}: {count}")
    delivery = table("Daily expected delivery of sound sites against the plant's healthy delivery", "Site", "Family",
                     "Days", "nRMSE", "Bias", "Inside 95 % interval", right=("Days", "nRMSE", "Bias",
                                                                              "Inside 95 % interval"))
    for one in card.delivery:
        delivery.add_row(one.site_id, one.family, str(one.days), f"{one.nrmse:.1%}", f"{one.bias:+.1%}",
                         f"{one.coverage:.0%}")
    console.print(delivery)


def print_description(found: "FileDescription", written_to: Path | None) -> None:
    """Print what was found out about a logger file."""
    console = screen()
    console.print(escape(f"{found.file}: {found.rows} row(s) read with the draft, {found.quarantined} cell(s) or "
                         "row(s) not readable"), soft_wrap=True)
    if len(found.first_rows):
        console.print("\n[bold]First rows as the draft reads them[/bold]")
        console.print(escape(found.first_rows.to_string(index=False)), soft_wrap=True)
    console.print("\n[bold]How sure[/bold]  " + ", ".join(f"{escape(part)} {value:.0%}"
                                                          for part, value in found.confidence.items()))
    for heading, sentences in (("Look at", found.notes), ("What no file can tell", found.cannot_know)):
        if sentences:
            console.print(f"\n[bold]{heading}[/bold]")
            for sentence in sentences:
                console.print(f"  {escape(sentence)}", soft_wrap=True)
    if written_to is None:
        console.print("\n[bold]Draft of a profile[/bold] (--write loggers/NAME.toml saves it)")
        console.print(escape(found.draft), soft_wrap=True)
    else:
        console.print(f"\nDraft saved to {written_to}.", soft_wrap=True)
