"""Expected beside delivered, day by day or reading by reading, as plain tables for other programs."""

from typing import TYPE_CHECKING

from pipelines.errors import RequestError
from pipelines.stages.loading import chosen_sites, open_ledger
from pipelines.stages.moments import parse_day
from pipelines.stages.outfolder import OutFolder

if TYPE_CHECKING:
    import pandas as pd

    from pipelines.fleet import Fleet


def by_time_of(fleet: "Fleet", out: OutFolder, site_id: str, first: str | None, last: str | None, *,
               readings: bool = False) -> "pd.DataFrame":
    """
    Return what a site should have delivered beside what it did.

    Parameters
    ----------
    fleet : Fleet
        Loaded fleet.
    out : OutFolder
        Where its ledger stands.
    site_id : str
        Site.
    first, last : str or None
        Local days, both included; the whole record where not given.
    readings : bool, optional
        One row a reading instead of one a day.

    Returns
    -------
    table : pandas.DataFrame
        By day: index "day" and the columns of `diagnostics.results.DAY_COLUMNS`. By reading: index
        "interval_end_utc" and expectation, its 95 % interval and measurement, units in the names, and the local day;
        "expected_..." is by the sheet alone, "own_expected_flow_m3_s" also by the site's own sound record, as by day.

    Raises
    ------
    RequestError
        If a day cannot be read, the period runs backwards, or the site has not been worked out for it.
    """
    chosen_sites(fleet, [site_id])
    with open_ledger(out, read_only=True) as ledger:
        diagnosis = ledger.read_diagnosis(site_id)
    if diagnosis is None or len(diagnosis.days) == 0:
        raise RequestError(f"Site {site_id} has not been worked out yet. Run `liftledger run {fleet.folder}`.")
    days = sorted(diagnosis.days.index)
    begin = days[0] if first is None else parse_day(first, "--from")
    end = days[-1] if last is None else parse_day(last, "--to")
    if end < days[0] or begin > days[-1]:
        raise RequestError(f"Site {site_id} has readings from {days[0]} to {days[-1]} only.")
    if end < begin:
        raise RequestError(f"The period ends ({end}) before it begins ({begin}). Swap --from and --to.")
    if not readings:
        return diagnosis.days.loc[[begin <= day <= end for day in diagnosis.days.index]]
    local = diagnosis.intervals["day"].astype(str).str.slice(0, 10)
    return diagnosis.intervals[local.between(begin.isoformat(), end.isoformat())]
