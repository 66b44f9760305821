"""Questions to what has been worked out: findings, accounts, explanations, as records or JSON."""

import json
from collections.abc import Iterable
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines.errors import RequestError
from pipelines.stages.loading import chosen_sites, open_ledger
from pipelines.stages.moments import judged_at, last_full_month, parse_moment, parse_month
from pipelines.stages.outfolder import OutFolder, write_text
from pipelines.stages.viewing import desk_units

if TYPE_CHECKING:
    from datetime import datetime

    import pandas as pd

    from dashboards.shown import DeskUnits
    from diagnostics.explain import ExplainedStep
    from diagnostics.readings import SiteReadings
    from diagnostics.results import Finding, SiteDiagnosis, WaterAccount
    from diagnostics.site import Site
    from pipelines.fleet import Fleet
    from pipelines.ingest.describe import FileDescription
    from pipelines.ledger import Ledger

_WELL_MEMORY = timedelta(days=3)                               # the well remembers what was pumped before
_LONGEST_INTERVAL = timedelta(hours=3)
URGENCIES = ("now", "two_days", "two_weeks", "next_route", "information")


def diagnoses_of(fleet: "Fleet", out: OutFolder, sites: Iterable[str] | None = None) -> "dict[str, SiteDiagnosis]":
    """Return what the ledger holds for sites of a fleet; sites never worked out are left out."""
    wanted = chosen_sites(fleet, list(sites) if sites else None)
    with open_ledger(out, read_only=True) as ledger:
        found = {site_id: ledger.read_diagnosis(site_id) for site_id in wanted}
    return {site_id: diagnosis for site_id, diagnosis in found.items() if diagnosis is not None}


def findings_of(fleet: "Fleet", out: OutFolder, *, sites: Iterable[str] | None = None,
                only_open: bool = True) -> "list[Finding]":
    """Return the findings of a fleet, the most urgent and the thirstiest first."""
    return listed(diagnoses_of(fleet, out, sites).values(), only_open=only_open)


def listed(diagnoses: "Iterable[SiteDiagnosis]", *, only_open: bool) -> "list[Finding]":
    """Return the findings of some results in the order in which they press."""
    from diagnostics.consequence import OPEN_STATUSES

    held = [finding.model_copy(update={"weighed_on": diagnosis.weighed_on})
            for diagnosis in diagnoses for finding in diagnosis.findings]
    return sorted((finding for finding in held if not only_open or finding.status in OPEN_STATUSES), key=by_urgency)


def by_urgency(finding: "Finding") -> tuple[int, float, str]:
    """Order of findings: urgency, then water lost a day, then site."""
    return URGENCIES.index(finding.urgency), -finding.water_lost_m3_day, finding.site_id


def account_of(fleet: "Fleet", out: OutFolder, site_id: str, month: str | None) -> "WaterAccount":
    """
    Return the water account of a site and month.

    Raises
    ------
    RequestError
        If the site has no account for that month; the message names the months it has.
    """
    chosen_sites(fleet, [site_id])
    diagnosis = diagnoses_of(fleet, out, [site_id]).get(site_id)
    if diagnosis is None:
        raise RequestError(f"Site {site_id} has not been worked out yet. Run `liftledger run {fleet.folder}`.")
    if month is None:
        with open_ledger(out, read_only=True) as ledger:
            month = last_full_month(judged_at(None, fleet, ledger), fleet.sites[site_id].timezone)
    first, last = parse_month(month)
    for account in diagnosis.accounts:
        if first <= account.first_day and account.last_day <= last:
            return account
    months = ", ".join(f"{account.first_day:%Y-%m}" for account in diagnosis.accounts) or "none"
    raise RequestError(f"Site {site_id} has no water account for {month}. Months it has: {months}.")


def to_json(records: Any) -> str:
    """Return records as JSON, unknown numbers as null."""
    return json.dumps(_plain(records), indent=2, ensure_ascii=False, allow_nan=False)


def _plain(value: Any) -> Any:
    from dataclasses import asdict, is_dataclass
    from datetime import date

    from pydantic import BaseModel

    if isinstance(value, BaseModel):
        return _plain(value.model_dump(mode="python"))
    if is_dataclass(value) and not isinstance(value, type):
        return _plain(asdict(value))
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return value if value - value == 0 else None
    if isinstance(value, (date, Path)):
        return value.isoformat() if isinstance(value, date) else str(value)
    return value


def explanation_of(fleet: "Fleet", out: OutFolder, site_id: str, at: str) -> str:
    """Return the chain of one interval of a site in words, what was measured beside it."""
    import pandas as pd

    from diagnostics.explain import as_text, explain_interval
    from diagnostics.quality import masked

    chosen_sites(fleet, [site_id])
    site = fleet.sites[site_id]
    moment = parse_moment(at, site.timezone)
    with open_ledger(out, read_only=True) as ledger:
        site, readings, notes = _as_judged(fleet, ledger, site, moment)
    if not len(readings.values) or readings.values.index[-1] < pd.Timestamp(moment):
        raise RequestError(f"site {site_id} has no reading at {at}.",
                           mend="`liftledger findings` and the data calendar on its page show when there are readings.")
    readings = masked(site, readings, settings=fleet.quality_settings())
    weather = pd.DataFrame({name: readings.sound(name) for name in readings.values.columns})
    units = desk_units(fleet)
    steps = explain_interval(site, weather, readings.interval_s, pd.Timestamp(moment), whose_light=_whose(notes))
    text = as_text([_in_desk_units(step, units) for step in steps])
    row = int(weather.index.searchsorted(pd.Timestamp(moment)))
    return f"{_interval_says(site, weather.index[row], float(readings.interval_s.iloc[row]))}\n\n{text}\n\n" + _logged(
        readings, row, units)


def _as_judged(fleet: "Fleet", ledger: "Ledger", site: "Site", moment: "datetime"
               ) -> "tuple[Site, SiteReadings, tuple[str, ...]]":
    """Return the readings around a moment with the light that the judgement of the whole record was lent."""
    from diagnostics.readings import SiteReadings
    from pipelines.stages.borrowed_light import BorrowedLight

    lent_site, whole, notes = BorrowedLight(fleet, ledger, fleet.settings()).lend(site, ledger.read_site(site.id))
    index = whole.values.index
    near = (index > moment - _WELL_MEMORY) & (index <= moment + _LONGEST_INTERVAL)
    return lent_site, SiteReadings(whole.site_id, whole.values[near], whole.masks[near], whole.interval_s[near]), notes


def _whose(notes: "tuple[str, ...]") -> dict[str, str]:
    """Say of each kind of borrowed light whose it is, from the notes of the lending."""
    found: dict[str, str] = {}
    for note in notes:
        whose = note.partition("that of ")[2] or note.partition("near by; ")[2]
        if "stands in" in note and whose:
            kind = "imported" if whose.startswith("imported") else "neighbour"
            said = whose.replace(" stands in, uncertain by", ", uncertain by").removesuffix(".")
            found[kind] = f"{found[kind]}; {said}" if kind in found else said
    return found


def _in_desk_units(step: "ExplainedStep", units: "DeskUnits") -> "ExplainedStep":
    """Put lengths, flows and warmth of an explanation into the company's units; what is so already stays."""
    from dataclasses import replace

    from dashboards.shown import in_desk_unit

    if isinstance(step.value, str) or units.of(step.unit) == step.unit:
        return step
    return replace(step, value=in_desk_unit(step.value, step.unit, units, 4))


def _interval_says(site: "Site", end: "pd.Timestamp", length_s: float) -> str:
    local = end.tz_convert(site.timezone)
    return f"{site.name}, the {length_s / 60:.0f} minutes that end at {local:%Y-%m-%d %H:%M} local time"


def _logged(readings: "SiteReadings", row: int, units: "DeskUnits") -> str:
    from dashboards.shown import in_desk_unit
    from diagnostics.quantities import CHANNELS
    from diagnostics.readings import Mask

    lines = ["logged in this interval"]
    for name in readings.values.columns:
        value, bits = float(readings.values[name].iloc[row]), int(readings.masks[name].iloc[row])
        doubt = ", ".join(str(mask.name).lower().replace("_", " ") for mask in Mask if mask and bits & mask)
        shown = in_desk_unit(value, CHANNELS[name].unit_suffix or "ratio", units)
        lines.append(f"  {CHANNELS[name].label:<32}  {shown:>16}   {'not trusted: ' + doubt if doubt else ''}".rstrip())
    return "\n".join(lines)


def description_of(file: Path, write: Path | None) -> "FileDescription":
    """Describe a logger file; save the draft of its profile where that was asked for."""
    from pipelines.ingest.describe import describe_file

    if not file.is_file():
        raise RequestError("there is no such file.", file=file, mend="Name one file as a logger wrote it.")
    if write is not None and write.exists():
        raise RequestError("something stands there already.", file=write, mend="Name a new file with --write.")
    found = describe_file(file)
    if write is not None:
        write_text(write, found.draft)
    return found
