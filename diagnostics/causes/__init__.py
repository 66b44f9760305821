"""Every cause a shortfall can have, one module a link of the chain, and the fixed cautions."""

from diagnostics.causes import (
    array_link,
    drive_link,
    measuring_link,
    pipework_link,
    power_link,
    pump_link,
    tank_link,
    well_link,
)
from diagnostics.causes.cause import Cause, Form, Misreading, Setting
from diagnostics.causes.cautions import CAUTIONS

UNEXPLAINED = Cause(
    code="unexplained", label="Something is wrong that no known cause explains", link="", moves="anything",
    forms=(), shapes={"step": 0.5, "ramp": 0.3, "day_one": 0.2}, prior=0.01, size_unit="1",
    size_means="largest shift of a summary", test="Inspect the whole chain from array to tank.", readings=(),
    parts=(), dangers=("E1", "L1", "C1", "P1", "W1"), owner_of_cause="", owner_action="Nothing to do.", kind="rule")

CAUSES: dict[str, Cause] = {cause.code: cause for module in (
    array_link, drive_link, well_link, pump_link, pipework_link, tank_link, power_link, measuring_link)
    for cause in module.CAUSES}
CAUSES["unexplained"] = UNEXPLAINED

__all__ = ["CAUSES", "CAUTIONS", "UNEXPLAINED", "Cause", "Form", "Misreading", "Setting"]
