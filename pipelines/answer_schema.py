"""JSON Schema of what the verbs answer with --json: findings, claims and causes, in SI, for other programs."""

from typing import Any

from pydantic import BaseModel

from diagnostics.claim.records import ClaimJudgement
from diagnostics.results import Finding
from pipelines.cause_list import CauseEntry

_DIALECT = "https://json-schema.org/draft/2020-12/schema"
# What a key means where the record itself does not say. Units: m3, m, days; ratios as shares of 1.
_MEANINGS: dict[str, dict[str, str]] = {
    "Finding": {
        "site_id": "Site, as in sites/SITE.toml.", "cause": "Code of the cause; the codes never change their meaning.",
        "onset": "Day from which it was there.", "onset_low": "Earliest day, 95 %.", "onset_high": "Latest day, 95 %.",
        "onset_shape": "How it came: at once, slowly, with the season, on and off, or from the first day.",
        "last_seen": "Newest day on which it was there.", "size": "How large, in size_unit.",
        "size_low": "Lower end, 95 %.", "size_high": "Upper end, 95 %.",
        "size_unit": "Unit ending of the size; 1 is a ratio.",
        "water_lost_m3_day": "Water it costs a day of late, m3.", "water_lost_low_m3_day": "Lower end, 95 %, m3.",
        "water_lost_high_m3_day": "Upper end, 95 %, m3.", "evidence": "What was measured, for and against.",
        "rivals": "Other explanations, the most probable first.", "next_test": "The cheapest test that decides.",
        "parts": "Parts to carry.", "owner_of_cause": "Whose such a cause is as a rule.",
        "urgency": "When somebody should go.", "status": "Where it stands in its life.",
        "status_says": "The same in words."},
    "EvidenceRow": {"value": "Measured.", "healthy": "What a healthy site would show.", "unit": "Unit ending.",
                    "outcome": "What it says about the cause.", "n_samples": "Days or intervals behind it.",
                    "source": "Where it comes from."},
    "Rival": {"cause": "Code of the cause.", "probability": "Left to it.", "against": "What speaks against it.",
              "split_by": "The measurement that splits it off."},
    "ClaimJudgement": {
        "site_id": "Site.", "reference": "Contract or offer.", "first_day": "First day claimed.",
        "last_day": "Last day claimed.", "translation": "The promise in physics; null where it cannot be translated.",
        "days": "Every day of the period.", "counted_days": "Days that count.",
        "as_written_days": "Of these, days under the promised conditions.", "budget": "Uncertainty of the ratio.",
        "shortfall": "Delivered over due; null where too few days count.", "decision": "The verdict and its risks.",
        "variants": "The same claim under other choices.", "start": "When delivery changed.",
        "shares": "Where the described system's water went.", "conditions": "Promised conditions and what stood.",
        "settling": "Tests that would narrow the answer.", "ladder": "The questions in order, each answered.",
        "not_examined": "What was not looked at."},
}


def answer_schemas() -> dict[str, dict[str, Any]]:
    """Return file name -> schema of what `findings`, `claim` and `causes` answer with --json."""
    finding, claim = _schema_of(Finding), _schema_of(ClaimJudgement)
    held = finding.pop("$defs", {})
    return {
        "findings.schema.json": {"$schema": _DIALECT, "title": "Answer of `liftledger findings --json`",
                                 "type": "array", "items": finding, "$defs": held},
        "causes.schema.json": {"$schema": _DIALECT, "title": "Answer of `liftledger causes --json`", "type": "array",
                               "items": _schema_of(CauseEntry)},
        "claim.schema.json": {"$schema": _DIALECT, "title": "Answer of `liftledger claim --json`", **claim},
    }


def _schema_of(model: type[BaseModel]) -> dict[str, Any]:
    schema = model.model_json_schema(mode="serialization")
    for name, table in {model.__name__: schema, **schema.get("$defs", {})}.items():
        table.pop("title", None)
        for key, prop in table.get("properties", {}).items():
            prop.pop("title", None)
            said = _MEANINGS.get(name, {}).get(key)
            if said and "description" not in prop:
                prop["description"] = said
            if prop.get("type") == "number":            # what is not known is written as null
                prop["type"] = ["number", "null"]
    return schema
