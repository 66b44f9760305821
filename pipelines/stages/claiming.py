"""A claim from the ledger: the diagnosis, the logged level and the service log, judged together."""

from typing import TYPE_CHECKING

from pipelines.errors import RequestError
from pipelines.stages.diagnosing import weighed_through
from pipelines.stages.loading import chosen_sites, open_ledger
from pipelines.stages.moments import parse_day
from pipelines.stages.outfolder import OutFolder

if TYPE_CHECKING:
    from diagnostics.claim import ClaimJudgement
    from pipelines.fleet import Fleet


def claim_of(fleet: "Fleet", out: OutFolder, site_id: str, first: str, last: str) -> "ClaimJudgement":
    """
    Judge a low-output claim of one site over a period, both days included.

    A claim is never judged by causes weighed some days ago: where the last nights only added their days, the whole
    record is weighed for it.

    Raises
    ------
    RequestError
        If a day cannot be read, the period runs backwards, or the site has not been worked out for it.
    """
    from diagnostics.claim import judge_claim

    chosen_sites(fleet, [site_id])
    first_day, last_day = parse_day(first, "--from"), parse_day(last, "--to")
    if last_day < first_day:
        raise RequestError(f"The claim ends ({last_day}) before it begins ({first_day}). Swap --from and --to.")
    with open_ledger(out, read_only=True) as ledger:
        diagnosis = ledger.read_diagnosis(site_id)
        if diagnosis is not None and diagnosis.days_since_weighing:
            diagnosis = weighed_through(fleet, ledger, site_id, diagnosis.days.index[-1])
        level = None if diagnosis is None else ledger.read_site(site_id).sound("water_level_m")
    if diagnosis is None or len(diagnosis.days) == 0:
        raise RequestError(f"Site {site_id} has not been worked out yet. Run `liftledger run {fleet.folder}`.")
    return judge_claim(fleet.sites[site_id], diagnosis, first_day=first_day, last_day=last_day,
                       service_events=[event for event in fleet.service_events if event.site_id == site_id],
                       water_level_m=level)
