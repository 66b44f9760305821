"""The health parameters: every way a link of the chain can leave its healthy value, healthy by default."""

import dataclasses
from dataclasses import dataclass
from typing import Any, Self


@dataclass(frozen=True, slots=True)
class Health:
    """
    State of one system. Every parameter equals its default while the link is well.

    Ratios multiply what the sound link would do; losses add to it. Powers are on the array side of the drive.
    """

    irradiance_ratio: float = 1.0                   # light that reaches the cells [1]
    strings_ratio: float = 1.0                      # connected share of the parallel strings [1]
    voltage_ratio: float = 1.0                      # live share of the series substrings [1]
    extra_series_resistance_ohm: float = 0.0        # in the wiring of the whole array [ohm]
    tracking_ratio: float = 1.0                     # power taken over maximum power, while the drive is free [1]
    drive_ratio: float = 1.0                        # multiplies the efficiency of the drive [1]
    power_cap_w: float | None = None                # drive limited below its design cap [W]
    extra_static_level_m: float = 0.0               # water stands deeper than described [m]
    well_loss_ratio: float = 1.0                    # multiplies both drawdown coefficients [1]
    intake_loss_s2_m5: float = 0.0                  # extra head lost before the pump, h = k Q2 [s2/m5]
    delivery_loss_s2_m5: float = 0.0                # extra head lost after the pump, h = k Q2 [s2/m5]
    extra_static_head_m: float = 0.0                # head on the delivery side that the sheet does not know [m]
    pump_head_ratio: float = 1.0                    # developed head of a centrifugal pump [1]
    recirculation_ratio: float = 0.0                # leak-back over best-efficiency flow, at rated head [1]
    slip_ratio: float = 1.0                         # multiplies the slip of a positive-displacement pump [1]
    displacement_ratio: float = 1.0                 # volume a turn of a positive-displacement pump [1]
    motor_efficiency_ratio: float = 1.0             # shaft torque given over shaft torque due at equal current [1]
    motor_constant_ratio: float = 1.0               # volts per turn, and torque per ampere, over those due [1]
    riser_leak_m3_s_per_sqrt_m: float = 0.0         # leak before the meter, q = c sqrt(head at the hole) [m3/s/m^0.5]
    meter_ratio: float = 1.0                        # metered over true flow [1]

    def __post_init__(self) -> None:
        for name in ("irradiance_ratio", "strings_ratio", "voltage_ratio", "tracking_ratio", "drive_ratio",
                     "pump_head_ratio", "displacement_ratio", "motor_efficiency_ratio",
                     "motor_constant_ratio"):
            if not getattr(self, name) >= 0.0:
                raise ValueError(f"{name} is {getattr(self, name)!r}: a ratio of what a sound link does cannot be "
                                 "negative or unknown; 1 is healthy.")

    def replaced(self, **changes: Any) -> Self:
        """Return a copy with some parameters changed."""
        return dataclasses.replace(self, **changes)

    def changed(self) -> dict[str, float]:
        """Return the parameters that are not at their healthy value, by name."""
        return {field.name: getattr(self, field.name) for field in dataclasses.fields(self)
                if getattr(self, field.name) != field.default}


HEALTHY = Health()
