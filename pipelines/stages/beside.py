"""Sites of a fleet beside each other, from what the ledger holds of each."""

from datetime import timedelta
from typing import TYPE_CHECKING

from pipelines.stages.asking import diagnoses_of
from pipelines.stages.loading import open_ledger
from pipelines.stages.moments import judged_at
from pipelines.stages.outfolder import OutFolder

if TYPE_CHECKING:
    from datetime import datetime

    import pandas as pd

    from diagnostics.fleet_context import FleetContext
    from pipelines.fleet import Fleet
    from pipelines.ledger import Ledger

# Readings looked at every time for sites that hold each other's; a pair that stands out is then read in full.
_LOOKED_AT = timedelta(days=60)


def context_of(fleet: "Fleet", out: OutFolder) -> "FleetContext":
    """Return what the sites say of each other; a second, cheap pass over stored results that changes none of them."""
    from diagnostics.fleet_context import fleet_context

    with open_ledger(out, read_only=True) as ledger:
        sizes = sizes_of(fleet, ledger, judged_at(None, fleet, ledger))
    return fleet_context(fleet.sites, diagnoses_of(fleet, out), sizes=sizes)


def sizes_of(fleet: "Fleet", ledger: "Ledger", as_of: "datetime") -> "dict[str, pd.DataFrame]":
    """
    Return how great the readings of each site are, day by day, to tell whether two sites hold each other's.

    Newest readings alone, so that a fleet costs seconds; the whole record of sites that seem exchanged, to date it.
    """
    from diagnostics.fleet_context.exchanged_sites import exchanged_sites
    from diagnostics.fleet_context.site_sizes import sheet_sizes, sizes_by_day

    told_apart = [site_id for site_id, site in fleet.sites.items() if sheet_sizes(site) is not None]
    if len(told_apart) < 2:
        return {}
    read = {site_id: ledger.read_site(site_id, start=as_of - _LOOKED_AT, end=as_of) for site_id in told_apart}
    sizes = {site_id: sizes_by_day(fleet.sites[site_id], readings) for site_id, readings in read.items()
             if len(readings.values)}
    for pair in exchanged_sites(fleet.sites, sizes):
        for site_id in pair.sites:
            sizes[site_id] = sizes_by_day(fleet.sites[site_id], ledger.read_site(site_id, end=as_of))
    return sizes
