"""A low-output claim judged from promise to verdict, rung by rung."""

from collections import Counter
from collections.abc import Sequence
from datetime import date

import pandas as pd

from diagnostics.claim.attribution import (
    NOT_KNOWN,
    counted_span,
    owners_of_missing_water,
    shares_of_missing_water,
    start_of_shortfall,
)
from diagnostics.claim.conditions import (
    CountedDays,
    Envelope,
    conditions_present,
    count_days,
    doubted_sensors,
    label_of,
)
from diagnostics.claim.promise import PromiseNotTranslatable, translate
from diagnostics.claim.records import (
    Answer,
    BudgetLine,
    CauseShare,
    ClaimJudgement,
    Decision,
    Rung,
    Settling,
    Shortfall,
    Start,
)
from diagnostics.claim.shortfall import (
    LEAST_DAYS,
    combined,
    decide,
    measured_shortfall,
    smallest_provable,
    uncertainty_budget,
    variants,
)
from diagnostics.results import ServiceEvent, SiteDiagnosis
from diagnostics.site import Guarantee, Site

# Below this share of the period's days nothing is said about output (practice: 70 % of sun hours for a verdict on a
# month; a claim may choose fewer days but must say so).
_FAIR_COVERAGE = 0.7
# A cause, or an owner of causes, that is at least this probable is called known.
_SURE_OF_CAUSE = 0.8
_NOT_EXAMINED = ("Serial numbers and registration of the parts.", "Photographs, nameplates and settings pages.",
                 "Raw files beyond what the ledger holds; see the list of files and their hashes.",
                 "Contract terms other than those written in the site file.")


def judge_claim(site: Site, diagnosis: SiteDiagnosis, *, first_day: date, last_day: date,
                service_events: Sequence[ServiceEvent] = (), water_level_m: "pd.Series[float] | None" = None,
                irradiance_channel: str | None = None, envelope: Envelope | None = None) -> ClaimJudgement:
    """
    Judge whether a site delivered what was promised, as far as its data can tell.

    Parameters
    ----------
    site : Site
        With its guarantee.
    diagnosis : SiteDiagnosis
        Of the same site, covering the period.
    first_day, last_day : date
        Claimed period, both included; chosen before looking.
    service_events : sequence of ServiceEvent
        Service log.
    water_level_m : Series, optional
        Logged pumping level, sound values only, UTC. [m]
    irradiance_channel : str, optional
        Channel that gave the sun; by default what the diagnosis says it used most.
    envelope : Envelope, optional
        How near the promised conditions a day must be.

    Returns
    -------
    judgement : ClaimJudgement
        'cannot be decided' wherever the evidence does not carry a verdict.

    Raises
    ------
    ValueError
        If the period ends before it begins, or the diagnosis is of another site.
    """
    if last_day < first_day:
        raise ValueError(f"the claim ends ({last_day}) before it begins ({first_day}). Swap the two.")
    if diagnosis.site_id != site.id:
        raise ValueError(f"the diagnosis is of '{diagnosis.site_id}', the claim of '{site.id}'.")
    envelope = envelope or Envelope()
    try:
        translation = translate(site, near=first_day + (last_day - first_day) // 2)
    except PromiseNotTranslatable as gap:
        return _untranslated(site, diagnosis, first_day, last_day, str(gap), envelope)
    promise = site.guarantee or Guarantee()
    if any(finding.cause == "level_sensor_fault" for finding in doubted_sensors(
            diagnosis.findings, envelope, frozenset({"level_sensor_fault"}))):
        water_level_m = None
    counted = count_days(site, diagnosis, translation, first_day=first_day, last_day=last_day,
                         service_events=service_events, water_level_m=water_level_m, envelope=envelope)
    channel = irradiance_channel or _sun_channel(diagnosis)
    logged = any(record.head_m is not None for record in counted.records if record.counted)
    budget = uncertainty_budget(site, translation, counted, irradiance_channel=channel, level_is_logged=logged)
    shortfall, decision, provable = _verdict(counted, budget, promise)
    shares = shares_of_missing_water(diagnosis, first_day, last_day)
    start = start_of_shortfall(counted, limit_ratio=decision.refuse_below or decision.limit_ratio)
    others = variants(counted, translation, promise, budget, since=start.first_day if start.kind == "step" else None
                      ) if shortfall is not None else []
    settling = _settling(budget, shares, shortfall, promise, diagnosis)
    judgement = ClaimJudgement(
        site_id=site.id, reference=promise.reference, first_day=first_day, last_day=last_day,
        translation=translation, days=counted.records, counted_days=len(counted),
        as_written_days=int(counted.as_written.sum()), excluded=_excluded(counted), budget=budget,
        shortfall=shortfall, decision=decision,
        variants=others, start=start, conditions=conditions_present(counted, translation, envelope),
        shares=shares, owners=owners_of_missing_water(shares), settling=settling,
        smallest_provable_shortfall=provable, ladder=[], not_examined=list(_NOT_EXAMINED))
    return judgement.model_copy(update={"ladder": _ladder(site, diagnosis, judgement, envelope)})


def _sun_channel(diagnosis: SiteDiagnosis) -> str:
    source = "plane_sensor"
    if "irradiance_source" in diagnosis.intervals.columns:
        used = diagnosis.intervals["irradiance_source"].astype(str)
        used = used[used != "none"]
        source = str(used.mode().iloc[0]) if len(used) else "none"
    return {"plane_sensor": "poa_irradiance_w_m2",
            "horizontal_sensor": "global_horizontal_irradiance_w_m2"}.get(source, source)


def _verdict(counted: CountedDays, budget: list[BudgetLine],
             promise: Guarantee) -> tuple[Shortfall | None, Decision, float | None]:
    limit = 1.0 - promise.volume_tolerance_pct / 100.0
    if len(counted) < LEAST_DAYS:
        return None, _undecided(limit, promise, f"Only {len(counted)} days count; {LEAST_DAYS} are the least for their "
                                                "scatter to be known."), None
    total = combined(budget)
    shortfall = measured_shortfall(counted, total)
    decision = decide(shortfall.ratio, total, promise)
    return shortfall, decision, smallest_provable(total, promise)


def _undecided(limit: float, promise: Guarantee, says: str) -> Decision:
    risk = promise.highest_risk_pct / 100.0 if promise.decision_rule == "guarded" else 0.5
    return Decision(outcome="cannot be decided", rule=promise.decision_rule, limit_ratio=limit, accept_from=None,
                    refuse_below=None, probability_meets=0.5, seller_risk=risk, buyer_risk=risk, says=says)


def _excluded(counted: CountedDays) -> dict[str, int]:
    reasons = Counter(reason for record in counted.records if not record.counted for reason in record.reasons)
    return dict(reasons.most_common())


def _settling(budget: list[BudgetLine], shares: list[CauseShare], shortfall: Shortfall | None, promise: Guarantee,
              diagnosis: SiteDiagnosis) -> list[Settling]:
    """List the tests that would narrow the answer, the ones that narrow it most first, then what tells causes apart."""
    tests: list[Settling] = []
    for line in budget:
        if not line.shrunk_by or line.shrunk_to is None or not line.shrunk_to < line.contribution:
            continue
        total = combined([other if other is not line else line.model_copy(update={"contribution": line.shrunk_to})
                          for other in budget])
        would = None
        if shortfall is not None:
            would = decide(shortfall.ratio, total, promise).outcome != "cannot be decided"
        tests.append(Settling(test=f"{line.shrunk_by}.", uncertainty_then=total.uncertainty,
                              smallest_provable_then=smallest_provable(total, promise), would_decide=would))
    tests.sort(key=lambda test: test.uncertainty_then or 0.0)
    named = {share.cause for share in shares if share.kind == "cause"}
    tests += [Settling(test=finding.next_test) for finding in diagnosis.findings
              if finding.cause in named and finding.next_test]
    return tests


def _untranslated(site: Site, diagnosis: SiteDiagnosis, first_day: date, last_day: date, says: str,
                  envelope: Envelope) -> ClaimJudgement:
    promise = site.guarantee or Guarantee()
    shares = shares_of_missing_water(diagnosis, first_day, last_day)
    judgement = ClaimJudgement(
        site_id=site.id, reference=promise.reference, first_day=first_day, last_day=last_day, translation=None,
        days=[], counted_days=0, as_written_days=0, excluded={}, budget=[], shortfall=None,
        decision=_undecided(1.0 - promise.volume_tolerance_pct / 100.0, promise, f"Nothing can be compared: {says}"),
        variants=[], start=Start(kind="not enough data", says="Nothing to compare with."), shares=shares,
        owners=owners_of_missing_water(shares), settling=[Settling(test=f"Agree on the promise: {says}")],
        smallest_provable_shortfall=None, ladder=[], not_examined=list(_NOT_EXAMINED))
    return judgement.model_copy(update={"ladder": _ladder(site, diagnosis, judgement, envelope)})


def _ladder(site: Site, diagnosis: SiteDiagnosis, judgement: ClaimJudgement, envelope: Envelope) -> list[Rung]:
    promise = site.guarantee or Guarantee()
    return [_in_period(judgement, promise), _data_fit(diagnosis, judgement, envelope), _conditions(judgement),
            _beyond_uncertainty(judgement), _when(judgement), _which_cause(judgement), _whose(judgement),
            _settled_by(judgement), _lost(judgement)]


def _in_period(judgement: ClaimJudgement, promise: Guarantee) -> Rung:
    question = "Is it this system, and did the promise hold in these days?"
    if promise.starts_on is None or promise.ends_on is None:
        return Rung(number=1, question=question, answer="cannot say",
                    says=f"Site {judgement.site_id}; the site file does not name both ends of the guarantee. Serial "
                         "numbers are not examined here.")
    inside = promise.starts_on <= judgement.first_day and judgement.last_day < promise.ends_on
    return Rung(number=1, question=question, answer="yes" if inside else "no",
                says=f"Guarantee from {promise.starts_on} to {promise.ends_on}, claim from {judgement.first_day} to "
                     f"{judgement.last_day}. Serial numbers are not examined here.")


def _data_fit(diagnosis: SiteDiagnosis, judgement: ClaimJudgement, envelope: Envelope) -> Rung:
    span = counted_span(judgement.first_day, judgement.last_day)
    seen = [pd.Timestamp(day).date() for day in diagnosis.days.index]
    judged = sum(bool(good) and judgement.first_day <= day <= judgement.last_day
                 for day, good in zip(seen, diagnosis.days["judged"] if seen else [], strict=True))
    doubted = [finding for finding in doubted_sensors(diagnosis.findings, envelope)
               if finding.onset <= judgement.last_day and finding.last_seen >= judgement.first_day]
    says = f"{judged} of {span} days could be judged."
    if doubted:
        return Rung(number=2, question="Are the data fit?", answer="no", says=says + " In doubt: " + ", ".join(
            f"{label_of(finding.cause)}, from {finding.onset}" for finding in doubted) + ".")
    answer: Answer = "yes" if judged >= _FAIR_COVERAGE * span else "cannot say"
    return Rung(number=2, question="Are the data fit?", answer=answer, says=says)


def _conditions(judgement: ClaimJudgement) -> Rung:
    left_out = ", ".join(f"{reason} ({days})" for reason, days in judgement.excluded.items())
    answer: Answer = "yes" if judgement.counted_days >= LEAST_DAYS else "cannot say"
    return Rung(number=3, question="Were the promised conditions present?", answer=answer,
                says=f"{judgement.counted_days} days count, {judgement.as_written_days} of them as the promise was "
                     f"written. Left out: {left_out or 'none'}.")


def _beyond_uncertainty(judgement: ClaimJudgement) -> Rung:
    question = "Is there a shortfall against the promise beyond uncertainty?"
    answers: dict[str, Answer] = {"meets": "no", "does not meet": "yes", "cannot be decided": "cannot say"}
    others = [variant for variant in judgement.variants if variant.outcome not in (
        judgement.decision.outcome, "cannot be decided")]
    says = judgement.decision.says
    if judgement.shortfall is not None:
        says += (f" Delivered over due {judgement.shortfall.ratio:.3f} (95 % {judgement.shortfall.ratio_low:.3f} to "
                 f"{judgement.shortfall.ratio_high:.3f}).")
    if others and judgement.decision.outcome != "cannot be decided":
        says += " Another choice would say otherwise: " + "; ".join(variant.choice for variant in others) + "."
    return Rung(number=4, question=question, answer=answers[judgement.decision.outcome], says=says)


def _when(judgement: ClaimJudgement) -> Rung:
    answer: Answer = "cannot say" if judgement.start.kind == "not enough data" else (
        "no" if judgement.start.kind == "no change found" else "yes")
    return Rung(number=5, question="Did delivery change within the period, and when?", answer=answer,
                says=judgement.start.says)


def _which_cause(judgement: ClaimJudgement) -> Rung:
    question = "Is it known what took the water?"
    causes = _causes(judgement)
    if judgement.decision.outcome == "meets":
        return Rung(number=6, question=question, answer="does not arise", says="No water is missing against the "
                    "promise." + (f" Against its own ability the system lost some: {_named(causes)}" if causes else ""))
    if not causes:
        return Rung(number=6, question=question, answer="cannot say",
                    says="No cause is held against the site in these days.")
    return Rung(number=6, question=question,
                answer="yes" if (causes[0].confidence or 0.0) >= _SURE_OF_CAUSE else "cannot say", says=_named(causes))


def _named(causes: list[CauseShare]) -> str:
    rivals = ", ".join(f"{label_of(rival.cause)} ({rival.probability:.0%})" for rival in causes[0].rivals[:3]
                       if rival.probability >= 0.01)
    return "; ".join(f"{share.label}, since {share.onset}{_between(share)} ({share.confidence or 0:.0%} sure)"
                     for share in causes) + (f". It could also be: {rivals}." if rivals else ".")


def _between(share: CauseShare) -> str:
    if share.onset_low is None or share.onset_high is None or share.onset_low == share.onset_high:
        return ""
    return f" (between {share.onset_low} and {share.onset_high})"


def _causes(judgement: ClaimJudgement) -> list[CauseShare]:
    return [share for share in judgement.shares if share.kind == "cause"]


def _whose(judgement: ClaimJudgement) -> Rung:
    """Name an owner only where the causes are known: a full tank and what nobody can explain are nobody's."""
    question, causes = "Is it known whose the cause is?", _causes(judgement)
    if judgement.decision.outcome == "meets" and not causes:
        return Rung(number=7, question=question, answer="does not arise", says="There is no cause to own.")
    if not causes:
        return Rung(number=7, question=question, answer="cannot say", says="No cause is known, so no owner is.")
    owners = owners_of_missing_water(causes)
    total = sum(owners.values())
    split = ", ".join(f"{owner} {volume / total:.0%}" for owner, volume in owners.items() if volume > 0.005 * total)
    first = next(iter(owners))
    sure = first != NOT_KNOWN and owners[first] >= _SURE_OF_CAUSE * total
    answer: Answer = "does not arise" if judgement.decision.outcome == "meets" else "yes" if sure else "cannot say"
    return Rung(number=7, question=question, answer=answer,
                says=f"Of the water that the causes took, rivals counted as far as they are probable: {split}.")


def _settled_by(judgement: ClaimJudgement) -> Rung:
    question = "Is there a test that would settle it?"
    first = judgement.settling[0] if judgement.settling else None
    if judgement.decision.outcome != "cannot be decided":
        return Rung(number=8, question=question, answer="does not arise", says="The rule has decided." + (
            f" What would make it surer: {first.test}" if first else ""))
    decisive = next((test for test in judgement.settling if test.would_decide), None)
    if decisive is not None:
        return Rung(number=8, question=question, answer="yes", says=f"If the ratio stayed where it is: {decisive.test}")
    if first is None:
        return Rung(number=8, question=question, answer="cannot say", says="No test is known that would narrow it.")
    return Rung(number=8, question=question, answer="no",
                says=f"No single one, if the ratio stayed where it is. What narrows it most: {first.test}")


def _lost(judgement: ClaimJudgement) -> Rung:
    question, found = "Is water missing against the promise beyond doubt?", judgement.shortfall
    if found is None:
        return Rung(number=9, question=question, answer="cannot say", says="Not enough days count.")
    if found.missing_m3 <= 0.0:
        return Rung(number=9, question=question, answer="no" if found.missing_high_m3 <= 0.0 else "cannot say",
                    says=f"The counted days gave {-found.missing_m3:.1f} m3 more than was due (95 %: from "
                         f"{_more_or_less(-found.missing_high_m3)} to {_more_or_less(-found.missing_low_m3)}).")
    return Rung(number=9, question=question, answer="yes" if found.missing_low_m3 > 0 else "cannot say",
                says=f"{found.missing_m3:.1f} m3 are missing on the counted days (95 %: from "
                     f"{_more_or_less(-found.missing_high_m3)} to {_more_or_less(-found.missing_low_m3)}), "
                     f"{found.missing_m3_day:.2f} m3 a day.")


def _more_or_less(beyond_due_m3: float) -> str:
    return f"{abs(beyond_due_m3):.1f} m3 {'more' if beyond_due_m3 >= 0.0 else 'less'} than due"
