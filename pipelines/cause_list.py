"""Every cause a finding can name, as records for other programs: made from the catalogue, never written down twice."""

from collections.abc import Iterable
from typing import Literal

from pydantic import Field

from diagnostics.causes import CAUSES, CAUTIONS
from diagnostics.causes.cause import Urgency
from diagnostics.results import Record
from pipelines.errors import RequestError


class CauseEntry(Record):
    """One cause: what a program must know to read a finding that names it."""

    code: str = Field(description="As in a finding's cause; the codes never change their meaning.")
    label: str = Field(description="What people read.")
    link: str = Field(description="Link of the chain it sits on; empty for what no known cause explains.")
    kind: Literal["health", "sensor", "stop", "after_meter", "rule"] = Field(
        description="Plant, sensor, a stop, behind the meter, or told by a rule over whole channels.")
    size_unit: str = Field(description="Unit ending of a finding's size; 1 is a ratio, K kelvin.")
    size_means: str = Field(description="What that size is.")
    shapes: list[str] = Field(description="How it can come, the most usual first.")
    families: list[str] = Field(description="Kinds of pump that can have it.")
    drives: list[str] = Field(description="Kinds of drive that can have it.")
    needs: list[list[str]] = Field(description="Channels: one of each list must be logged for it to be told.")
    field_test: str = Field(description="The cheapest test that shows it.")
    field_readings: list[str] = Field(description="What that test shows if it is true.")
    look_alikes: dict[str, str] = Field(description="Code of a look-alike -> the one measurement that splits it off.")
    parts: list[str] = Field(description="Parts to carry.")
    dangers: dict[str, str] = Field(description="Danger code -> caution to be read before the work.")
    owner_of_cause: str = Field(description="Whose such a cause is as a rule; empty where that is open.")
    owner_action: str = Field(description="What the owner of the well can do.")
    urgency: Urgency = Field(description="When somebody should go.")


def cause_list(codes: Iterable[str] = ()) -> list[CauseEntry]:
    """
    Return the causes of the catalogue in its order, or those asked for.

    Raises
    ------
    RequestError
        For a code that the catalogue does not have; the nearest known is named.
    """
    from difflib import get_close_matches

    asked = list(codes)
    for code in asked:
        if code not in CAUSES:
            close = get_close_matches(code, CAUSES, n=1)
            raise RequestError(f"there is no cause '{code}'.",
                               mend=f"Did you mean {close[0]}?" if close else f"Known: {', '.join(CAUSES)}.")
    return [_entry(code) for code in (asked or CAUSES)]


def _entry(code: str) -> CauseEntry:
    cause = CAUSES[code]
    return CauseEntry(
        code=cause.code, label=cause.label, link=cause.link, kind=cause.kind, size_unit=cause.size_unit,
        size_means=cause.size_means, shapes=sorted(cause.shapes, key=lambda shape: -cause.shapes[shape]),
        families=sorted(cause.families), drives=sorted(cause.drives), needs=[need.split("|") for need in cause.needs],
        field_test=cause.test, field_readings=list(cause.readings), look_alikes=dict(cause.look_alikes),
        parts=list(cause.parts), dangers={danger: CAUTIONS[danger] for danger in cause.dangers},
        owner_of_cause=cause.owner_of_cause, owner_action=cause.owner_action, urgency=cause.urgency)
