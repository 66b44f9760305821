"""The company that keeps the pumps: fleet.toml."""

import re
from typing import Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import Field, field_validator, model_validator

from diagnostics.site import WeatherFile
from diagnostics.site.described import Described

_ADDRESS = r"^[^@\s,;<>]+@[^@\s,;<>]+$"

AlertRole = Literal["service_desk", "field_crew", "claims", "manager"]


class Depot(Described):
    """Where the truck starts."""

    name: str = Field(default="", description="Name of the place.")
    latitude_deg: float = Field(ge=-90, le=90, description="North is positive.")
    longitude_deg: float = Field(ge=-180, le=180, description="East is positive.")


class ThresholdChange(Described):
    """A threshold set to another value than the program's own, and the reason, which is printed with the results."""

    value: float = Field(description="Value used here.")
    why: str = Field(min_length=8, description="One sentence; it is printed beside every result it touched.")


class Letters(Described):
    """Who the owners' monthly letters come from, and whom an owner can call."""

    sender: str = Field(default="", description="Address the letters come from.")
    sender_name: str = Field(default="", description="Name beside that address.")
    reply_to: str = Field(default="", description="Address that is read by a person.")
    phone: str = Field(default="", description="Number with hours, printed as it stands.")

    @field_validator("sender", "reply_to")
    @classmethod
    def _is_an_address(cls, address: str) -> str:
        return check_address(address)


class Company(Described):
    """The company, its defaults for every site, and whom it tells what."""

    name: str = Field(default="(company not named)", description="Name in letters and on pages.")
    language: str = Field(default="en", pattern=r"^[a-z]{2}(-[A-Z]{2})?$", description="Default language of letters.")
    units: Literal["metric", "us", "imperial"] = Field(default="metric", description="Default units of pages.")
    timezone: str | None = Field(default=None, description="Default time zone of sites, an IANA name.")
    letters: Letters = Field(default=Letters(), description="Who the letters come from.")
    alerts: dict[AlertRole, list[str]] = Field(
        default_factory=dict, description="Role -> addresses: service_desk, field_crew, claims, manager.")
    water_value_per_m3: float | None = Field(default=None, ge=0, description="What a cubic metre is worth.")
    currency: str = Field(default="", max_length=12, description="Code or sign of the currency of that value.")
    depot: Depot | None = Field(default=None, description="Where the truck starts.")
    weather: list[WeatherFile] = Field(default_factory=list, description="Imported light for sites that name none.")
    thresholds: dict[str, ThresholdChange] = Field(
        default_factory=dict, description="Name of a threshold -> its value here and why.")
    note: str = Field(default="", description="Remark.")

    @field_validator("timezone")
    @classmethod
    def _zone_exists(cls, zone: str | None) -> str | None:
        try:
            if zone is not None:
                ZoneInfo(zone)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise ValueError(f"'{zone}' is not an IANA time zone; write one like 'Africa/Nairobi'.") from error
        return zone

    @field_validator("alerts")
    @classmethod
    def _alerts_are_addresses(cls, alerts: dict[AlertRole, list[str]]) -> dict[AlertRole, list[str]]:
        for addresses in alerts.values():
            for address in addresses:
                check_address(address)
        return alerts

    @model_validator(mode="after")
    def _value_has_currency(self) -> Self:
        if self.water_value_per_m3 is not None and not self.currency:
            raise ValueError("water_value_per_m3 is given without a currency; write currency = \"KES\" beside it.")
        return self


def check_address(address: str) -> str:
    """Return an e-mail address, or raise ValueError where it cannot be one."""
    if address and not re.match(_ADDRESS, address):
        raise ValueError(f"'{address}' is not an e-mail address; write one like 'desk@example.org'.")
    return address
