"""What an installer knows of a site, as frozen descriptions that refuse nonsense."""

from diagnostics.site.drive import Drive
from diagnostics.site.model import FlowMeter, Guarantee, LogSource, Owner, Sensor, Site, WeatherFile
from diagnostics.site.pump import (
    POSITIVE_DISPLACEMENT,
    SURFACE,
    CurvePoint,
    Ejector,
    Motor,
    PowerTablePoint,
    Pump,
)
from diagnostics.site.source import Array, Battery, Module, WindTurbine
from diagnostics.site.water import Demand, PipeRun, Pipework, Tank, Well

__all__ = [
    "POSITIVE_DISPLACEMENT", "SURFACE", "Array", "Battery", "CurvePoint", "Demand", "Drive", "Ejector", "FlowMeter",
    "Guarantee", "LogSource", "Module", "Motor", "Owner", "PipeRun", "Pipework", "PowerTablePoint", "Pump", "Sensor",
    "Site", "Tank", "WeatherFile", "Well", "WindTurbine",
]
