"""Sites of a fleet beside each other, from what the ledger holds of each."""

from typing import TYPE_CHECKING

from pipelines.stages.asking import diagnoses_of
from pipelines.stages.outfolder import OutFolder

if TYPE_CHECKING:
    from diagnostics.fleet_context import FleetContext
    from pipelines.fleet import Fleet


def context_of(fleet: "Fleet", out: OutFolder) -> "FleetContext":
    """Return what the sites say of each other; a second, cheap pass over stored results that changes none of them."""
    from diagnostics.fleet_context import fleet_context

    return fleet_context(fleet.sites, diagnoses_of(fleet, out))
