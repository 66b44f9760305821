"""
The one dictionary of measured channels: name, unit, meaning, plausible range, how an interval is formed.

A channel's name ends in its canonical unit. The ledger's columns, the range check, the labels on pages and the
`channel` keys of logger profiles all come from `CHANNELS`; nothing else may invent a channel.
"""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Quantity:
    """One channel. `low` and `high` bound what can physically happen on a pump site, in the unit of the name."""

    name: str
    label: str
    meaning: str
    low: float
    high: float
    interval_value: Literal["mean", "sum", "last", "max"] = "mean"

    @property
    def unit_suffix(self) -> str:
        """Return the unit ending of the name, or an empty string for a state without unit."""
        from diagnostics.units import split_unit

        parts = split_unit(self.name)
        return parts[1] if parts else ""


_ALL = (
    Quantity("poa_irradiance_w_m2", "Irradiance in the array plane",
             "Pyranometer or reference cell mounted in the plane of the array.", -10.0, 1700.0),
    Quantity("global_horizontal_irradiance_w_m2", "Global horizontal irradiance",
             "Pyranometer mounted level.", -10.0, 1700.0),
    Quantity("diffuse_horizontal_irradiance_w_m2", "Diffuse horizontal irradiance", "Shaded pyranometer.",
             -10.0, 1000.0),
    Quantity("direct_normal_irradiance_w_m2", "Direct normal irradiance", "Pyrheliometer.", -10.0, 1400.0),
    Quantity("neighbour_global_horizontal_irradiance_w_m2", "Global horizontal irradiance at a neighbouring site",
             "Level sensor of a site near by, used where the site's own light is not known.", -10.0, 1600.0),
    Quantity("imported_global_horizontal_irradiance_w_m2", "Global horizontal irradiance, imported",
             "Satellite or reanalysis series, used where no sensor near by is known.", -10.0, 1600.0),
    Quantity("air_temperature_c", "Air temperature", "Shaded air temperature at the site.", -50.0, 60.0),
    Quantity("module_temperature_c", "Module temperature", "Sensor on the back of a module.", -50.0, 110.0),
    Quantity("wind_speed_m_s", "Wind speed", "Anemometer near the array, or at hub height on a wind site.", 0.0, 75.0),
    Quantity("rain_mm_rain", "Rain", "Rain depth that fell in the interval.", 0.0, 120.0, "sum"),
    Quantity("array_voltage_v", "Array voltage", "DC voltage where the array meets the drive.", -5.0, 1100.0),
    Quantity("array_current_a", "Array current", "DC current of the whole array.", -2.0, 400.0),
    Quantity("string_1_current_a", "String 1 current", "DC current of one string.", -2.0, 50.0),
    Quantity("string_2_current_a", "String 2 current", "DC current of one string.", -2.0, 50.0),
    Quantity("string_3_current_a", "String 3 current", "DC current of one string.", -2.0, 50.0),
    Quantity("string_4_current_a", "String 4 current", "DC current of one string.", -2.0, 50.0),
    Quantity("array_power_w", "Array power", "DC power, where the logger writes power itself.", -50.0, 250e3),
    Quantity("motor_voltage_v", "Motor voltage", "Voltage on the motor side of a booster or drive.", -5.0, 1100.0),
    Quantity("motor_current_a", "Motor current", "Current on the motor side of a booster or drive.", -2.0, 400.0),
    Quantity("pump_speed_rpm", "Pump speed", "Shaft speed of the pump.", 0.0, 12000.0),
    Quantity("drive_frequency_hz", "Drive frequency", "Output frequency of a frequency drive.", 0.0, 400.0),
    Quantity("drive_temperature_c", "Drive temperature", "Heat sink or enclosure of the drive.", -40.0, 130.0),
    Quantity("flow_m3_s", "Flow", "Mean delivered flow over the interval, from a rate, pulse or totalising meter.",
             -0.05, 0.5),
    Quantity("meter_total_m3", "Meter total", "Reading of a totalising meter at the interval end.", 0.0, 1e9, "last"),
    Quantity("draw_flow_m3_s", "Draw from the tank", "Mean flow out of the tank to its users.", -0.05, 0.5),
    Quantity("water_level_m", "Water level in the well", "Depth of the water surface below ground, positive downwards.",
             -5.0, 500.0),
    Quantity("submerged_pressure_pa", "Absolute pressure under water", "Pressure as an unvented level logger in the "
             "well writes it: the water above it and the air above that.", 3e4, 5e6),
    Quantity("air_pressure_pa", "Air pressure", "Barometer at the site's own height, not brought to sea level; takes "
             "the air off an unvented level logger.", 4e4, 1.1e5),
    Quantity("tank_level_m", "Tank level", "Height of the water above the tank floor.", -0.2, 30.0),
    Quantity("tank_full_ratio", "Tank float says full", "Share of the interval in which the float says full.",
             0.0, 1.0),
    Quantity("low_water_ratio", "Low-water probe dry",
             "Share of the interval in which the low-water probe stopped the pump.", 0.0, 1.0),
    Quantity("outlet_pressure_pa", "Outlet pressure", "Gauge pressure at the pump outlet or wellhead.", -1e5, 1e7),
    Quantity("suction_pressure_pa", "Suction pressure", "Gauge pressure at the pump inlet; a vacuum is negative.",
             -1.1e5, 1e6),
    Quantity("battery_voltage_v", "Battery voltage", "Voltage of the battery bus.", 0.0, 800.0),
    Quantity("battery_current_a", "Battery current", "Current into the battery, discharge negative.", -600.0, 600.0),
    Quantity("logger_supply_v", "Logger supply", "Voltage that feeds the logger itself.", 0.0, 60.0),
)

CHANNELS: dict[str, Quantity] = {quantity.name: quantity for quantity in _ALL}
