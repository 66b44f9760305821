"""Where the power comes from: modules, array, battery, wind."""

import itertools
from typing import Any, Literal, Self

from pydantic import Field, field_validator, model_validator

from diagnostics.site.described import Described


class Module(Described):
    """A photovoltaic module as its label and sheet print it, at 1000 W/m2 and 25 degC."""

    key: str = Field(description="Name by which sites refer to it.")
    technology: Literal["mono", "poly", "cdte", "cis", "amorphous"] = Field(default="mono", description="Kind of cell.")
    power_w: float = Field(gt=0, le=1000, description="Nominal power.")
    vmp_v: float = Field(gt=0, le=200, description="Voltage at maximum power.")
    imp_a: float = Field(gt=0, le=30, description="Current at maximum power.")
    voc_v: float = Field(gt=0, le=250, description="Open-circuit voltage.")
    isc_a: float = Field(gt=0, le=35, description="Short-circuit current.")
    cells_in_series: int = Field(
        gt=0, le=300,
        description="Cells of the longest row: 60 or 72 on most full-cell modules; half-cut modules print twice that.")
    temperature_coefficient_voc_per_k: float = Field(lt=0, gt=-0.01, description="Relative, negative.")
    temperature_coefficient_isc_per_k: float = Field(ge=-0.001, lt=0.003, description="Relative.")
    temperature_coefficient_power_per_k: float = Field(lt=0, gt=-0.01, description="Relative, negative.")
    power_tolerance_low_pct: float = Field(default=-3.0, le=0, ge=-15,
                                           description="Least power over nominal, as printed.")
    power_tolerance_high_pct: float = Field(default=3.0, ge=0, le=15,
                                            description="Most power over nominal, as printed.")
    bypass_diodes: int = Field(default=3, ge=0, le=12, description="Diodes in the junction box, one a substring.")

    @model_validator(mode="after")
    def _label_is_consistent(self) -> Self:
        if self.vmp_v >= self.voc_v:
            raise ValueError(f"vmp_v ({self.vmp_v:g}) must be below voc_v ({self.voc_v:g}): check whether the two "
                             "were swapped on the way from the label.")
        if self.imp_a >= self.isc_a:
            raise ValueError(f"imp_a ({self.imp_a:g}) must be below isc_a ({self.isc_a:g}): check whether the two "
                             "were swapped on the way from the label.")
        product = self.vmp_v * self.imp_a
        if abs(product / self.power_w - 1) > 0.05:
            raise ValueError(f"vmp_v x imp_a is {product:.0f} W but power_w says {self.power_w:g} W: one of the "
                             "three is not from the same label.")
        return self


# A string of modules drawn evenly from a tolerance loses its square times this: 0.23 % for 3 % either way, 0.66 % for
# 5 %, 2.5 % for 10 %, reckoned by adding up curves. Flash tests of sorted modules give less still (ISRN Renewable
# Energy 2013, 327835), PVWatts version 5 takes 2 % off any array. Uneven warmth and wear are a judgement.
_MISMATCH_PER_TOLERANCE_SQUARED = 2.6
_UNEVEN_WARMTH_PCT = 0.3


def usual_mismatch_pct(module: Module | None) -> float:
    """Return the loss from modules that differ as far as their label lets them, 3 % either way where unknown. [pct]"""
    half = 0.03 if module is None else (module.power_tolerance_high_pct - module.power_tolerance_low_pct) / 200.0
    return round(_UNEVEN_WARMTH_PCT + 100.0 * _MISMATCH_PER_TOLERANCE_SQUARED * half**2, 2)


class Array(Described):
    """Modules on their mount. Azimuth is clockwise from north (180 faces south); tilt is from horizontal."""

    module: Module = Field(description="Key of a module in equipment/, or its description.")
    modules_in_series: int = Field(gt=0, le=60, description="Modules of one string.")
    strings_in_parallel: int = Field(default=1, gt=0, le=100, description="Strings side by side.")
    mount: Literal["fixed", "seasonal_tilt", "single_axis_tracker"] = Field(default="fixed",
                                                                            description="How it stands.")
    tilt_deg: float = Field(ge=0, le=90, description="From horizontal; for a tracker the tilt of its axis.")
    azimuth_deg: float = Field(ge=0, lt=360, description="Clockwise from north: 90 east, 180 south, 270 west.")
    seasonal_tilts_deg: dict[int, float] = Field(
        default_factory=dict, description="Month in which a tilt is set -> tilt; used by mount seasonal_tilt.")
    tracker_max_angle_deg: float = Field(default=55.0, gt=0, le=90, description="Farthest turn from level.")
    tracker_backtracks: bool = Field(default=False,
                                     description="It turns back early and late so that rows do not shade each other.")
    tracker_ground_cover_ratio: float = Field(default=0.35, gt=0, lt=1,
                                              description="Width of a row over the distance of rows.")
    cable_length_m: float = Field(default=10.0, ge=0, le=3000, description="One way, array to drive.")
    cable_cross_section_mm2: float = Field(default=6.0, gt=0, le=400, description="Copper of one conductor.")
    mismatch_loss_pct: float = Field(
        default_factory=lambda given: usual_mismatch_pct(given.get("module")), ge=0, le=15,
        description="Loss from modules that differ; left out, it follows from the tolerance on their label: 0.5 for "
        "3 % either way, 1 for 5 %, 3 for 10 %.")
    ageing_pct_per_year: float = Field(default=0.7, ge=0, le=3, description="Power lost by age in a year.")
    heat_loss_constant_w_m2_k: float = Field(default=25.0, gt=5, lt=60, description="Faiman u0.")
    heat_loss_wind_w_s_m3_k: float = Field(default=6.84, ge=0, lt=20, description="Faiman u1.")
    ground_albedo: float = Field(default=0.22, ge=0, le=0.95, description="Share of light the ground throws back.")

    @field_validator("azimuth_deg", mode="before")
    @classmethod
    def _azimuth_from_north(cls, azimuth: Any) -> Any:
        if isinstance(azimuth, (int, float)) and -180 <= azimuth < 0:
            raise ValueError(f"azimuth_deg ({azimuth:g}) is negative: azimuth is counted clockwise from north. Where "
                             f"the sheet counts from south, west positive, write {180 + azimuth:g}; where it counts "
                             f"from north, write {360 + azimuth:g}.")
        return azimuth

    @field_validator("seasonal_tilts_deg")
    @classmethod
    def _months_and_tilts(cls, tilts: dict[int, float]) -> dict[int, float]:
        for month, tilt in tilts.items():
            if not 1 <= month <= 12:
                raise ValueError(f"{month} is no month; write the number of a month, 1 to 12, = tilt.")
            if not 0 <= tilt <= 90:
                raise ValueError(f"the tilt of month {month} ({tilt:g}) is not between 0 and 90 degrees; count it "
                                 "from horizontal.")
        return tilts

    @model_validator(mode="after")
    def _mount_is_complete(self) -> Self:
        if self.mount == "seasonal_tilt" and not self.seasonal_tilts_deg:
            raise ValueError("mount is seasonal_tilt but seasonal_tilts_deg is empty: give month = tilt, "
                             "for instance {4 = 5, 10 = 30}.")
        return self

    @property
    def nominal_power_w(self) -> float:
        """Nominal power of the whole array. [W]"""
        return self.module.power_w * self.modules_in_series * self.strings_in_parallel


class Battery(Described):
    """The battery bus that feeds the drive."""

    nominal_voltage_v: float = Field(gt=0, le=800, description="Of the whole bus.")
    capacity_ah: float = Field(gt=0, le=10000, description="At the ten-hour rate.")
    chemistry: Literal["lead_acid", "lithium_iron_phosphate"] = Field(default="lead_acid", description="Kind of cell.")
    low_voltage_disconnect_v: float = Field(gt=0, description="Loads are cut below it.")
    reconnect_voltage_v: float = Field(gt=0, description="... and come back above it.")
    absorption_voltage_v: float = Field(gt=0, description="The charger holds it when full.")
    charge_efficiency: float = Field(default=0.85, gt=0.4, le=1, description="Charge out over charge in.")

    @model_validator(mode="after")
    def _voltages_are_ordered(self) -> Self:
        if not self.low_voltage_disconnect_v < self.reconnect_voltage_v < self.absorption_voltage_v:
            raise ValueError("low_voltage_disconnect_v < reconnect_voltage_v < absorption_voltage_v must hold; found "
                             f"{self.low_voltage_disconnect_v:g}, {self.reconnect_voltage_v:g}, "
                             f"{self.absorption_voltage_v:g}.")
        if not 0.9 <= self.absorption_voltage_v / self.nominal_voltage_v <= 1.5:
            raise ValueError(f"absorption_voltage_v ({self.absorption_voltage_v:g}) does not belong to a battery of "
                             f"nominal_voltage_v {self.nominal_voltage_v:g}: check whether it was read for one block.")
        return self


class WindTurbine(Described):
    """A wind turbine with rectifier; the curve is at standard air density 1.225 kg/m3."""

    hub_height_m: float = Field(gt=0, le=60, description="Above ground.")
    power_curve: list[tuple[float, float]] = Field(min_length=3, description="Pairs (wind speed m/s, power W).")
    rectifier_efficiency: float = Field(default=0.9, gt=0.5, le=1, description="DC out over AC in.")
    anemometer_height_m: float | None = Field(default=None, gt=0, le=60,
                                              description="Above ground; left out where it sits at the hub.")

    @field_validator("power_curve")
    @classmethod
    def _curve_rises_in_wind(cls, curve: list[tuple[float, float]]) -> list[tuple[float, float]]:
        speeds = [speed for speed, _ in curve]
        if any(after <= before for before, after in itertools.pairwise(speeds)):
            raise ValueError("power_curve needs its pairs in the order of rising wind speed.")
        if any(speed < 0 or power < 0 for speed, power in curve):
            raise ValueError("power_curve holds a negative wind speed or power; check the signs.")
        return curve
