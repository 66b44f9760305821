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

    flow_m3_s: float = Field(ge=0, description="Flow; the first point is usually 0.")
    head_m: float = Field(ge=0, le=1500, description="Head the pump develops.")
    power_w: float | None = Field(default=None, gt=0, description="Shaft power, or input power: see power_is.")


class PowerTablePoint(Described):
    """One printed cell of a flow-against-input-power table."""

    head_m: float = Field(ge=0, le=1500, description="Total dynamic head.")
    input_power_w: float = Field(gt=0, description="Power into the drive or motor, as the table says.")
    flow_m3_s: float = Field(ge=0, description="Flow at both.")


class Motor(Described):
    """Electric motor of the pump."""

    kind: Literal["brushed_dc", "brushless_dc", "induction"] = Field(description="How it turns current into torque.")
    rated_power_w: float = Field(gt=0, le=200e3, description="Electrical input at rated load.")
    rated_efficiency: float = Field(gt=0.2, lt=0.99, description="Shaft power over electrical input at rated load.")
    rated_voltage_v: float = Field(gt=0, le=1000, description="At rated load.")
    rated_speed_rpm: float = Field(gt=0, le=12000, description="At rated load.")
    armature_resistance_ohm: float | None = Field(default=None, ge=0, description="Brushed and brushless motors.")
    torque_constant_n_m_a: float | None = Field(default=None, gt=0, description="Torque of one ampere.")
    friction_torque_n_m: float | None = Field(default=None, ge=0, description="Torque that turns it without a pump.")
    poles: int = Field(default=2, ge=2, le=24, description="Number of poles, not pairs.")


class Ejector(Described):
    """The ejector of a jet pump."""

    nozzle_diameter_m: float = Field(gt=0, le=0.1, description="Inside.")
    throat_diameter_m: float = Field(gt=0, le=0.2, description="Inside.")
    depth_m: float = Field(default=0.0, ge=0, le=100, description="Below ground; 0 for a shallow-well jet.")
    nozzle_loss_k: float = Field(default=0.10, ge=0, description="Loss coefficient of the nozzle.")
    throat_loss_k: float = Field(default=0.20, ge=0, description="Loss coefficient of the throat.")
    diffuser_loss_k: float = Field(default=0.15, ge=0, description="Loss coefficient of the diffuser.")
    suction_loss_k: float = Field(default=0.05, ge=0, description="Loss coefficient of the throat entry.")
    drive_pipe_bore_m: float = Field(default=0.025, gt=0, description="Inside diameter of the pipe down to the nozzle.")

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

    key: str = Field(description="Name by which sites refer to it.")
    family: Family = Field(description="What kind of pump it is.")
    motor: Motor = Field(description="Its motor.")
    stages: int = Field(default=1, ge=1, le=200, description="Impellers or stages in a row.")
    rated_speed_rpm: float = Field(gt=0, le=12000, description="Speed at which curve or displacement hold.")
    curve: list[CurvePoint] = Field(default_factory=list, description="Printed points of head, flow and power.")
    power_is: Literal["shaft", "input"] = Field(default="shaft", description="What the power of the curve is.")
    power_table: list[PowerTablePoint] = Field(default_factory=list,
                                               description="Printed cells of flow against head and input power.")
    displacement_m3_rev: float | None = Field(default=None, gt=0,
                                              description="Volume of one turn, all chambers together.")
    volumetric_efficiency: float | None = Field(default=None, gt=0.3, le=1,
                                                description="At rated speed and rated_head; the rest is slip.")
    rated_head_m: float | None = Field(default=None, gt=0, le=1500,
                                       description="Head at which volumetric_efficiency holds.")
    breakaway_torque_ratio: float = Field(default=1.0, ge=1, le=4, description="Start torque over running torque.")
    chambers: int = Field(default=1, ge=1, le=8, description="Chambers of a diaphragm or plunger pump.")
    max_head_m: float | None = Field(default=None, gt=0, le=1500, description="Highest head allowed.")
    npsh_required_m: float = Field(default=2.0, ge=0, le=15, description="Net positive suction head it needs.")
    relief_pressure_pa: float | None = Field(default=None, gt=0,
                                             description="Gauge pressure at which its relief opens.")
    acceptance_grade: Literal["1B", "1E", "1U", "2B", "2U", "3B"] = Field(
        default="3B", description="Grade of ISO 9906 under which the curve was printed.")
    ejector: Ejector | None = Field(default=None, description="Ejector of a jet pump.")

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
