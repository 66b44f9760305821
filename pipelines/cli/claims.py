"""The verb that judges a low-output claim."""

import sys
from typing import Annotated

import typer

from pipelines.cli.options import HERE, AsJson, FleetHere, Out, SiteId, example

First = Annotated[str, typer.Option("--from", metavar="DAY", help="First day of the claim, 2026-03-01.",
                                    show_default=False)]
Last = Annotated[str, typer.Option("--to", metavar="DAY", help="Last day of the claim, 2026-05-31.",
                                   show_default=False)]


def claim(site: SiteId, first: First, last: Last, fleet: FleetHere = HERE, as_json: AsJson = False,
          out: Out = None) -> None:
    """Judge a low-output claim against the site's guarantee: the verdict, how sure, since when, and whose it is."""
    from dashboards.claim_report import claim_text
    from pipelines.stages.asking import to_json
    from pipelines.stages.claiming import claim_of
    from pipelines.stages.loading import load
    from pipelines.stages.outfolder import OutFolder
    from pipelines.stages.viewing import desk_units

    loaded = load(fleet)
    judgement = claim_of(loaded, OutFolder.of(fleet, out), site, first, last)
    sys.stdout.write(to_json(judgement) + "\n" if as_json else
                     claim_text(judgement, loaded.sites[site].name, desk_units(loaded)))


def add_to(app: typer.Typer) -> None:
    """Register the verb."""
    app.command(rich_help_panel="Ask", epilog=example(
        "liftledger claim mesa-line --from 2026-05-01 --to 2026-07-31 --fleet sample-logs/fleet --out demo-out"))(claim)
