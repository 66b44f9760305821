"""Results out: pages, letters, alerts. The words and figures are made in `dashboards`."""

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.stages.outfolder import OutFolder

if TYPE_CHECKING:
    from pipelines.fleet import Fleet
    from pipelines.ledger import Ledger


def publish(fleet: "Fleet", ledger: "Ledger", out: OutFolder, *, as_of: datetime,
            progress: Callable[[str], None] | None = None) -> list[Path]:
    """Write the fleet page and one page a site; pages that have not changed are left alone."""
    raise NotImplementedError
