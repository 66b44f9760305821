"""The pump end and its motor, by what the trade prints."""

import itertools
from typing import Literal, Self

from pydantic import Field, model_validator

from diagnostics.site.described import Described

Family = Literal["diaphragm_submersible", "helical_submersible", "centrifugal_submersible", "surface_circulation",
                 "jet_shallow", "jet_deep", "jet_convertible", "multistage_booster", "plunger_booster"]

POSITIVE_DISPLACEMENT: frozenset[str] = frozenset({"diaphragm_submersible", "helical_submersible", "plunger_booster"})
SURFACE: frozenset[str] = frozenset({"surface_circulation", "jet_shallow", "jet_deep", "jet_convertible",
                                     "multistage_booster", "plunger_booster"})


class CurvePoint(Described):
    """One printed point of a head-flow-power curve at the rated speed."""

    flow_m3_s: float = Field(ge=0)
    head_m: float = Field(ge=0, le=1500)
    power_w: float | None = Field(default=None, gt=0, description="Shaft power, or input power: see power_is.")


class PowerTablePoint(Described):
    """One printed cell of a flow-against-input-power table."""

    head_m: float = Field(ge=0, le=1500)
    input_power_w: float = Field(gt=0)
    flow_m3_s: float = Field(ge=0)


class Motor(Described):
    """Electric motor of the pump."""

    kind: Literal["brushed_dc", "brushless_dc", "induction"]
    rated_power_w: float = Field(gt=0, le=200e3, description="Electrical input at rated load.")
    rated_efficiency: float = Field(gt=0.2, lt=0.99)
    rated_voltage_v: float = Field(gt=0, le=1000)
    rated_speed_rpm: float = Field(gt=0, le=12000)
    armature_resistance_ohm: float | None = Field(default=None, ge=0, description="Brushed and brushless motors.")
    torque_constant_n_m_a: float | None = Field(default=None, gt=0)
    friction_torque_n_m: float | None = Field(default=None, ge=0)
    poles: int = Field(default=2, ge=2, le=24)


class Ejector(Described):
    """The ejector of a jet pump."""

    nozzle_diameter_m: float = Field(gt=0, le=0.1)
    throat_diameter_m: float = Field(gt=0, le=0.2)
    depth_m: float = Field(default=0.0, ge=0, le=100, description="Below ground; 0 for a shallow-well jet.")
    nozzle_loss_k: float = Field(default=0.10, ge=0)
    throat_loss_k: float = Field(default=0.20, ge=0)
    diffuser_loss_k: float = Field(default=0.15, ge=0)
    suction_loss_k: float = Field(default=0.05, ge=0)
    drive_pipe_bore_m: float = Field(default=0.025, gt=0)

    @model_validator(mode="after")
    def _throat_is_wider(self) -> Self:
        if self.throat_diameter_m <= self.nozzle_diameter_m:
            raise ValueError("throat_diameter must be wider than nozzle_diameter; check the two are not swapped.")
        return self


class Pump(Described):
    """
    Pump end by any of what is printed: `curve`, `power_table`, or `displacement_m3_rev` with its slip.

    Exactly one of the three describes it. Power of curve points is shaft power unless `power_is` says input power.
    """

    key: str
    family: Family
    motor: Motor
    stages: int = Field(default=1, ge=1, le=200)
    rated_speed_rpm: float = Field(gt=0, le=12000)
    curve: list[CurvePoint] = Field(default_factory=list)
    power_is: Literal["shaft", "input"] = "shaft"
    power_table: list[PowerTablePoint] = Field(default_factory=list)
    displacement_m3_rev: float | None = Field(default=None, gt=0)
    volumetric_efficiency: float | None = Field(default=None, gt=0.3, le=1,
                                                description="At rated speed and rated_head; the rest is slip.")
    rated_head_m: float | None = Field(default=None, gt=0, le=1500)
    breakaway_torque_ratio: float = Field(default=1.0, ge=1, le=4, description="Start torque over running torque.")
    chambers: int = Field(default=1, ge=1, le=8)
    max_head_m: float | None = Field(default=None, gt=0, le=1500)
    npsh_required_m: float = Field(default=2.0, ge=0, le=15)
    relief_pressure_pa: float | None = Field(default=None, gt=0)
    acceptance_grade: Literal["1B", "1E", "1U", "2B", "2U", "3B"] = "3B"
    ejector: Ejector | None = None

    @model_validator(mode="after")
    def _one_description(self) -> Self:
        given = [bool(self.curve), bool(self.power_table), self.displacement_m3_rev is not None]
        if sum(given) != 1:
            raise ValueError("describe the pump by exactly one of curve, power_table or displacement_m3_rev; "
                             f"{sum(given)} were given.")
        if self.curve:
            _check_curve(self.curve)
        for cell in self.power_table:
            _check_power("power_table", cell.flow_m3_s, cell.head_m, cell.input_power_w)
        if self.family.startswith("jet") and self.ejector is None and self.family != "jet_convertible":
            raise ValueError(f"a {self.family} pump needs an ejector table.")
        if self.displacement_m3_rev is not None and (self.volumetric_efficiency is None or self.rated_head_m is None):
            raise ValueError("displacement_m3_rev needs volumetric_efficiency and rated_head_m beside it, "
                             "or slip cannot be told.")
        return self

    @model_validator(mode="after")
    def _family_fits_description(self) -> Self:
        if self.key == "absent":
            return self
        if self.displacement_m3_rev is not None and self.family not in POSITIVE_DISPLACEMENT:
            raise ValueError(f"displacement_m3_rev describes a pump that gives the same volume every turn; a "
                             f"{self.family} is described by curve or power_table.")
        if self.displacement_m3_rev is not None and self.rated_head_m is not None:
            _check_power("displacement_m3_rev at rated_speed and rated_head",
                         self.displacement_m3_rev * self.rated_speed_rpm / 60, self.rated_head_m,
                         self.motor.rated_power_w)
        if self.max_head_m is not None and self.rated_head_m is not None and self.max_head_m < self.rated_head_m:
            raise ValueError(f"max_head ({self.max_head_m:g} m) is below rated_head ({self.rated_head_m:g} m); check "
                             "whether one of them was written in feet.")
        return self


def _check_curve(curve: list[CurvePoint]) -> None:
    """Refuse a head-flow-power curve that no pump can have."""
    flows = [point.flow_m3_s for point in curve]
    if len(curve) < 3 or curve[0].head_m <= curve[-1].head_m:
        raise ValueError("curve needs at least three points in the order of rising flow, head falling.")
    for number, (one, following) in enumerate(itertools.pairwise(flows), start=2):
        if following <= one:
            raise ValueError(f"curve point {number} has a flow of {following * 1000:g} L/s after {one * 1000:g} L/s; "
                             "write the points in the order of rising flow.")
    given = [point.power_w is not None for point in curve]
    if any(given) and not all(given):
        raise ValueError(f"curve point {given.index(False) + 1} has no power but others have; give power for every "
                         "point or for none.")
    for number, point in enumerate(curve, start=1):
        if point.power_w is not None:
            _check_power(f"curve point {number}", point.flow_m3_s, point.head_m, point.power_w)


def _check_power(what: str, flow_m3_s: float, head_m: float, power_w: float) -> None:
    """Refuse more power in the water than went in; P = rho g Q H."""
    water_w = 998.2 * 9.80665 * flow_m3_s * head_m
    if water_w >= power_w:
        raise ValueError(f"{what}: lifting {flow_m3_s * 1000:.3g} L/s by {head_m:.4g} m takes {water_w:.0f} W, but "
                         f"{power_w:.0f} W are said to go in. Check the units of flow, head and power.")
