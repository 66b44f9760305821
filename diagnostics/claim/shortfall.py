"""Delivered over due with its uncertainty budget, and the verdict under the agreed rule."""

from collections.abc import Sequence
from datetime import date

import numpy as np
from numpy.typing import NDArray

from diagnostics.claim.conditions import CountedDays
from diagnostics.claim.records import BudgetLine, Decision, Outcome, Shortfall, Translation, Variant
from diagnostics.conformity import conformance_probability, smallest_provable_shortfall
from diagnostics.site import Guarantee, Site
from diagnostics.uncertainty import Combined, Component, combine

Floats = NDArray[np.float64]

CONFIDENCE_LEVEL = 0.95
LEAST_DAYS = 5      # fewer days leave their scatter unknown
_LEAST_RATIO = 0.05     # a pump that stands has a ratio of 0 and still an uncertainty

# Standard uncertainties where the site file states none. Design values of the trade, from memory: irradiance 3 to 8 %
# with a clean and level sensor, 10 % and more without; cell temperature 2 to 3 K, about 1 % of power; a model of the
# system between one sun and another 3 %.
IRRADIANCE_UNCERTAINTY = {"poa_irradiance_w_m2": 0.03, "global_horizontal_irradiance_w_m2": 0.045}
UNSEEN_IRRADIANCE_UNCERTAINTY = 0.12
TEMPERATURE_UNCERTAINTY = 0.01
TRANSLATION_UNCERTAINTY = 0.03
CHECKED_METER_UNCERTAINTY = 0.01
LOGGED_LEVEL_UNCERTAINTY_M = 0.3


def uncertainty_budget(site: Site, translation: Translation, counted: CountedDays, *,
                       irradiance_channel: str = "poa_irradiance_w_m2",
                       level_is_logged: bool = False) -> list[BudgetLine]:
    """
    List what makes delivered over due uncertain, each as a relative standard uncertainty of that ratio.

    Parameters
    ----------
    site : Site
    translation : Translation
        Its elasticities carry sun and head over to water.
    counted : CountedDays
        For the scatter of days, allowing for neighbouring days that resemble each other.
    irradiance_channel : str
        Channel that the sun was judged by; anything but a sensor of the site is taken as a distant source.
    level_is_logged : bool
        The pumping level was measured. [1]

    Returns
    -------
    budget : list of BudgetLine
        Independent of each other.
    """
    light, head = abs(translation.light_elasticity), abs(translation.head_elasticity)
    stated = site.sensors[irradiance_channel].uncertainty_pct if irradiance_channel in site.sensors else None
    sun = IRRADIANCE_UNCERTAINTY.get(irradiance_channel, UNSEEN_IRRADIANCE_UNCERTAINTY)
    sun = sun if stated is None else stated / 100.0
    level_m = site.well.level_uncertainty_m
    level_m = (0.1 if site.well.kind == "open" else 1.0) if level_m is None else level_m
    if level_is_logged:
        level_m = min(level_m, LOGGED_LEVEL_UNCERTAINTY_M)
    metres = translation.total_dynamic_head_m
    meter = site.flow_meter.uncertainty_pct / 100.0
    lines = [
        BudgetLine(what="water meter", contribution=meter, why=f"{100 * meter:g} % of reading, as the site file says",
                   shrunk_by="Check the meter against a known volume at two flows",
                   shrunk_to=min(meter, CHECKED_METER_UNCERTAINTY)),
        BudgetLine(what="irradiance", contribution=sun * light,
                   why=f"{100 * sun:g} % of reading; 1 % of light is {light:.2f} % of water",
                   shrunk_by="Clean and level the irradiance sensor and compare it with a second one for a clear day",
                   shrunk_to=min(sun, 0.015) * light),
        BudgetLine(what="head", contribution=level_m / metres * head,
                   why=f"{level_m:g} m of {metres:.1f} m; 1 % of head is {head:.2f} % of water",
                   shrunk_by="Dip the well at rest and while pumping, and read a gauge at the wellhead",
                   shrunk_to=min(level_m, 0.1) / metres * head),
        BudgetLine(what="cell temperature", contribution=TEMPERATURE_UNCERTAINTY * light,
                   why="2 to 3 K are about 1 % of power (common practice)"),
        BudgetLine(what="translation between suns", contribution=TRANSLATION_UNCERTAINTY,
                   why="model of the system, 3 % (common practice); none on days as the promise was written",
                   shrunk_by="Judge on days with the promised sun at the promised head alone", shrunk_to=0.0),
    ]
    scatter = day_scatter(counted.due_m3, counted.delivered_m3)
    if scatter is not None:
        lines.append(BudgetLine(
            what="scatter of days", contribution=scatter, degrees_of_freedom=float(len(counted) - 1),
            why=f"from {len(counted)} counted days, neighbouring days allowed for",
            shrunk_by="Log four times as many days", shrunk_to=scatter / 2.0))
    return lines


def day_scatter(due_m3: Floats, delivered_m3: Floats) -> float | None:
    """
    Relative standard uncertainty of a ratio of sums from the scatter of its days.

    Parameters
    ----------
    due_m3, delivered_m3 : ndarray, shape (n,)
        In order of time. [m3]

    Returns
    -------
    uncertainty : float or None
        None where there are fewer than `LEAST_DAYS` days or nothing was delivered. [1]
    """
    n, due, delivered = len(due_m3), float(np.sum(due_m3)), float(np.sum(delivered_m3))
    if n < LEAST_DAYS or delivered <= 0:
        return None
    residual = delivered_m3 - delivered / due * due_m3
    spread = float(np.sum(residual**2))
    if spread <= 0:
        return 0.0
    # Days that resemble their neighbours are worth fewer: the variance grows by (1 + r) / (1 - r).
    alike = float(np.clip(np.sum(residual[1:] * residual[:-1]) / spread, 0.0, 0.8))
    return float(np.sqrt(n / (n - 1) * spread * (1 + alike) / (1 - alike)) / delivered)


def combined(budget: Sequence[BudgetLine]) -> Combined:
    """Return the combined relative uncertainty of a budget."""
    return combine([Component(line.what, line.contribution, line.degrees_of_freedom or np.inf) for line in budget])


def measured_shortfall(counted: CountedDays, total: Combined) -> Shortfall:
    """
    Delivered over due on the counted days with a coverage interval of 95 %.

    Parameters
    ----------
    counted : CountedDays
        At least one.
    total : Combined
        Relative. [1]

    Returns
    -------
    shortfall : Shortfall
    """
    due, delivered = float(counted.due_m3.sum()), float(counted.delivered_m3.sum())
    ratio, factor = delivered / due, total.coverage_factor(CONFIDENCE_LEVEL)
    uncertainty = total.uncertainty * max(ratio, _LEAST_RATIO)
    low, high = max(0.0, ratio - factor * uncertainty), ratio + factor * uncertainty
    return Shortfall(ratio=ratio, ratio_low=low, ratio_high=high, uncertainty=uncertainty,
                     coverage_factor=factor, confidence_level=CONFIDENCE_LEVEL, due_m3=due, delivered_m3=delivered,
                     missing_m3=due - delivered, missing_low_m3=due * (1 - high), missing_high_m3=due * (1 - low),
                     missing_m3_day=(due - delivered) / len(counted), days=len(counted))


def decide(ratio: float, total: Combined, promise: Guarantee) -> Decision:
    """
    Decide by the rule agreed beforehand (JCGM 106:2012, 8): guarded on both sides, or shared risk.

    Parameters
    ----------
    ratio : float
        Delivered over due. [1]
    total : Combined
        Its relative uncertainty; few degrees of freedom widen the guard bands. [1]
    promise : Guarantee
        Names tolerance, rule and the greatest risk.

    Returns
    -------
    decision : Decision
    """
    limit = 1.0 - promise.volume_tolerance_pct / 100.0
    inside = conformance_probability(ratio, total.uncertainty * max(ratio, _LEAST_RATIO), lower=limit).inside
    if promise.decision_rule == "shared":
        outcome: Outcome = "meets" if ratio >= limit else "does not meet"
        return Decision(outcome=outcome, rule="shared", limit_ratio=limit, accept_from=limit, refuse_below=limit,
                        probability_meets=inside, seller_risk=0.5, buyer_risk=0.5,
                        says=f"Shared risk: measured {ratio:.3f}, limit {limit:.3f}; near the limit either party may "
                             "be wronged with a probability of up to one half.")
    risk = promise.highest_risk_pct / 100.0
    # The risk is that of a true ratio at the limit, whose measured value scatters by its share of the limit.
    band = total.coverage_factor(1 - 2 * risk) * total.uncertainty * limit
    accept, refuse = limit + band, limit - band
    outcome = "meets" if ratio >= accept else "does not meet" if ratio < refuse else "cannot be decided"
    if outcome == "cannot be decided":
        says = (f"Measured {ratio:.3f} lies between {refuse:.3f} and {accept:.3f}, where neither verdict is safe: "
                f"'meets' would be wrong with a probability of {1 - inside:.0%}, 'does not meet' with {inside:.0%}.")
    else:
        wrong = 1 - inside if outcome == "meets" else inside
        shown = "under 0.1 %" if wrong < 0.001 else f"{wrong:.1%}"
        says = (f"Measured {ratio:.3f}; the rule says 'meets' from {accept:.3f} and 'does not meet' below "
                f"{refuse:.3f}. The probability that this verdict is wrong is {shown}.")
    return Decision(outcome=outcome, rule="guarded", limit_ratio=limit, accept_from=accept, refuse_below=refuse,
                    probability_meets=inside, seller_risk=risk, buyer_risk=risk, says=says)


def smallest_provable(total: Combined, promise: Guarantee) -> float:
    """
    Smallest shortfall, as a share of due, that these instruments and days would prove four times in five.

    Parameters
    ----------
    total : Combined
        Relative uncertainty of delivered over due. [1]
    promise : Guarantee
        Names tolerance and risk.

    Returns
    -------
    shortfall : float
        Tolerance included. [1]
    """
    risk = promise.highest_risk_pct / 100.0 if promise.decision_rule == "guarded" else 0.5
    return promise.volume_tolerance_pct / 100.0 + smallest_provable_shortfall(
        total.uncertainty, confidence_level=1 - risk)


def variants(counted: CountedDays, translation: Translation, promise: Guarantee, budget: Sequence[BudgetLine], *,
             since: date | None = None) -> list[Variant]:
    """
    Judge the same claim under other reasonable choices of days and of translation.

    Parameters
    ----------
    counted : CountedDays
    translation : Translation
    promise : Guarantee
    budget : sequence of BudgetLine
    since : date, optional
        Day of a change that was found; the days from it on are judged apart, for information.

    Returns
    -------
    variants : list of Variant
        With the outcome each would have had.
    """
    fixed = [line for line in budget if line.what != "scatter of days"]
    written_line = [line for line in fixed if line.what != "translation between suns"]
    due, delivered, sun = counted.due_m3, counted.delivered_m3, counted.irradiation_kwh_m2
    everything = np.ones(len(due), dtype=bool)
    first = np.arange(len(due)) < len(due) / 2
    daily = np.divide(delivered, due, out=np.zeros_like(due), where=due > 0)
    low, high = (np.quantile(daily, [0.1, 0.9]) if len(daily) else (0.0, 0.0))
    promised = np.full(len(due), translation.daily_volume_m3)
    by_sun = promised * sun / translation.plane_irradiation_kwh_m2
    choices: list[tuple[str, NDArray[np.bool_], Floats, list[BudgetLine]]] = [
        ("days as the promise was written, nothing translated", counted.as_written, promised, written_line),
        ("water in proportion to the sun instead of by the model, whole days", counted.whole_day, by_sun, fixed),
        ("first half of the counted days", first, due, fixed),
        ("second half of the counted days", ~first, due, fixed),
        ("without the best and the worst tenth of days", (daily >= low) & (daily <= high), due, fixed),
        ("sun read too low by one standard uncertainty", everything,
         due * (1 + next((line.contribution for line in budget if line.what == "irradiance"), 0.0)), fixed),
        ("sun read too high by one standard uncertainty", everything,
         due * (1 - next((line.contribution for line in budget if line.what == "irradiance"), 0.0)), fixed),
    ]
    if since is not None:
        later = np.array([day >= since for day in counted.days], dtype=bool)
        choices.append(("days since the change that was found (chosen after looking, no ground for a verdict)", later,
                        due, fixed))
    return [_variant(name, owed[chosen], delivered[chosen], lines, promise) for name, chosen, owed, lines in choices]


def _variant(name: str, due_m3: Floats, delivered_m3: Floats, lines: list[BudgetLine], promise: Guarantee) -> Variant:
    days, due = len(due_m3), float(np.sum(due_m3))
    scatter = day_scatter(due_m3, delivered_m3) if due > 0 else None
    if scatter is None:
        return Variant(choice=name, ratio=float(np.sum(delivered_m3)) / due if due > 0 else None, days=days,
                       outcome="cannot be decided")
    total = combined([*lines, BudgetLine(what="scatter of days", contribution=scatter, why="",
                                         degrees_of_freedom=float(days - 1))])
    ratio = float(np.sum(delivered_m3)) / due
    decision = decide(ratio, total, promise)
    return Variant(choice=name, ratio=ratio, days=days, outcome=decision.outcome)
