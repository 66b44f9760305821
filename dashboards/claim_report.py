"""A judged claim in plain words, for a terminal or a file: neutral, the same for both parties."""

import textwrap

from dashboards.shown import (
    DeskUnits,
    clean,
    day_words,
    in_desk_words,
    number,
    volume,
    with_unit,
)
from diagnostics.claim.records import ClaimJudgement, Condition
from diagnostics.units import convert

_WIDTH = 100
_OUTCOME = {"meets": "MEETS THE PROMISE", "does not meet": "DOES NOT MEET THE PROMISE",
            "cannot be decided": "CANNOT BE DECIDED WITH THE PRESENT EVIDENCE"}
_LEAST_SHARE = 0.005    # of all shares below which an owner is not worth a figure


def claim_text(judgement: ClaimJudgement, site_name: str, units: DeskUnits | None = None) -> str:
    """Return the whole judgement as text in the company's units, the verdict first."""
    teller = _Teller(units or DeskUnits())
    parts = [_head(judgement, site_name, teller), _ladder(judgement, teller), _promise(judgement, teller),
             _conditions(judgement, teller), _rule(judgement, teller), _budget(judgement, teller),
             _variants(judgement), _shares(judgement, teller), _settling(judgement, teller), _rest(judgement, teller)]
    return "\n\n".join(part for part in parts if part) + "\n"


class _Teller:
    """Puts sentences and volumes into the units and dates of the reader."""

    def __init__(self, units: DeskUnits) -> None:
        self.units = units

    def say(self, text: str) -> str:
        """Put a sentence of the judgement into these units."""
        return in_desk_words(text, self.units.volume, self.units.length)

    def volume(self, value_m3: float, digits: int = 3) -> str:
        return volume(value_m3, self.units.volume, digits)

    def length(self, value_m: float) -> str:
        return with_unit(float(convert(value_m, "m", self.units.length)), self.units.length)


def _head(judgement: ClaimJudgement, site_name: str, teller: _Teller) -> str:
    named = f", {clean(judgement.reference)}" if judgement.reference else ""
    lines = [f"{clean(site_name)} ({judgement.site_id}), {day_words(judgement.first_day)} to "
             f"{day_words(judgement.last_day)}{named}", _OUTCOME[judgement.decision.outcome]]
    found = judgement.shortfall
    if found is None:
        lines += _wrapped(teller.say(judgement.decision.says))
        return "\n".join(lines)
    lines += _wrapped(
        f"Due under the promise on {found.days} counted days: {teller.volume(found.due_m3)}. Delivered: "
        f"{teller.volume(found.delivered_m3)}, which is {_percent(found.ratio)} of it (95 % interval "
        f"{_percent(found.ratio_low)} to {_percent(found.ratio_high)}).")
    lines += _wrapped(_missing(judgement, teller))
    if judgement.smallest_provable_shortfall is not None:
        lines += _wrapped(f"The smallest shortfall that these instruments and days could prove, four times in five, is "
                          f"{_percent(judgement.smallest_provable_shortfall)} of what was due.")
    return "\n".join(lines)


def _missing(judgement: ClaimJudgement, teller: _Teller) -> str:
    found = judgement.shortfall
    if found is None:
        return ""
    low, high = found.missing_low_m3, found.missing_high_m3
    if found.missing_m3 <= 0.0:
        return (f"Nothing is missing in the sum: {teller.volume(-found.missing_m3)} more came than was due (95 % "
                f"interval {_around(-high, teller)} to {_around(-low, teller)}).")
    return (f"Missing: {teller.volume(found.missing_m3)} (95 % interval {_around(-high, teller)} to "
            f"{_around(-low, teller)}), {teller.volume(found.missing_m3_day)} a day.")


def _around(beyond_due_m3: float, teller: _Teller) -> str:
    return f"{teller.volume(abs(beyond_due_m3))} {'more' if beyond_due_m3 >= 0.0 else 'less'} than due"


def _ladder(judgement: ClaimJudgement, teller: _Teller) -> str:
    lines = ["QUESTIONS"]
    for rung in judgement.ladder:
        lines += _wrapped(f"{rung.number}. {rung.question} {rung.answer.upper()}. {teller.say(rung.says)}", hang=3)
    return "\n".join(lines)


def _promise(judgement: ClaimJudgement, teller: _Teller) -> str:
    told = judgement.translation
    if told is None:
        return ""
    lines = ["THE PROMISE AS IT WAS UNDERSTOOD (object here first)"]
    lines += _wrapped(
        f"{teller.volume(told.daily_volume_m3)} a day at a head of {teller.length(told.total_dynamic_head_m)} and "
        f"{told.daily_irradiation_kwh_m2:.3g} kWh/m², which is {told.plane_irradiation_kwh_m2:.2f} kWh/m² in the plane "
        f"of this array. New and clean, the described system would give {teller.volume(told.sheet_volume_m3)} there, "
        f"so the promise is {told.promise_ratio:.0%} of what the sheets give. One percent more light gives "
        f"{told.light_elasticity:.2f} % more water there, one percent more head {told.head_elasticity:+.2f} %.")
    for assumption in told.assumptions:
        lines += _wrapped(f"- {teller.say(assumption)}", hang=2)
    return "\n".join(lines)


def _conditions(judgement: ClaimJudgement, teller: _Teller) -> str:
    if not judgement.conditions:
        return ""
    lines = [f"CONDITIONS OF THE PROMISE ON THE {judgement.counted_days} COUNTED DAYS"]
    met = {"yes": "MET", "no": "NOT ALWAYS MET", "cannot say": "CANNOT SAY", "does not arise": "DOES NOT ARISE"}
    for condition in judgement.conditions:
        lines += _wrapped(f"- {condition.what}: {met[condition.met]}. {_stood(condition, teller)}"
                          f"{teller.say(condition.says)}", hang=2)
    lines += _wrapped(f"As the promise was written on {judgement.as_written_days} of them, nothing translated.")
    return "\n".join(lines)


def _stood(condition: Condition, teller: _Teller) -> str:
    if condition.promised is None or condition.middle is None:
        return ""

    def shown(value: float | None) -> str:
        return teller.length(value or 0.0) if condition.unit == "m" else with_unit(value, condition.unit)

    return (f"Promised {shown(condition.promised)}; stood at {shown(condition.middle)} (nine days in ten "
            f"{shown(condition.low)} to {shown(condition.high)}). ")


def _rule(judgement: ClaimJudgement, teller: _Teller) -> str:
    rule = judgement.decision
    lines = ["THE RULE OF DECISION (JCGM 106:2012, clause 8)"]
    if rule.rule == "shared":
        lines += _wrapped(f"Shared risk: the measured value decides at {_percent(rule.limit_ratio)} of what was due. "
                          "Near the limit either verdict may be wrong with a probability of up to one half.")
    elif rule.accept_from is None or rule.refuse_below is None:
        lines += _wrapped(f"Guarded on both sides of {_percent(rule.limit_ratio)}; no guard band could be worked out.")
    else:
        band = rule.accept_from - rule.limit_ratio
        lines += _wrapped(
            f"Guarded on both sides: the promise asks for {_percent(rule.limit_ratio)} of what was due, the guard band "
            f"is {_percent(band)} to either side. 'Meets' from {_percent(rule.accept_from)}, 'does not meet' below "
            f"{_percent(rule.refuse_below)}, between them undecided.")
    lines += _wrapped(f"Greatest risk of the seller (a wrong 'does not meet'): {rule.seller_risk:.0%}. Greatest risk "
                      f"of the buyer (a wrong 'meets'): {rule.buyer_risk:.0%}. Given what was measured, the promise is "
                      f"met with a probability of {_chance(rule.probability_meets)}.")
    return "\n".join(lines)


def _budget(judgement: ClaimJudgement, teller: _Teller) -> str:
    if not judgement.budget:
        return ""
    lines = ["UNCERTAINTY OF DELIVERED OVER DUE (one standard uncertainty, percent; 95 % is about twice the whole)"]
    for line in sorted(judgement.budget, key=lambda item: -item.contribution):
        lines += _wrapped(f"{100 * line.contribution:5.1f}  {line.what}: {teller.say(line.why)}", hang=7)
    return "\n".join(lines)


def _variants(judgement: ClaimJudgement) -> str:
    if not judgement.variants:
        return ""
    lines = ["THE SAME CLAIM UNDER OTHER CHOICES"]
    for other in judgement.variants:
        ratio = "–" if other.ratio is None else f"{100.0 * other.ratio:.1f} %"
        lines += _wrapped(f"{ratio:>8}  {other.days:4d} days  {other.outcome:17s}  {other.choice}", hang=40)
    return "\n".join(lines)


def _shares(judgement: ClaimJudgement, teller: _Teller) -> str:
    lines = ["WHERE THE WATER OF THE DESCRIBED SYSTEM WENT (judged days; the promise may ask for less)"]
    for share in judgement.shares:
        if share.kind == "unexplained" and share.volume_m3 <= 0.0:
            lines += _wrapped(f"- {teller.volume(-share.volume_m3)} more came than the booked causes leave over: "
                              "scatter of model, meter and booking.", hang=2)
            continue
        sure = "" if share.confidence is None else f", {share.confidence:.0%} sure"
        since = "" if share.onset is None else f", since {day_words(share.onset)}"
        between = "" if share.low_m3 == share.high_m3 else (
            f" ({teller.volume(share.low_m3)} to {teller.volume(share.high_m3)})")
        lines += _wrapped(f"- {teller.volume(share.volume_m3)}{between}: {share.label}; {share.owner}{since}{sure}",
                          hang=2)
    total = sum(max(owned, 0.0) for owned in judgement.owners.values())
    owners = ", ".join(f"{owner} {teller.volume(owned)}" for owner, owned in judgement.owners.items()
                       if owned > _LEAST_SHARE * total)
    if owners:
        lines += _wrapped(f"By owner, rivals counted as far as they are probable: {owners}.")
    return "\n".join(lines)


def _settling(judgement: ClaimJudgement, teller: _Teller) -> str:
    if not judgement.settling:
        return ""
    decided = judgement.decision.outcome != "cannot be decided"
    lines = ["WHAT WOULD MAKE IT SURER" if decided else "WHAT WOULD SETTLE OR NARROW IT"]
    for test in judgement.settling:
        least = test.smallest_provable_then
        then = "" if least is None else f" Then {_percent(least)} could be proved."
        if not decided and test.would_decide is not None:
            then += " It would decide, if the ratio stayed." if test.would_decide else " It alone would not decide."
        lines += _wrapped(f"- {teller.say(test.test)}{then}", hang=2)
    return "\n".join(lines)


def _rest(judgement: ClaimJudgement, teller: _Teller) -> str:
    lines = ["DAYS LEFT OUT"]
    lines += [f"{days:5d}  {teller.say(reason)}" for reason, days in judgement.excluded.items()] or ["    0"]
    lines += ["", "NOT EXAMINED", *(f"- {item}" for item in judgement.not_examined)]
    return "\n".join(lines)


def _percent(ratio: float) -> str:
    return f"{number(100.0 * ratio, 4, finest=1)}\u202f%"


def _chance(probability: float) -> str:
    return "under 0.1 %" if probability < 0.001 else "over 99.9 %" if probability > 0.999 else f"{probability:.1%}"


def _wrapped(text: str, hang: int = 0) -> list[str]:
    return textwrap.wrap(text, _WIDTH, subsequent_indent=" " * hang, break_on_hyphens=False) or [""]
