"""A judged claim in plain words, for a terminal or a file: neutral, the same for both parties."""

import textwrap

from diagnostics.claim.records import ClaimJudgement

_WIDTH = 100
_OUTCOME = {"meets": "MEETS THE PROMISE", "does not meet": "DOES NOT MEET THE PROMISE",
            "cannot be decided": "CANNOT BE DECIDED WITH THE PRESENT EVIDENCE"}


def claim_text(judgement: ClaimJudgement, site_name: str) -> str:
    """Return the whole judgement as text, the verdict first."""
    parts = [_head(judgement, site_name), _ladder(judgement), _promise(judgement), _budget(judgement),
             _variants(judgement), _shares(judgement), _settling(judgement), _rest(judgement)]
    return "\n\n".join(part for part in parts if part) + "\n"


def _head(judgement: ClaimJudgement, site_name: str) -> str:
    named = f", {judgement.reference}" if judgement.reference else ""
    lines = [f"{site_name} ({judgement.site_id}), {judgement.first_day} to {judgement.last_day}{named}",
             _OUTCOME[judgement.decision.outcome], *_wrapped(judgement.decision.says)]
    found = judgement.shortfall
    if found is not None:
        lines += _wrapped(
            f"Delivered {found.delivered_m3:.1f} m3 of {found.due_m3:.1f} m3 due on {found.days} counted days: "
            f"{found.ratio:.1%} (95 % {found.ratio_low:.1%} to {found.ratio_high:.1%}). Missing {found.missing_m3:.1f} "
            f"m3 ({found.missing_low_m3:.1f} to {found.missing_high_m3:.1f}).")
    if judgement.smallest_provable_shortfall is not None:
        lines += _wrapped(f"The smallest shortfall that these instruments and days could prove is "
                          f"{judgement.smallest_provable_shortfall:.1%} of what was due.")
    rule = judgement.decision
    lines += _wrapped(f"Rule: {rule.rule}. Greatest probability of a wrong 'does not meet' {rule.seller_risk:.0%}, of "
                      f"a wrong 'meets' {rule.buyer_risk:.0%}.")
    return "\n".join(lines)


def _ladder(judgement: ClaimJudgement) -> str:
    lines = ["QUESTIONS"]
    for rung in judgement.ladder:
        lines += _wrapped(f"{rung.number}. {rung.question} {rung.answer.upper()}. {rung.says}", hang=3)
    return "\n".join(lines)


def _promise(judgement: ClaimJudgement) -> str:
    told = judgement.translation
    if told is None:
        return ""
    lines = ["THE PROMISE AS IT WAS UNDERSTOOD"]
    lines += _wrapped(
        f"{told.daily_volume_m3:.4g} m3 a day at {told.total_dynamic_head_m:.1f} m and "
        f"{told.daily_irradiation_kwh_m2:.3g} kWh/m2, which is {told.plane_irradiation_kwh_m2:.2f} kWh/m2 in the plane "
        f"of this array. The described system would give {told.sheet_volume_m3:.1f} m3 there, so the promise is "
        f"{told.promise_ratio:.0%} of the sheet. One percent more light gives {told.light_elasticity:.2f} % more water "
        f"there, one percent more head {told.head_elasticity:+.2f} %.")
    for assumption in told.assumptions:
        lines += _wrapped(f"- {assumption}", hang=2)
    return "\n".join(lines)


def _budget(judgement: ClaimJudgement) -> str:
    if not judgement.budget:
        return ""
    lines = ["UNCERTAINTY OF DELIVERED OVER DUE (standard, percent)"]
    for line in sorted(judgement.budget, key=lambda item: -item.contribution):
        lines += _wrapped(f"{100 * line.contribution:5.1f}  {line.what}: {line.why}", hang=7)
    return "\n".join(lines)


def _variants(judgement: ClaimJudgement) -> str:
    if not judgement.variants:
        return ""
    lines = ["THE SAME CLAIM UNDER OTHER CHOICES"]
    for other in judgement.variants:
        ratio = "    -" if other.ratio is None else f"{other.ratio:5.1%}"
        lines += _wrapped(f"{ratio:>6}  {other.days:4d} days  {other.outcome:17s}  {other.choice}", hang=38)
    return "\n".join(lines)


def _shares(judgement: ClaimJudgement) -> str:
    lines = ["WHERE THE WATER OF THE DESCRIBED SYSTEM WENT (m3, judged days)"]
    for share in judgement.shares:
        sure = "" if share.confidence is None else f", {share.confidence:.0%} sure"
        since = "" if share.onset is None else f", since {share.onset}"
        lines += _wrapped(f"{share.volume_m3:8.1f} ({share.low_m3:.1f} to {share.high_m3:.1f})  {share.label}; "
                          f"{share.owner}{since}{sure}", hang=10)
    owners = ", ".join(f"{owner} {volume:.1f}" for owner, volume in judgement.owners.items())
    lines += _wrapped(f"By owner of the cause, rivals counted as far as they are probable: {owners}.")
    return "\n".join(lines)


def _settling(judgement: ClaimJudgement) -> str:
    if not judgement.settling:
        return ""
    lines = ["WHAT WOULD SETTLE OR NARROW IT"]
    for test in judgement.settling:
        then = "" if test.smallest_provable_then is None else (
            f" Then {test.smallest_provable_then:.1%} could be proved."
            + ("" if test.would_decide is None else
               " It would decide, if the ratio stayed." if test.would_decide else " It alone would not decide."))
        lines += _wrapped(f"- {test.test}{then}", hang=2)
    return "\n".join(lines)


def _rest(judgement: ClaimJudgement) -> str:
    lines = ["DAYS LEFT OUT"]
    lines += [f"{days:5d}  {reason}" for reason, days in judgement.excluded.items()] or ["    0"]
    lines += ["", "NOT EXAMINED", *(f"- {item}" for item in judgement.not_examined)]
    return "\n".join(lines)


def _wrapped(text: str, hang: int = 0) -> list[str]:
    return textwrap.wrap(text, _WIDTH, subsequent_indent=" " * hang, break_on_hyphens=False) or [""]
