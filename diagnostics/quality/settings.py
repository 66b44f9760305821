"""Thresholds of the masks: each with its default, the range it may be set in, and the reason for the default."""

from pydantic import BaseModel, ConfigDict, Field


class QualitySettings(BaseModel):
    """
    Settings of the masks. Healthy behaviour sets the bounds: a tank-full site rests at a constant open-circuit
    voltage, a resting well and a full tank stand still for days, a capped drive holds its speed for hours, cloud edges
    lift irradiance well above a clear sky, and sensors round.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    night_elevation_deg: float = Field(default=-6.0, ge=-18, le=-2, description="Sun this far down gives no current. "
                                       "End of civil twilight; leaves 24 min for a clock that is off.")
    day_elevation_deg: float = Field(default=10.0, ge=2, le=40, description="Sun this high always gives measurable "
                                     "diffuse light, under any cloud.")
    night_current_ratio: float = Field(default=0.03, ge=0.005, le=0.3, description="Share of the array's short-circuit "
                                       "current; hall sensors drift by 1 to 2 % of their range.")
    night_irradiance_w_m2: float = Field(default=30.0, ge=10, le=100, description="Thermal offset is below 20 W/m2 "
                                         "in size (Long and Dutton, BSRN limits 2002, use -4 as lower bound).")
    cold_voltage_ratio: float = Field(default=1.3, ge=1.1, le=2, description="Over open-circuit voltage at 25 degC; "
                                      "-0.35 %/K at -40 degC gives 1.23.")
    cloud_edge_current_ratio: float = Field(default=1.7, ge=1.3, le=3, description="Over short-circuit current; cloud "
                                            "edges reach 1.4 times 1000 W/m2, snow and white ground add to it.")
    impossible_flow_ratio: float = Field(default=20.0, ge=3, le=100, description="Over the greatest flow on the pump's "
                                         "sheet. High, so that a wrong unit (1 gal/min read as 1 l/s is 15.9 times) "
                                         "stays visible as evidence.")
    reverse_flow_ratio: float = Field(default=0.01, ge=0, le=0.1, description="Share of the pump's greatest flow below "
                                      "zero that is still the noise of a meter at rest.")
    stuck_irradiance_s: float = Field(default=7200.0, ge=1800, le=86400, description="Exactly the same irradiance by "
                                      "day; even fog changes by more than 1 W/m2 in two hours.")
    stuck_samples: int = Field(default=6, ge=3, le=100, description="Fewer equal values than this say nothing.")
    stuck_fine_s: float = Field(default=3600.0, ge=600, le=86400, description="Exactly the same current or power, "
                                "from a sensor that resolves finely.")
    fine_resolution_ratio: float = Field(default=1e-3, ge=1e-6, le=0.1, description="Usual smallest step over the "
                                         "greatest value, below which a sensor counts as fine.")
    stuck_slow_s: float = Field(default=6 * 3600.0, ge=3600, le=7 * 86400, description="Exactly the same temperature, "
                                "wind or rain rate, for sensors that resolve at least 0.2 of their unit.")
    stuck_coarse_s: float = Field(default=24 * 3600.0, ge=6 * 3600, le=14 * 86400, description="The same for sensors "
                                  "that round to more, and for battery voltage at float charge.")
    stuck_pumping_s: float = Field(default=3 * 3600.0, ge=1800, le=86400, description="Exactly the same well level or "
                                   "pressure while the pump starts or stops: drawdown must move it.")
    interpolated_samples: int = Field(default=6, ge=4, le=100, description="Equal steps in a row; nature has none over "
                                      "many samples unless the sensor's rounding is as coarse as the step.")
    straight_step_ratio: float = Field(default=20.0, ge=2, le=1000, description="Least equal step over the sensor's "
                                       "own rounding: a rounded clear-sky morning rises in equal steps of a few units.")
    spike_air_temperature_k: float = Field(default=8.0, ge=3, le=30, description="There and back within one interval; "
                                           "squall lines reach about 1 K a minute, and do not turn back.")
    spike_module_temperature_k: float = Field(default=45.0, ge=20, le=100, description="There and back; a module cools "
                                              "with a time constant of 5 min or more.")
    spike_tank_level_m: float = Field(default=0.5, ge=0.1, le=5, description="There and back within one interval.")
    spike_water_level_m: float = Field(default=10.0, ge=2, le=100, description="There and back within one interval "
                                       "while no pumping explains it.")
    spike_battery_v_ratio: float = Field(default=0.4, ge=0.15, le=1, description="Of nominal voltage, there and back.")
    closure_ratio_high_sun: float = Field(default=0.08, ge=0.04, le=0.3, description="Global over direct plus diffuse, "
                                          "sun above 15 degrees: Long and Dutton, BSRN 2002, 8 %.")
    closure_ratio_low_sun: float = Field(default=0.15, ge=0.08, le=0.5, description="The same below 15 degrees: 15 %.")
    closure_least_w_m2: float = Field(default=50.0, ge=20, le=200, description="Below this sum the ratio says nothing "
                                      "(Long and Dutton, BSRN 2002).")
    tank_step_m: float = Field(default=0.3, ge=0.1, le=5, description="Metered inflow that a standing tank level must "
                               "have shown before it is called stuck.")
