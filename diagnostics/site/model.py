"""One site: everything an installer knows, checked as a whole."""

from collections.abc import Mapping
from datetime import date
from typing import Any, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import Field, field_validator, model_validator

from diagnostics.quantities import CHANNELS
from diagnostics.site.described import Described
from diagnostics.site.drive import Drive
from diagnostics.site.pump import SURFACE, Pump
from diagnostics.site.source import Array, Battery, WindTurbine
from diagnostics.site.water import Demand, Pipework, Tank, Well


class Sensor(Described):
    """How far one channel can be trusted, and where it sits."""

    uncertainty_pct: float | None = Field(default=None, ge=0, le=100, description="Standard uncertainty of reading.")
    position: Literal["array_end", "drive_end", "wellhead", "tank_inlet", ""] = Field(
        default="", description="Where it sits in the system.")
    kind: Literal["", "thermopile", "silicon_cell", "photodiode"] = Field(
        default="", description="Of a sensor of light: pyranometer with thermopile, reference cell behind glass, or "
        "photodiode under a diffuser; empty where not known.")
    note: str = Field(default="", description="Remark.")


class FlowMeter(Described):
    """The meter behind flow_m3_s."""

    kind: Literal["rate", "pulse", "totaliser"] = Field(default="rate", description="How it tells the water.")
    pulse_volume_m3: float | None = Field(default=None, gt=0, description="Water of one pulse.")
    totaliser_modulus_m3: float | None = Field(default=None, gt=0, description="Total at which it rolls over to 0.")
    position: Literal["wellhead", "tank_inlet"] = Field(default="wellhead",
                                                        description="Before or after the delivery line.")
    uncertainty_pct: float = Field(default=2.5, gt=0, le=30, description="Standard uncertainty of reading.")
    floor_m3_s: float = Field(default=0.0, ge=0, description="What it shows at standstill.")


class LogSource(Described):
    """One logger of the site: which profile reads it and which files are its."""

    profile: str = Field(description="Key of a logger profile in loggers/.")
    files: str = Field(description="Glob below the fleet folder's logs/, for instance 'well-7/*.csv'.")
    logger_id: str | None = Field(default=None, description="Value of the site column, where one file serves several.")
    columns: dict[str, str] = Field(default_factory=dict, description="File column -> channel, beside the profile's.")


class WeatherFile(Described):
    """A file of imported light, used where neither the site's own sensor nor a near site's is known."""

    file: str = Field(min_length=1, description="Path below the fleet folder's weather/, for instance 'day.dat.gz'.")
    reader: Literal["bsrn", "crn", "epw", "midc", "nsrdb_psm4", "pvgis_hourly", "solrad", "srml", "surfrad",
                    "tmy3"] = Field(description="Public format of the file.")
    column: str = Field(default="", description="Column of global horizontal irradiance in W/m2, where the format "
                        "leaves that open.")


class Guarantee(Described):
    """What was promised, translated to physics before anything is compared."""

    reference: str = Field(default="", description="Contract or offer it stands in.")
    daily_volume_m3: float | None = Field(default=None, gt=0, description="Water promised for one day.")
    total_dynamic_head_m: float | None = Field(default=None, gt=0, description="Head at which it was promised.")
    daily_irradiation_kwh_m2: float | None = Field(default=None, gt=0,
                                                   description="Irradiation of the day it was promised for.")
    irradiation_plane: Literal["array", "horizontal"] = Field(default="array",
                                                              description="Plane in which that irradiation is counted.")
    starts_on: date | None = Field(default=None, description="First day.")
    ends_on: date | None = Field(default=None, description="Day after the last.")
    head_is: Literal["total_dynamic", "static"] = Field(
        default="total_dynamic", description="Whether the promised head includes drawdown and friction.")
    air_temperature_c: float | None = Field(
        default=None, gt=-40, lt=60, description="Of the promised day; left out takes what is usual there.")
    volume_tolerance_pct: float = Field(
        default=0.0, ge=0, le=50, description="Shortfall the promise itself allows.")
    soiling_allowance_pct: float = Field(
        default=0.0, ge=0, le=30, description="Loss of light by ordinary dirt the promise allows.")
    ageing_allowance_pct_per_year: float | None = Field(
        default=None, ge=0, le=3, description="Loss of array power by age the promise allows; left out takes the "
        "array's own.")
    decision_rule: Literal["guarded", "shared"] = Field(
        default="guarded", description="guarded: a verdict either way needs proof, between is undecided; shared: the "
        "measured value decides and both sides bear the risk.")
    highest_risk_pct: float = Field(
        default=5.0, gt=0, lt=50, description="Greatest probability of a wrong guarded verdict, either way.")

    @model_validator(mode="after")
    def _dates_are_ordered(self) -> Self:
        if self.starts_on is not None and self.ends_on is not None and self.ends_on <= self.starts_on:
            raise ValueError(f"ends_on ({self.ends_on}) is not after starts_on ({self.starts_on}). Swap them.")
        return self


class Owner(Described):
    """Who gets the monthly letter, in which words."""

    name: str = Field(default="", description="Name of the person or committee.")
    role: Literal["rancher", "village_committee", "farmer", "owner"] = Field(
        default="owner", description="Decides the wording of the letter.")
    email: str = Field(default="", description="Address of the monthly letter; empty sends none.")
    language: str = Field(default="en", pattern=r"^[a-z]{2}(-[A-Z]{2})?$", description="Code, for instance en, fr, sw.")
    volume_unit: Literal["l", "m3", "gal_us", "gal_imp"] = Field(default="m3",
                                                                 description="Unit of water in the letter.")
    greeting_name: str = Field(default="", description="Name in the greeting; empty takes name.")


# What stands in the record where a part is absent, so that every site has the same shape. Nothing is computed from it:
# the chain refuses a site that lacks a part it needs. Sizes are so large that no reading lies beyond them.
_ABSENT: dict[str, dict[str, Any]] = {
    "drive": {"key": "absent", "kind": "direct"},
    "pump": {"key": "absent", "family": "surface_circulation", "rated_speed_rpm": 3000.0,
             "motor": {"kind": "brushed_dc", "rated_power_w": 1.0, "rated_efficiency": 0.5, "rated_voltage_v": 1.0,
                       "rated_speed_rpm": 1.0},
             "displacement_m3_rev": 1.0, "volumetric_efficiency": 0.5, "rated_head_m": 1.0},
    "well": {"kind": "open", "static_water_level_m": 0.0},
    "pipework": {"runs": [{"length_m": 0.0, "bore_m": 0.05}], "outlet_height_m": 0.0},
}


def _holds(given: Any, stand_in: Any) -> bool:
    if isinstance(given, Described):
        given = given.model_dump()
    if isinstance(stand_in, Mapping):
        return isinstance(given, Mapping) and all(_holds(given.get(key), value) for key, value in stand_in.items())
    if isinstance(stand_in, list):
        return len(given) == len(stand_in) and all(map(_holds, given, stand_in))
    return bool(given == stand_in)


class Site(Described):
    """
    One pump system: power source, drive, pump, well, pipes, tank, sensors, and who depends on it.

    A station that measures but does not pump (an array, a main, an observation well, a weather station) names what it
    lacks in `parts_absent`; it is judged on the parts it has.
    """

    id: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$",
                    description="Short name of the site; the file is named after it.")
    name: str = Field(description="Name for people.")
    latitude_deg: float = Field(ge=-90, le=90, description="North is positive, south negative.")
    longitude_deg: float = Field(ge=-180, le=180, description="East is positive, west negative.")
    altitude_m: float = Field(ge=-450, le=6000, description="Above the sea.")
    timezone: str = Field(description="IANA name, for instance 'Africa/Nairobi'; fleet.toml may give it for all sites.")
    installed_on: date = Field(description="Day the system began to work.")
    installer: str = Field(default="", description="Who built it; rates of findings are counted by it.")
    aquifer: str = Field(default="", description="Sites with the same word here share groundwater.")
    region: str = Field(default="", description="Sites with the same word here share weather.")
    array: Array | None = Field(default=None, description="Modules on their mount.")
    battery: Battery | None = Field(default=None, description="Battery bus that feeds the drive.")
    wind: WindTurbine | None = Field(default=None, description="Wind turbine that feeds the drive or battery.")
    drive: Drive = Field(description="Controller or drive.")
    pump: Pump = Field(description="Pump end and motor.")
    well: Well = Field(description="Where the water comes from.")
    pipework: Pipework = Field(description="Pipes from intake to outlet.")
    tank: Tank | None = Field(default=None, description="Storage.")
    flow_meter: FlowMeter = Field(default=FlowMeter(), description="The meter of delivered water.")
    sensors: dict[str, Sensor] = Field(default_factory=dict, description="Channel -> how far it can be trusted.")
    demand: Demand = Field(default=Demand(), description="Who depends on the water.")
    guarantee: Guarantee | None = Field(default=None, description="What was promised.")
    owner: Owner = Field(default=Owner(), description="Who gets the monthly letter.")
    logs: list[LogSource] = Field(default_factory=list, description="Loggers of the site.")
    weather: list[WeatherFile] = Field(
        default_factory=list, description="Imported light; left out takes that of fleet.toml.")
    note: str = Field(default="", description="Remark; nothing is computed from it.")
    parts_absent: list[Literal["array", "drive", "pump", "well", "pipework"]] = Field(
        default_factory=list, description="Parts this site does not have; nothing is judged that needs them.")

    @model_validator(mode="before")
    @classmethod
    def _absent_parts_are_not_described(cls, written: Any) -> Any:
        if not isinstance(written, Mapping) or not isinstance(written.get("parts_absent"), (list, tuple)):
            return written
        filled = dict(written)
        for part in written["parts_absent"]:
            if not isinstance(part, str):
                continue
            stand_in = _ABSENT.get(part)
            if filled.get(part) is not None and not _holds(filled[part], stand_in):
                raise ValueError(f"parts_absent names '{part}' but a {part} table is there too; keep one of them.")
            if stand_in is not None:
                filled[part] = stand_in
        return filled

    @field_validator("timezone")
    @classmethod
    def _zone_exists(cls, zone: str) -> str:
        try:
            ZoneInfo(zone)
        except (ZoneInfoNotFoundError, ValueError) as error:
            raise ValueError(f"'{zone}' is not an IANA time zone; write one like 'Africa/Nairobi'.") from error
        return zone

    @field_validator("sensors")
    @classmethod
    def _sensors_are_channels(cls, sensors: dict[str, Sensor]) -> dict[str, Sensor]:
        unknown = [name for name in sensors if name not in CHANNELS]
        if unknown:
            raise ValueError(f"unknown channel(s) {', '.join(unknown)}; known: {', '.join(CHANNELS)}.")
        return sensors

    @model_validator(mode="after")
    def _parts_fit(self) -> Self:
        if self.array is None and self.battery is None and self.wind is None and "array" not in self.parts_absent:
            raise ValueError("no power source: give an array, a battery or a wind table.")
        if self.drive.kind == "battery_bus" and self.battery is None:
            raise ValueError("drive kind is battery_bus but there is no battery table.")
        if self.drive.kind == "current_booster" and self.array is not None and self.drive.held_voltage_v is not None:
            open_circuit = self.array.module.voc_v * self.array.modules_in_series
            if self.drive.held_voltage_v >= open_circuit:
                raise ValueError(f"held_voltage ({self.drive.held_voltage_v:g} V) is not below the array's "
                                 f"open-circuit voltage ({open_circuit:g} V): the array could give nothing.")
        if self.pump.family not in SURFACE and self.well.pump_setting_depth_m is None:
            raise ValueError(f"a {self.pump.family} needs well.pump_setting_depth: it hangs in the water.")
        self._motor_fits()
        depth, weep = self.well.pump_setting_depth_m, self.pipework.weep_hole_depth_m
        if depth is not None and weep is not None and weep > depth:
            raise ValueError(f"pipework.weep_hole_depth ({weep:g} m) is below the pump ({depth:g} m): a weep hole sits "
                             "in the riser above it.")
        return self

    def _motor_fits(self) -> None:
        if self.lacks("pump", "drive"):
            return
        motor, drive = self.pump.motor.kind, self.drive.kind
        if drive == "frequency" and motor == "brushed_dc":
            raise ValueError("drive kind is frequency but the motor is brushed_dc: an AC drive cannot feed it. Check "
                             "the two nameplates.")
        if drive in ("direct", "current_booster") and motor == "induction":
            raise ValueError(f"drive kind is {drive} but the motor is an induction motor, which needs an AC drive. "
                             "Write drive kind frequency, or check the motor's nameplate.")

    def lacks(self, *parts: str) -> list[str]:
        """Return which of the named parts ("array", "drive", "pump", "well", "pipework") this site does not have."""
        return [part for part in parts if part in self.parts_absent]
