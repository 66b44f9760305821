"""
The demo held against what was planted in it.

The diagnosis never sees `truth.toml` nor `truth-daily.csv.gz`; only this module and the script that made them do.
"""

import tomllib
from collections import Counter
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd

from diagnostics.consequence import MEASURING_CAUSES
from diagnostics.results import Finding, SiteDiagnosis
from pipelines.errors import RequestError
from pipelines.markdown_table import markdown_table

if TYPE_CHECKING:
    from pipelines.fleet import Fleet
    from pipelines.ledger import Ledger

Place = Literal["first", "among rivals", "missed", "no false alarm", "false alarm"]
# A day is compared where this share of its sun hours was judged; the rest would compare different hours.
WHOLE_DAY_SHARE = 0.95


@dataclass(frozen=True, slots=True)
class SiteScore:
    """One site of the demo: what was planted, what was said."""

    site_id: str
    family: str
    planted: str
    place: Place
    said: tuple[str, ...]               # causes of findings, the surest first
    beside: tuple[str, ...]             # findings that nothing planted explains
    onset_error_days: int | None
    state_planted: str
    state_seen: bool | None
    verdict: str


@dataclass(frozen=True, slots=True)
class DeliveryScore:
    """Daily expected delivery of a sound site against the plant's healthy delivery."""

    site_id: str
    family: str
    days: int
    nrmse: float                        # root mean square error over mean delivery [1]
    bias: float                         # sum of errors over sum of delivery [1]
    coverage: float                     # share of days within the stated 95 % interval [1]


@dataclass(frozen=True)
class ScoreCard:
    """The whole demo."""

    sites: tuple[SiteScore, ...]
    delivery: tuple[DeliveryScore, ...]

    @property
    def confusion(self) -> list[tuple[str, str, int]]:
        """Return planted cause, cause said first, number of sites."""
        counts = Counter((one.planted, _said_for(one)) for one in self.sites)
        return [(planted, said, count) for (planted, said), count in sorted(counts.items())]

    def totals(self) -> dict[str, int]:
        """Return the counts that a reader asks for first."""
        faulty = [one for one in self.sites if one.planted != "sound"]
        sound = [one for one in self.sites if one.planted == "sound"]
        return {
            "faults planted": len(faulty), "named first": sum(one.place == "first" for one in faulty),
            "among the rivals": sum(one.place == "among rivals" for one in faulty),
            "missed": sum(one.place == "missed" for one in faulty),
            "findings beside the planted one": sum(len(one.beside) for one in faulty),
            "sound sites": len(sound), "sound sites with a finding": sum(bool(one.said) for one in sound),
            "sound sites with a pump, well or array finding": sum(any(_is_system(code) for code in one.said)
                                                                  for one in sound)}

    def as_markdown(self) -> str:
        """Return the tables as the README shows them."""
        parts = [markdown_table(("Site", "Family", "Planted", "Said", "Place", "Onset error, days"), [
            (one.site_id, one.family, one.planted + (f" ({one.state_planted})" if one.state_planted else ""),
             ", ".join(one.said) or "nothing", one.place,
             "" if one.onset_error_days is None else f"{one.onset_error_days:+d}") for one in self.sites])]
        parts.append(markdown_table(("", "Number"), [(name, str(count)) for name, count in self.totals().items()]))
        parts.append(markdown_table(("Sound site", "Family", "Days", "nRMSE", "Bias", "Inside 95 % interval"), [
            (one.site_id, one.family, str(one.days), f"{one.nrmse:.1%}", f"{one.bias:+.1%}", f"{one.coverage:.0%}")
            for one in self.delivery]))
        return "\n\n".join(parts)


def score_demo(fleet: "Fleet", ledger: "Ledger", folder: Path) -> ScoreCard:
    """
    Score what the ledger holds against `truth.toml` and `truth-daily.csv.gz` of the demo's folder.

    Raises
    ------
    RequestError
        If the truth is not there, or a site of it was not worked out.
    """
    truth_path, daily_path = folder / "truth.toml", folder / "truth-daily.csv.gz"
    if not (truth_path.is_file() and daily_path.is_file()):
        raise RequestError("what was planted is not there.", file=truth_path,
                           mend="Make it with `python sample-logs/make_demo.py`.")
    planted = tomllib.loads(truth_path.read_text(encoding="utf-8"))["sites"]
    daily = pd.read_csv(daily_path, parse_dates=["day"])
    sites, delivery = [], []
    for site_id, truth in planted.items():
        diagnosis = ledger.read_diagnosis(site_id)
        if site_id not in fleet.sites or diagnosis is None:
            raise RequestError(f"site {site_id} was not worked out.", mend="Run `liftledger demo` first.")
        family = fleet.sites[site_id].pump.family.replace("_", " ")
        sites.append(score_site(site_id, family, truth, diagnosis))
        if truth["cause"] == "sound":
            one = score_delivery(site_id, family, diagnosis, daily[daily["site_id"] == site_id])
            delivery += [one] if one is not None else []
    return ScoreCard(tuple(sites), tuple(delivery))


def score_site(site_id: str, family: str, truth: dict[str, Any], diagnosis: SiteDiagnosis) -> SiteScore:
    """Say whether the planted cause was named first, among the rivals or not at all, and what was named beside it."""
    planted = str(truth["cause"])
    ranked = sorted(diagnosis.findings, key=lambda finding: -finding.confidence)
    right = next((finding for finding in ranked if finding.cause == planted), None)
    near = next((finding for finding in ranked if planted in _considered(finding)), None)
    hit = right or near
    beside = tuple(finding.cause for finding in ranked
                   if finding is not hit and finding.cause != planted and planted not in _considered(finding))
    place: Place
    if planted == "sound":
        place = "false alarm" if ranked else "no false alarm"
    else:
        place = "first" if right else "among rivals" if near else "missed"
    onset = truth.get("onset")
    state = str(truth.get("state", ""))
    return SiteScore(
        site_id, family, planted, place, tuple(finding.cause for finding in ranked), beside,
        (hit.onset - onset).days if hit is not None and isinstance(onset, date) else None, state,
        any(span.state == state for span in diagnosis.states) if state else None, diagnosis.verdict)


def score_delivery(site_id: str, family: str, diagnosis: SiteDiagnosis, truth: pd.DataFrame) -> DeliveryScore | None:
    """Compare expected with healthy delivery on days that were judged all through; None where there is no such day."""
    days = diagnosis.days[diagnosis.days["judged"].to_numpy(dtype=bool)]
    days = days[(days["judged_sun_hours"] >= WHOLE_DAY_SHARE * days["sun_hours"]).to_numpy()]
    healthy = truth.set_index(truth["day"].dt.date)["healthy_m3"].reindex(days.index).to_numpy(dtype=float)
    known = np.isfinite(healthy) & np.isfinite(days["expected_m3"].to_numpy(dtype=float))
    if not known.any() or healthy[known].sum() <= 0.0:
        return None
    days, healthy = days[known], healthy[known]
    error = days["expected_m3"].to_numpy(dtype=float) - healthy
    inside = (days["expected_low_m3"].to_numpy() <= healthy) & (healthy <= days["expected_high_m3"].to_numpy())
    return DeliveryScore(site_id, family, len(days), float(np.sqrt(np.mean(error ** 2)) / healthy.mean()),
                         float(error.sum() / healthy.sum()), float(inside.mean()))


def _considered(finding: Finding) -> set[str]:
    return {finding.cause, *finding.group, *(rival.cause for rival in finding.rivals)}


def _said_for(one: SiteScore) -> str:
    if one.place == "first":
        return one.planted
    return one.said[0] if one.said else "nothing"


def _is_system(cause: str) -> bool:
    return cause not in MEASURING_CAUSES and cause != "unexplained"
