"""Low-output claims: the promise in physics, the days that count, the verdict under an agreed rule, whose it is."""

from diagnostics.claim.conditions import Envelope
from diagnostics.claim.judge import judge_claim
from diagnostics.claim.promise import PromiseNotTranslatable, translate
from diagnostics.claim.records import ClaimJudgement

__all__ = ["ClaimJudgement", "Envelope", "PromiseNotTranslatable", "judge_claim", "translate"]
