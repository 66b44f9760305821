"""Verbs that answer a question: findings, account, explain, describe, score."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.options import HERE, AsJson, Fleet, FleetHere, Month, OnlySite, Out, SiteId, example

if TYPE_CHECKING:
    from pipelines.fleet import Fleet as LoadedFleet
    from pipelines.stages.outfolder import OutFolder


def findings(fleet: Fleet = HERE, site: OnlySite = None,
             open_only: Annotated[bool, typer.Option("--open/--all", help="Only what is still there, or healed and "
                                                     "mended findings too.")] = True,
             context: Annotated[bool, typer.Option("--context", help="Also what sites say of each other: events of "
                                                   "several sites, neighbours, rates by equipment and installer.")
                                ] = False,
             as_json: AsJson = False, out: Out = None) -> None:
    """List what was found, the most urgent first."""
    from pipelines.cli.tables import print_findings
    from pipelines.stages.asking import findings_of, to_json

    loaded, out_folder = _open(fleet, out)
    if context:
        from pipelines.cli.context_tables import print_context
        from pipelines.stages.beside import context_of

        beside = context_of(loaded, out_folder)
        if as_json:
            _print_json(to_json({"findings": findings_of(loaded, out_folder, sites=site, only_open=open_only),
                                 **beside.model_dump()}))
        else:
            print_findings(loaded, out_folder, sites=site, only_open=open_only)
            print_context(loaded, beside)
        return
    if as_json:
        _print_json(to_json(findings_of(loaded, out_folder, sites=site, only_open=open_only)))
    else:
        print_findings(loaded, out_folder, sites=site, only_open=open_only)


def account(site: SiteId, month: Month = None, fleet: FleetHere = HERE, as_json: AsJson = False,
            out: Out = None) -> None:
    """Show where the water of a month went: expected, delivered, and every cause between the two."""
    from pipelines.cli.tables import print_account
    from pipelines.stages.asking import account_of, to_json
    from pipelines.stages.viewing import desk_units

    loaded, out_folder = _open(fleet, out)
    water_account = account_of(loaded, out_folder, site, month)
    if as_json:
        _print_json(to_json(water_account))
    else:
        print_account(loaded.sites[site], water_account, desk_units(loaded))


def explain(site: SiteId,
            at: Annotated[str, typer.Option("--at", metavar="TIME", help="Moment inside the interval; local time of "
                                            "the site if no zone is written.", show_default=False)],
            fleet: FleetHere = HERE, out: Out = None) -> None:
    """Show the chain of one interval, link by link: what was expected, and where each number comes from."""
    from pipelines.stages.asking import explanation_of

    loaded, out_folder = _open(fleet, out)
    typer.echo(explanation_of(loaded, out_folder, site, at))


def score(out: Annotated[Path, typer.Option("--out", metavar="FOLDER", help="Folder of a finished `liftledger demo`."
                                            )] = Path("demo-out"),
          markdown: Annotated[bool, typer.Option("--markdown", help="Print Markdown tables.")] = False,
          as_json: AsJson = False) -> None:
    """Hold the demo's findings and expected delivery against what was planted in it."""
    from pipelines.cli.tables import print_score
    from pipelines.proof_of_demo import score_demo
    from pipelines.stages.asking import to_json
    from pipelines.stages.demo import sample_logs_folder
    from pipelines.stages.loading import load, open_ledger
    from pipelines.stages.outfolder import OutFolder

    folder = sample_logs_folder()
    with open_ledger(OutFolder.of(folder / "fleet", out), read_only=True) as ledger:
        card = score_demo(load(folder / "fleet"), ledger, folder)
    if as_json:
        _print_json(to_json(card))
    elif markdown:
        typer.echo(card.as_markdown())
    else:
        print_score(card)


def _open(folder: Path, out: Path | None) -> "tuple[LoadedFleet, OutFolder]":
    from pipelines.stages.loading import load
    from pipelines.stages.outfolder import OutFolder

    return load(folder), OutFolder.of(folder, out)


def _print_json(text: str) -> None:
    sys.stdout.write(text + "\n")


def describe(file: Annotated[Path, typer.Argument(metavar="FILE", help="A file as a logger wrote it.",
                                                  show_default=False)],
             write: Annotated[Path | None, typer.Option("--write", metavar="PROFILE", help="Save the draft here, for "
                                                        "instance loggers/mine.toml.", show_default=False)] = None
             ) -> None:
    """Look at an unknown logger file: draft its profile, say how sure it is, and what no file can tell."""
    from pipelines.cli.tables import print_description
    from pipelines.stages.asking import description_of

    print_description(description_of(file, write), write)


def add_to(app: typer.Typer) -> None:
    """Register the verbs."""
    panel = "Ask"
    app.command(rich_help_panel=panel, epilog=example(
        "liftledger findings sample-logs/fleet --out demo-out --all",
        "liftledger findings sample-logs/fleet --out demo-out --context"))(findings)
    app.command(rich_help_panel=panel, epilog=example(
        "liftledger account cinder-south --fleet sample-logs/fleet --out demo-out"))(account)
    app.command(rich_help_panel=panel, epilog=example(
        "liftledger explain cinder-south --at '2026-06-14 12:00' --fleet sample-logs/fleet --out demo-out"))(explain)
    app.command(rich_help_panel=panel, epilog=example(
        "liftledger describe sample-logs/fleet/logs/cinder-south/2026-W10.csv.gz"))(describe)
    app.command(rich_help_panel=panel, epilog=example("liftledger score --out demo-out"))(score)
