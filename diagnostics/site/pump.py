"""The pump end and its motor, by what the trade prints."""

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
        if self.curve and (len(self.curve) < 3 or self.curve[0].head_m <= self.curve[-1].head_m):
            raise ValueError("curve needs at least three points in the order of rising flow, head falling.")
        if self.family.startswith("jet") and self.ejector is None and self.family != "jet_convertible":
            raise ValueError(f"a {self.family} pump needs an ejector table.")
        if self.displacement_m3_rev is not None and (self.volumetric_efficiency is None or self.rated_head_m is None):
            raise ValueError("displacement_m3_rev needs volumetric_efficiency and rated_head_m beside it, "
                             "or slip cannot be told.")
        return self
