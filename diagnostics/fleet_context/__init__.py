"""Sites beside each other: shared sun and groundwater as a control group, events of many sites, rates of findings."""

from diagnostics.fleet_context.context import FleetContext, fleet_context
from diagnostics.fleet_context.events import FleetEvent, fleet_events
from diagnostics.fleet_context.rates import Rate, garwood_interval
from diagnostics.fleet_context.sun_check import SunCheck

__all__ = ["FleetContext", "FleetEvent", "Rate", "SunCheck", "fleet_context", "fleet_events", "garwood_interval"]
