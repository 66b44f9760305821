"""The fixed vector of daily summaries: what each one is, how noisy a day is, how far it wanders on a sound site."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Feature:
    """
    One summary. All are dimensionless or scaled so that 0 is healthy.

    `day_noise` is the least standard error of one day; `drift` the slow wandering of a sound site about its own mean;
    `slack` the constant error of the model that no tolerance direction explains; `free` the size of a change nobody
    can name (used by the rival "unexplained"). `robust` is False for shares of time, where a single day is an event
    and not an outlier. `signature_error` is how far a real fault's shift may be from the computed one, relative.
    """

    name: str
    meaning: str
    says: str
    day_noise: float
    drift: float
    slack: float
    free: float
    robust: bool = True
    signature_error: float = 0.2


_ALL = (
    Feature("current_low_sun", "array current over expected, less 1, at 120 to 350 W/m2",
            "array current in weak sun", 0.03, 0.02, 0.03, 0.2),
    Feature("current_mid_sun", "array current over expected, less 1, at 350 to 650 W/m2",
            "array current in middling sun", 0.02, 0.012, 0.02, 0.2),
    Feature("current_high_sun", "array current over expected, less 1, above 650 W/m2",
            "array current in strong sun", 0.015, 0.012, 0.02, 0.2),
    Feature("voltage_low_sun", "array voltage over expected, less 1, at 120 to 350 W/m2",
            "array voltage in weak sun", 0.012, 0.008, 0.02, 0.15),
    Feature("voltage_mid_sun", "array voltage over expected, less 1, at 350 to 650 W/m2",
            "array voltage in middling sun", 0.01, 0.007, 0.015, 0.15),
    Feature("voltage_high_sun", "array voltage over expected, less 1, above 650 W/m2",
            "array voltage in strong sun", 0.008, 0.007, 0.015, 0.15),
    Feature("power_low_sun", "array power over expected, less 1, at 120 to 350 W/m2 (no voltage or current logged)",
            "array power in weak sun", 0.03, 0.02, 0.03, 0.2),
    Feature("power_mid_sun", "array power over expected, less 1, at 350 to 650 W/m2 (no voltage or current logged)",
            "array power in middling sun", 0.02, 0.014, 0.02, 0.2),
    Feature("power_high_sun", "array power over expected, less 1, above 650 W/m2 (no voltage or current logged)",
            "array power in strong sun", 0.015, 0.014, 0.02, 0.2),
    Feature("power_limit", "power at which the drive holds the array back over the rated one, less 1",
            "power at which the drive holds back", 0.02, 0.03, 0.04, 0.2),
    Feature("open_voltage", "array voltage while nothing is taken from it over that of the sound array, less 1",
            "array voltage at open circuit", 0.01, 0.007, 0.015, 0.15),
    Feature("power_morning_less_afternoon", "power ratio under a clear low sun before solar noon less after it",
            "morning against afternoon power under a clear low sun", 0.03, 0.015, 0.02, 0.15),
    Feature("power_hot_less_cool", "power ratio in hours hot enough to derate less the cooler hours of the day",
            "hot against cool hours' power", 0.02, 0.015, 0.02, 0.15, signature_error=0.5),
    Feature("voltage_hot_less_cool", "voltage ratio in hours hot enough to derate less the cooler hours of the day",
            "hot against cool hours' voltage", 0.012, 0.01, 0.012, 0.1, signature_error=0.5),
    Feature("flow_low_power", "flow over healthy flow at the same array power, less 1, below 0.4 of rated flow",
            "flow at low power", 0.06, 0.06, 0.12, 0.4, signature_error=0.35),
    Feature("flow_mid_power", "flow over healthy flow at the same array power, less 1, 0.4 to 0.75 of rated flow",
            "flow at middling power", 0.025, 0.02, 0.025, 0.25),
    Feature("flow_high_power", "flow over healthy flow at the same array power, less 1, above 0.75 of rated flow",
            "flow at high power", 0.018, 0.015, 0.02, 0.25),
    Feature("flow_low_sun", "flow over healthy flow at the same sun, less 1, below 0.4 of rated flow (no power logged)",
            "flow in weak sun", 0.08, 0.06, 0.12, 0.4, signature_error=0.35),
    Feature("flow_mid_sun", "flow over healthy flow at the same sun, less 1, 0.4 to 0.75 of rated flow",
            "flow in middling sun", 0.03, 0.025, 0.035, 0.25),
    Feature("flow_high_sun", "flow over healthy flow at the same sun, less 1, above 0.75 of rated flow",
            "flow in strong sun", 0.025, 0.02, 0.03, 0.25),
    Feature("top_flow", "flow over healthy flow at the same sun, less 1, above 650 W/m2, the drive's limit included",
            "flow in strong sun", 0.03, 0.02, 0.05, 0.2),
    Feature("start_power", "array power at which water starts and stops over the healthy one, less 1",
            "power at which water starts", 0.12, 0.06, 0.2, 0.6, signature_error=0.4),
    Feature("speed_low_power", "pump speed over healthy speed at the same power, less 1, below 0.6 of rated flow",
            "pump speed at low power", 0.012, 0.01, 0.02, 0.1),
    Feature("speed_high_power", "pump speed over healthy speed at the same power, less 1, above 0.6 of rated flow",
            "pump speed at high power", 0.01, 0.008, 0.015, 0.1),
    Feature("static_level", "rest level before dawn below the described one, over the total head",
            "rest level of the well", 0.004, 0.012, 0.01, 0.2),
    Feature("drawdown", "drawdown beyond that expected at the metered flow, over the total head",
            "drawdown at the metered flow", 0.006, 0.005, 0.008, 0.15),
    Feature("pressure_low_flow", "outlet pressure beyond that expected at the metered flow, over the total head",
            "outlet pressure at low flow", 0.012, 0.008, 0.012, 0.15),
    Feature("pressure_high_flow", "the same above 0.6 of rated flow", "outlet pressure at high flow",
            0.01, 0.007, 0.01, 0.15),
    Feature("tank_gain", "water that reached the tank beyond the metered, over expected",
            "water into the tank against the meter", 0.06, 0.03, 0.04, 0.3),
    Feature("tank_free_rise", "rise of the tank that the meter did not see, over expected (draw not logged)",
            "tank rising without metered water", 0.04, 0.02, 0.03, 0.05, signature_error=1.0),
    Feature("night_loss", "least loss of the tank at night, over rated flow", "steady loss of the tank at night",
            0.003, 0.004, 0.004, 0.1, signature_error=0.4),
    Feature("night_use", "least fall of the tank at night, over rated flow (draw not logged)",
            "least fall of the tank at night", 0.01, 0.004, 0.08, 0.02, signature_error=0.4),
    Feature("night_flow", "metered flow at night, over rated flow", "metered flow at night",
            0.004, 0.002, 0.002, 0.1, robust=False),
    Feature("stopped_share", "share of the hours that should have run in which it stood",
            "hours stood that should have run", 0.05, 0.01, 0.01, 0.5, robust=False),
    Feature("stopped_open_share", "of these, with the array near open circuit", "stood at open-circuit voltage",
            0.05, 0.01, 0.01, 0.5, robust=False, signature_error=0.4),
    Feature("stopped_dead_share", "of these, with no voltage from the array", "stood without array voltage",
            0.03, 0.005, 0.005, 0.5, robust=False),
    Feature("dry_share", "share of the hours with power well above the start and no metered water",
            "power taken, no water metered", 0.06, 0.02, 0.03, 0.5, robust=False, signature_error=0.4),
    Feature("dry_light_share", "of these, with far less power than the sun would give",
            "pump turning light, no water", 0.06, 0.02, 0.02, 0.5, robust=False, signature_error=0.5),
    Feature("cycling", "stops and starts an hour under steady strong sun, over 3",
            "stops and starts under steady sun", 0.15, 0.05, 0.05, 0.5, robust=False, signature_error=0.7),
    Feature("probe_share", "share of the hours stopped by the low-water probe or with the level at it",
            "stopped by low water", 0.03, 0.005, 0.005, 0.5, robust=False),
    Feature("float_hold_share", "share of the hours with the float saying full while the tank is low",
            "float says full, tank is low", 0.03, 0.005, 0.005, 0.5, robust=False),
    Feature("overflow_share", "share of the hours pumping with the tank at its overflow",
            "pumping into a full tank", 0.04, 0.01, 0.01, 0.5, robust=False),
    Feature("clock", "sun in the readings late against the computed sun, in units of an hour",
            "sun against the clock", 0.10, 0.05, 0.12, 0.8),
    Feature("clear_sky", "irradiance over clear sky on clear days, less 1", "irradiance on clear days",
            0.04, 0.03, 0.05, 0.3),
    Feature("module_temperature", "module temperature less that from air and sun, over 25 K, in strong sun",
            "module temperature in the sun", 0.12, 0.06, 0.2, 0.8),
    # Weather moves a night by some four kelvin, spells and the season by six in a month: only a jump stands out.
    Feature("night_temperature", "the one logged temperature at night less its own median, over 25 K",
            "temperature at night", 0.15, 0.25, 0.5, 0.8),
    # A module at night stands 1 to 4 K below the air by its view of a clear sky (common practice), whatever its mount
    # and the wind do by day; what two sound sensors differ by comes on top and stays.
    Feature("night_module_less_air", "module temperature less air temperature at night, over 25 K",
            "module against air temperature at night", 0.05, 0.03, 0.12, 0.8),
    Feature("night_current", "array current at night over rated", "array current at night",
            0.004, 0.002, 0.003, 0.1),
    Feature("night_voltage", "array voltage at night over expected", "array voltage at night",
            0.02, 0.01, 0.05, 0.3),
    Feature("fill_volume", "water that fills an emptied riser at start, over the riser's volume",
            "filling of the riser at each start", 0.3, 0.15, 1.0, 0.05, signature_error=0.5),
    Feature("silent_share", "share of the day without any reading", "hours without readings",
            0.05, 0.02, 0.02, 0.5, robust=False),
    Feature("total_reset", "totaliser steps that no water can make, a day", "steps of the meter total",
            0.05, 0.005, 0.005, 0.8, robust=False),
    Feature("impossible_share", "share of sunny readings beyond what the equipment can give",
            "readings beyond the equipment", 0.02, 0.005, 0.005, 0.5, robust=False),
    Feature("swapped_share", "share of sunny readings that fit better with two channels exchanged",
            "readings that fit better exchanged", 0.03, 0.005, 0.005, 0.5, robust=False),
    Feature("battery_low", "battery voltage in the last hours of night against the healthy one, over nominal",
            "battery voltage before dawn", 0.012, 0.03, 0.06, 0.1, signature_error=0.4),
    Feature("battery_high", "highest battery voltage of the day against absorption, over nominal",
            "highest battery voltage", 0.012, 0.01, 0.03, 0.1, signature_error=0.4),
    Feature("wind_power", "power over that of the wind curve, less 1, at 0.3 to 0.6 of rated power",
            "power in middling wind", 0.06, 0.03, 0.08, 0.3),
    Feature("wind_power_high", "power over that of the wind curve, less 1, above 0.6 of rated power",
            "power in strong wind", 0.06, 0.03, 0.08, 0.3),
    Feature("bus_flow", "flow while the pump runs over healthy flow at the same battery voltage, less 1",
            "flow at the battery's voltage", 0.02, 0.015, 0.03, 0.25),
    Feature("bus_power", "power while the pump runs over healthy power at the same battery voltage, less 1",
            "power at the battery's voltage", 0.02, 0.015, 0.04, 0.25),
    Feature("charge_balance", "power into the battery over that from the array while the pump stands, less 1",
            "charging against the array's current", 0.02, 0.01, 0.03, 0.3, signature_error=0.1),
    Feature("battery_resistance", "logarithm of volts per ampere of the battery between readings over a usual one",
            "give of the battery's voltage", 0.15, 0.12, 0.7, 0.5, signature_error=0.5),
)

FEATURES: dict[str, Feature] = {feature.name: feature for feature in _ALL}
FEATURE_NAMES: tuple[str, ...] = tuple(FEATURES)
POSITION: dict[str, int] = {name: number for number, name in enumerate(FEATURE_NAMES)}
