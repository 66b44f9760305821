"""Pages as text: the service desk, one page a site, the visit sheet, and the one script they share."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache, partial
from importlib import metadata
from typing import Any

from markupsafe import Markup

from dashboards import figures
from dashboards.beside import beside_says, event_rows, rate_rows
from dashboards.facts import (
    all_accounts,
    carry,
    crew,
    dangers,
    day_rows,
    depend,
    evidence_columns,
    finding_title,
    gathered,
    hours_say,
    last_30,
    owner_says,
    phone_first,
    quarters,
    reasons_not_judged,
    site_facts,
    size_says,
    verdict_key,
    verdict_says,
    why_more,
)
from dashboards.fleet_facts import drift, headline, standing_lists, unjudged_rows
from dashboards.provable import best_sensor_says, provable_rows, rests_on, spans_of
from dashboards.rendering import html_page
from dashboards.shown import UNIT_PRINTED, volume
from dashboards.small_pictures import month_strip
from dashboards.views import DAYS_SHOWN, FleetView, SiteView, is_measuring
from dashboards.visit_facts import meter_table, proof_wanted, tests_of_rivals
from dashboards.wording import desk, letter_wording
from diagnostics.consequence import CLASS_CODES
from diagnostics.fleet_context import FleetContext
from diagnostics.results import Finding

_OUTCOME_SIGN = {"supports": "+", "speaks against": "−", "neutral": "○", "not enough data": "?",
                 "worked": "✔", "did not work": "✖", "not yet proven": "?"}


@dataclass(frozen=True, slots=True)
class HeldFigure:
    """A figure that a page carries in itself."""

    name: str
    json: Markup
    caption: str = ""


def render_fleet_page(fleet: FleetView) -> str:
    """Render the service desk: where to go and why, the next visits, what was lost, what was not judged."""
    counts = {code: sum(view.consequence.class_code == code for view in fleet.sites) for code in CLASS_CODES}
    held: dict[str, HeldFigure] = {}
    if any(row.volume_m3 > 0.0 for row in fleet.lost):
        held["lost"] = HeldFigure("lost", figures.figure_json(figures.fleet_losses(fleet)))
    cautions = {code: text for view in fleet.sites for code, text in view.cautions.items()}
    return html_page(
        "fleet.html.j2", fleet=fleet, words=desk(), counts=counts, figures=held, root="", cautions=cautions,
        headline=headline(fleet), unit=UNIT_PRINTED[fleet.units.volume], unit_code=fleet.units.volume,
        length_code=fleet.units.length,
        all_dangers=sorted({code for view in fleet.to_visit for code in dangers(view)}),
        unjudged=unjudged_rows(fleet), lists=standing_lists(fleet), drift=drift(fleet),
        outcome_sign=_OUTCOME_SIGN, **_shared(),
        site_href=lambda view: f"sites/{view.site.id}.html", visit_href=lambda view: f"visits/{view.site.id}.html",
        strip=lambda view: month_strip(view.diagnosis.days, fleet.as_of, unit=fleet.units.volume),
        why=why_more, phone=phone_first, carry=carry, dangers=dangers, **_beside(fleet))


def render_site_page(view: SiteView, context: FleetContext | None = None) -> str:
    """Render one site from its verdict to the evidence behind it."""
    held: dict[str, HeldFigure] = {}
    shown = view.diagnosis.days[["expected_m3", "seen_m3"]].tail(DAYS_SHOWN)
    if (shown.notna() if view.pumps else shown > 0.0).any(axis=None):
        held["delivery"] = HeldFigure("delivery", figures.figure_json(figures.delivered_against_expected(view)))
    if view.power is not None:
        held["power"] = HeldFigure("power", figures.figure_json(figures.flow_against_power(view.power, view.units)))
    if view.diagnosis.accounts:
        held["account"] = HeldFigure("account", figures.figure_json(
            figures.account_bars(sorted(view.diagnosis.accounts, key=lambda a: a.first_day)[-12:], view)))
    onset = view.first_finding.onset if view.first_finding else None
    evidence = [HeldFigure(f"evidence-{number}", figures.figure_json(
        figures.evidence_over_time(view, column, title, band, onset)), meaning)
        for number, (column, title, meaning, band) in enumerate(evidence_columns(view))]
    codes, months = all_accounts(view)
    return html_page(
        "site.html.j2", figures=held | {figure.name: figure for figure in evidence}, evidence_figures=evidence,
        root="../", outcome_sign=_OUTCOME_SIGN, recent=last_30(view), owner_says=_owner_says(view),
        day_rows=day_rows(view), days_held=len(view.diagnosis.days), all_accounts=months, account_codes=codes,
        quarters=quarters(view), reasons=reasons_not_judged(view.diagnosis.days), why=why_more(view),
        facts=site_facts(view), account_places=_account_places(view),
        visit_href=f"../visits/{view.site.id}.html", beside=beside_says(context, view.site.id) if context else [],
        **_provable(view), **_site(view), **_shared())


def render_visit_sheet(view: SiteView) -> str:
    """Render the sheet that a crew takes along: tests, expected readings, parts, cautions, what proves the repair."""
    facts = dict(pair for column in site_facts(view) for pair in column)
    return html_page(
        "visit.html.j2", figures={}, all_dangers=dangers(view), root="../", phone=phone_first(view),
        proof_wanted=proof_wanted, tests=tests_of_rivals, meters=partial(meter_table, view),
        array_says=facts.get("Array", "none"),
        intake_says=facts.get("Pump intake", "not written down"),
        level_says=facts.get("Water at rest", "not written down"), **_site(view), **_shared())


def published(fleet: FleetView, *, failed: Callable[[SiteView, Exception], SiteView] | None = None
              ) -> Iterator[tuple[str, bytes]]:
    """
    Yield every page with its path below the pages folder, the shared script first.

    Where a page of one site cannot be drawn, what `failed` makes of it stands in its place and the others go on.
    """
    yield "assets/plotly.min.js", plotly_script()
    yield "index.html", render_fleet_page(fleet).encode()
    for view in fleet.sites:
        for folder, render in (("sites", partial(render_site_page, context=fleet.context)),
                               ("visits", render_visit_sheet)):
            try:
                page = render(view)
            except Exception as error:
                if failed is None:
                    raise
                page = render(failed(view, error))
            yield f"{folder}/{view.site.id}.html", page.encode()


def write_assets(write: Callable[[str, bytes], object]) -> None:
    """Hand the shared script to `write(path below the pages folder, bytes)`."""
    write("assets/plotly.min.js", plotly_script())


@lru_cache(maxsize=1)
def plotly_script() -> bytes:
    """Return the plotting script that pages load from beside them, never from the network."""
    from plotly.offline import get_plotlyjs

    return str(get_plotlyjs()).encode()


@lru_cache(maxsize=1)
def _version() -> str:
    try:
        return f"liftledger {metadata.version('liftledger')}"
    except metadata.PackageNotFoundError:
        return "liftledger, not installed"


def _shared() -> dict[str, Any]:
    return {"version": _version(), "hours_say": hours_say, "depend": depend, "size_says": size_says, "crew": crew,
            "also": _also, "finding_title": finding_title, "verdict_says": verdict_says, "verdict_key": verdict_key,
            "gathered": gathered, "is_measuring": is_measuring,
            "account_label": figures.account_label, "short": figures.short_label}


def _site(view: SiteView) -> dict[str, Any]:
    words = desk()
    absent = view.site.parts_absent
    need = view.consequence.usual_need_m3_day
    verdict = words["verdict"][verdict_key(view)]
    return {"view": view, "words": words, "verdict": verdict,
            "held": words["class"][view.consequence.class_code], "unit": UNIT_PRINTED[view.units.volume],
            "unit_code": view.units.volume, "length_code": view.units.length,
            "level_known": view.storage.usable_m3 == view.storage.usable_m3,
            "need": volume(need, view.units.volume, 2) if need == need and need > 0 else "",
            "family": "no pump" if "pump" in absent else words["family"][view.site.pump.family],
            "drive": "no drive" if "drive" in absent else words["drive"][view.site.drive.kind]}


def _owner_says(view: SiteView) -> list[tuple[str, str, str]]:
    """Return (language, direction, words): English for the desk, and the owner's own language beside it."""
    codes = dict.fromkeys(["en", letter_wording(view.site.owner.language).code])
    return [(code, letter_wording(code).direction, " ".join(owner_says(view, code))) for code in codes]


def _beside(fleet: FleetView) -> dict[str, Any]:
    names = {view.site.id: view.site.name for view in fleet.sites}
    doubted = {check.site_id: check.says for check in fleet.context.sun if check.outcome.startswith("reads")}
    return {"context": fleet.context, "events": event_rows(fleet.context, names, fleet.units),
            "shared": [row for row in fleet.shared if not any(
                event.cause == row.cause and {site_id for site_id, _ in row.sites} <= set(event.sites)
                for event in fleet.context.events)],
            "sensors": [(view, doubted[view.site.id]) for view in fleet.sites if view.site.id in doubted],
            "rates": rate_rows(fleet.context.rates, at_least=1)}


def _provable(view: SiteView) -> dict[str, Any]:
    answer = view.provable
    if answer is None:
        return {"provable_rows": []}
    return {"provable_rows": provable_rows(answer, view.units), "provable_spans": spans_of(answer),
            "provable_best": best_sensor_says(answer), "provable_rests": rests_on(answer),
            "provable_notes": answer.notes}


def _also(finding: Finding) -> str:
    return "; ".join(figures.short_label(code).lower() for code in finding.group if code != finding.cause)


def _account_places(view: SiteView) -> int:
    largest = max((account.expected_m3 for account in view.diagnosis.accounts), default=0.0)
    return 1 if view.units.volume == "m3" and largest < 10_000 else 0
