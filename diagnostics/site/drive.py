"""What stands between the power source and the motor."""

from typing import Literal, Self

from pydantic import Field, model_validator

from diagnostics.site.described import Described

DriveKind = Literal["direct", "current_booster", "voltage_booster", "tracking", "frequency", "battery_bus"]


class Drive(Described):
    """
    Controller or drive with its settings as they were left.

    `direct` has no electronics; `current_booster` steps the array voltage down and holds the array near
    `held_voltage_v`; `voltage_booster` steps it up from `held_voltage_v`, and passes what is higher straight through;
    where no held voltage is given it tracks, stepping up or down;
    `tracking` follows the maximum power point; `frequency` is an AC drive that does so; `battery_bus` takes what the
    pump needs from the battery.
    """

    key: str = Field(default="direct", description="Name by which sites refer to it.")
    kind: DriveKind = Field(description="What it does between source and motor.")
    held_voltage_v: float | None = Field(default=None, gt=0, description="Array voltage a booster holds.")
    max_input_voltage_v: float | None = Field(default=None, gt=0, description="More destroys it.")
    max_output_power_w: float | None = Field(default=None, gt=0, description="Design cap on power to the motor.")
    max_output_voltage_v: float | None = Field(default=None, gt=0, description="Highest motor voltage of a booster.")
    rated_efficiency: float = Field(default=0.94, gt=0.5, le=1, description="At rated load.")
    standby_power_w: float = Field(default=3.0, ge=0, le=200, description="What it takes itself.")
    max_speed_rpm: float | None = Field(default=None, gt=0, le=12000, description="Highest shaft speed it is set to.")
    min_frequency_hz: float | None = Field(default=None, gt=0, description="Lowest output.")
    max_frequency_hz: float | None = Field(default=None, gt=0, description="Highest output.")
    rated_frequency_hz: float = Field(default=50.0, gt=0,
                                      description="Output at which the motor turns at its rated speed.")
    start_power_w: float | None = Field(default=None, ge=0, description="Array power at which the drive dares a start.")
    stop_power_w: float | None = Field(default=None, ge=0, description="Array power at which it gives up.")
    restart_delay_s: float = Field(default=0.0, ge=0, le=7200, description="Wait after a stop for lack of sun.")
    low_water_restart_delay_s: float = Field(default=1200.0, ge=0, le=86400,
                                             description="Wait after the low-water probe stopped it.")
    timer_windows: list[tuple[float, float]] = Field(
        default_factory=list, description="Pairs of local clock hours (from, to) in which a timer lets it run; empty "
        "always lets it. (22, 4) runs over midnight.")
    overvoltage_lockout_v: float | None = Field(
        default=None, gt=0, description="Array voltage above which it does not start, and stops.")
    has_low_water_stop: bool = Field(default=False, description="A low-water probe is connected.")
    has_float_input: bool = Field(default=False, description="A tank float is connected.")
    derating_start_temperature_c: float | None = Field(default=None, description="Air temperature.")
    derating_per_k: float = Field(default=0.02, ge=0, le=0.2,
                                  description="Share of power taken back for each kelvin above.")

    @model_validator(mode="after")
    def _kind_is_complete(self) -> Self:
        if self.kind == "current_booster" and self.held_voltage_v is None:
            raise ValueError("a current_booster needs held_voltage_v, the array voltage it holds "
                             "(often about 0.8 of the array's open-circuit voltage on a warm day).")
        if self.start_power_w is not None and self.stop_power_w is not None and self.stop_power_w > self.start_power_w:
            raise ValueError(f"stop_power_w ({self.stop_power_w:g}) is above start_power_w ({self.start_power_w:g}): "
                             "the drive would chatter. Swap them.")
        for begins, ends in self.timer_windows:
            if not (0 <= begins <= 24 and 0 <= ends <= 24) or begins == ends:
                raise ValueError(f"timer_windows holds ({begins:g}, {ends:g}): write two different clock hours from 0 "
                                 "to 24, for instance (7.5, 17).")
        if (self.overvoltage_lockout_v is not None and self.held_voltage_v is not None
                and self.overvoltage_lockout_v <= self.held_voltage_v):
            raise ValueError(f"overvoltage_lockout_v ({self.overvoltage_lockout_v:g}) is not above held_voltage_v "
                             f"({self.held_voltage_v:g}): it could never run.")
        if (self.min_frequency_hz is not None and self.max_frequency_hz is not None
                and self.min_frequency_hz >= self.max_frequency_hz):
            raise ValueError(f"min_frequency_hz ({self.min_frequency_hz:g}) is not below max_frequency_hz "
                             f"({self.max_frequency_hz:g}). Swap them.")
        if (self.held_voltage_v is not None and self.max_input_voltage_v is not None
                and self.held_voltage_v > self.max_input_voltage_v):
            raise ValueError(f"held_voltage_v ({self.held_voltage_v:g}) is above max_input_voltage_v "
                             f"({self.max_input_voltage_v:g}): check the two on the drive's sheet.")
        return self
