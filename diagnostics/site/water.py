"""The water path: well, pipes, tank, and what the water is for."""

import itertools
from typing import Literal, Self

from pydantic import Field, model_validator

from diagnostics.site.described import Described


class Well(Described):
    """
    Where the water comes from. Depths are below ground, positive downwards.

    An open source (pond, cistern, river) is `kind = "open"`: its level does not draw down.
    """

    kind: Literal["borehole", "dug", "open"] = Field(default="borehole", description="Open water does not draw down.")
    static_water_level_m: float = Field(ge=-20, le=500, description="Pump at rest; negative stands above ground.")
    static_level_season_m: float = Field(default=0.0, ge=0, le=50, description="Half the yearly swing.")
    deepest_day_of_year: int = Field(default=270, ge=1, le=366,
                                     description="Day of the year with the deepest static level; 270 is 27 September.")
    level_uncertainty_m: float | None = Field(default=None, ge=0, le=50, description="Standard uncertainty; None takes "
                                              "1 m for a dipped level on a well and 0.1 m on open water.")
    drawdown_linear_s_m2: float = Field(default=0.0, ge=0, description="B of s = B Q + C Q^2.")
    drawdown_quadratic_s2_m5: float = Field(default=0.0, ge=0, description="C of s = B Q + C Q^2.")
    recovery_time_s: float = Field(default=1800.0, gt=0, le=864000, description="Time constant of drawdown.")
    pump_setting_depth_m: float | None = Field(default=None, gt=-5, le=500, description="Intake below ground.")
    low_water_probe_depth_m: float | None = Field(default=None, gt=0, le=500,
                                                  description="Depth of the probe that stops the pump, below ground.")
    level_logger_depth_m: float | None = Field(
        default=None, gt=0, le=500, description="Depth below ground at which an unvented pressure logger hangs; with "
        "channels submerged_pressure_pa and air_pressure_pa the level follows from it.")
    well_depth_m: float | None = Field(default=None, gt=0, le=800, description="Bottom, below ground.")
    water_temperature_c: float = Field(default=20.0, gt=0, lt=60, description="Of the water at the pump.")

    @model_validator(mode="after")
    def _intake_is_under_water(self) -> Self:
        depth, level = self.pump_setting_depth_m, self.static_water_level_m
        if self.kind != "open" and depth is not None and depth <= level:
            raise ValueError(f"pump_setting_depth ({depth:g} m) must be deeper than static_water_level ({level:g} m): "
                             "the intake would stand dry. Check whether one of them was written in feet.")
        if depth is not None and self.low_water_probe_depth_m is not None and self.low_water_probe_depth_m > depth:
            raise ValueError(f"low_water_probe_depth ({self.low_water_probe_depth_m:g} m) is below the intake "
                             f"({depth:g} m): it cannot protect the pump.")
        if depth is not None and self.well_depth_m is not None and depth > self.well_depth_m:
            raise ValueError(f"pump_setting_depth ({depth:g} m) is below the bottom of the well "
                             f"({self.well_depth_m:g} m).")
        if self.well_depth_m is not None and self.kind != "open" and self.well_depth_m <= level:
            raise ValueError(f"well_depth ({self.well_depth_m:g} m) is not below static_water_level ({level:g} m): the "
                             "well would be dry. Check whether one of them was written in feet.")
        probe = self.low_water_probe_depth_m
        if probe is not None and self.kind != "open" and probe <= level:
            raise ValueError(f"low_water_probe_depth ({probe:g} m) is above static_water_level ({level:g} m): the pump "
                             "could never start. Check whether one of them was written in feet.")
        return self


class PipeRun(Described):
    """One run of pipe of one bore."""

    length_m: float = Field(ge=0, le=30000, description="Along the pipe.")
    bore_m: float = Field(gt=0.004, le=1.0, description="Inside diameter.")
    roughness_m: float = Field(default=7e-6, ge=0, le=0.01, description="Absolute roughness; 7e-6 m for plastic.")
    hazen_williams_c: float | None = Field(default=None, ge=40, le=160, description="If given, used instead.")
    minor_loss_k: float = Field(default=0.0, ge=0, description="Sum of fitting coefficients, on this bore.")


class Pipework(Described):
    """Everything the water flows through between intake and outlet."""

    runs: list[PipeRun] = Field(min_length=1, description="Riser first, then the delivery line.")
    suction: PipeRun | None = Field(default=None, description="Suction pipe of a surface pump.")
    outlet_height_m: float = Field(ge=-500, le=1500, description="Height of the free outlet above ground at the well.")
    pump_height_m: float = Field(default=0.0, ge=-20, le=20, description="Surface pump's axis above ground.")
    outlet_pressure_pa: float = Field(default=0.0, ge=0, description="Held at the outlet: pressure tank, sprinklers.")
    strainer_loss_k: float = Field(default=0.0, ge=0, description="Clean strainer or basket, on the first bore.")
    check_valve_depths_m: list[float] = Field(default_factory=list, description="Below ground.")
    weep_hole_depth_m: float | None = Field(default=None, ge=0,
                                            description="Hole that drains the riser against frost, below ground.")


class Tank(Described):
    """Storage. `full_level_m` is where the float says full and the pump stops; the overflow lies above it."""

    shape: Literal["vertical_cylinder", "box", "horizontal_cylinder", "cone", "table"] = Field(
        description="Which lengths describe it.")
    diameter_m: float | None = Field(default=None, gt=0, le=100, description="Inside; of a cone the lower one.")
    top_diameter_m: float | None = Field(default=None, gt=0, le=100, description="Of a cone frustum, wide end up.")
    length_m: float | None = Field(default=None, gt=0, le=200, description="Inside.")
    width_m: float | None = Field(default=None, gt=0, le=200, description="Inside.")
    height_m: float = Field(gt=0, le=30, description="Inside, floor to rim.")
    level_table_m: list[float] = Field(default_factory=list, description="Levels of a table tank, rising.")
    volume_table_m3: list[float] = Field(default_factory=list, description="Volume at each of these levels.")
    outlet_level_m: float = Field(default=0.1, ge=0, description="Below this the water cannot be drawn.")
    full_level_m: float = Field(gt=0, description="Where the float says full.")
    float_reset_level_m: float | None = Field(default=None, gt=0, description="Float calls for water again below it.")
    overflow_level_m: float | None = Field(default=None, gt=0, description="Where water runs over.")
    evaporation_area_m2: float = Field(default=0.0, ge=0, description="Open water surface, none for a covered tank.")

    @model_validator(mode="after")
    def _shape_is_complete(self) -> Self:
        needed = {"vertical_cylinder": ("diameter_m",), "box": ("length_m", "width_m"),
                  "horizontal_cylinder": ("diameter_m", "length_m"), "cone": ("diameter_m", "top_diameter_m"),
                  "table": ()}[self.shape]
        missing = [name for name in needed if getattr(self, name) is None]
        if missing:
            raise ValueError(f"a {self.shape} tank needs {' and '.join(missing)}.")
        if self.shape == "table" and (len(self.level_table_m) < 2
                                      or len(self.level_table_m) != len(self.volume_table_m3)):
            raise ValueError("a table tank needs level_table and volume_table of the same length, two or more.")
        if self.full_level_m > self.height_m:
            raise ValueError(f"full_level ({self.full_level_m:g} m) is above the tank's height ({self.height_m:g} m).")
        if self.float_reset_level_m is not None and self.float_reset_level_m >= self.full_level_m:
            raise ValueError("float_reset_level must be below full_level, or the float would chatter.")
        if self.outlet_level_m >= self.full_level_m:
            raise ValueError(f"outlet_level ({self.outlet_level_m:g} m) is not below full_level "
                             f"({self.full_level_m:g} m): no water could be drawn.")
        if self.overflow_level_m is not None and not self.full_level_m <= self.overflow_level_m <= self.height_m:
            raise ValueError(f"overflow_level ({self.overflow_level_m:g} m) must lie between full_level "
                             f"({self.full_level_m:g} m) and the tank's height ({self.height_m:g} m).")
        for name in ("level_table_m", "volume_table_m3"):
            table = getattr(self, name)
            if any(after <= before for before, after in itertools.pairwise(table)):
                raise ValueError(f"{name} must rise from entry to entry; write it from the floor upwards.")
        return self


class Demand(Described):
    """Who depends on the water, and for how much of it."""

    people: int = Field(default=0, ge=0, description="People who drink from it.")
    large_animals: int = Field(default=0, ge=0, description="Cattle, camels, horses, donkeys.")
    small_animals: int = Field(default=0, ge=0, description="Goats, sheep.")
    irrigated_area_m2: float = Field(default=0.0, ge=0, description="Ground watered from it.")
    daily_need_m3: float | None = Field(default=None, ge=0, description="If known; otherwise from heads counted.")
