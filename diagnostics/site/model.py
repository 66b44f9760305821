"""One site: everything an installer knows, checked as a whole."""

from datetime import date
from typing import Literal, Self
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
    position: Literal["array_end", "drive_end", "wellhead", "tank_inlet", ""] = ""
    note: str = ""


class FlowMeter(Described):
    """The meter behind flow_m3_s."""

    kind: Literal["rate", "pulse", "totaliser"] = "rate"
    pulse_volume_m3: float | None = Field(default=None, gt=0)
    totaliser_modulus_m3: float | None = Field(default=None, gt=0, description="Total at which it rolls over to 0.")
    position: Literal["wellhead", "tank_inlet"] = "wellhead"
    uncertainty_pct: float = Field(default=2.5, gt=0, le=30, description="Standard uncertainty of reading.")
    floor_m3_s: float = Field(default=0.0, ge=0, description="What it shows at standstill.")


class LogSource(Described):
    """One logger of the site: which profile reads it and which files are its."""

    profile: str
    files: str = Field(description="Glob below the fleet folder's logs/, for instance 'well-7/*.csv'.")
    logger_id: str | None = Field(default=None, description="Value of the site column, where one file serves several.")
    columns: dict[str, str] = Field(default_factory=dict, description="File column -> channel, beside the profile's.")


class Guarantee(Described):
    """What was promised, translated to physics before anything is compared."""

    reference: str = ""
    daily_volume_m3: float | None = Field(default=None, gt=0)
    total_dynamic_head_m: float | None = Field(default=None, gt=0)
    daily_irradiation_kwh_m2: float | None = Field(default=None, gt=0)
    irradiation_plane: Literal["array", "horizontal"] = "array"
    starts_on: date | None = None
    ends_on: date | None = None


class Owner(Described):
    """Who gets the monthly letter, in which words."""

    name: str = ""
    role: Literal["rancher", "village_committee", "farmer", "owner"] = "owner"
    email: str = ""
    language: str = "en"
    volume_unit: Literal["l", "m3", "gal_us", "gal_imp"] = "m3"
    greeting_name: str = ""


class Site(Described):
    """One pump system: power source, drive, pump, well, pipes, tank, sensors, and who depends on it."""

    id: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")
    name: str
    latitude_deg: float = Field(ge=-90, le=90)
    longitude_deg: float = Field(ge=-180, le=180)
    altitude_m: float = Field(ge=-450, le=6000)
    timezone: str
    installed_on: date
    aquifer: str = ""
    region: str = ""
    array: Array | None = None
    battery: Battery | None = None
    wind: WindTurbine | None = None
    drive: Drive
    pump: Pump
    well: Well
    pipework: Pipework
    tank: Tank | None = None
    flow_meter: FlowMeter = FlowMeter()
    sensors: dict[str, Sensor] = Field(default_factory=dict)
    demand: Demand = Demand()
    guarantee: Guarantee | None = None
    owner: Owner = Owner()
    logs: list[LogSource] = Field(default_factory=list)
    note: str = ""

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
        if self.array is None and self.battery is None and self.wind is None:
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
        return self
