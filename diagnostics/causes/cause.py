"""What a cause is: the health it changes, how it comes, who can have it, what splits it off, what to do."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from diagnostics.health import Health
from diagnostics.site import Site

Shape = Literal["step", "ramp", "seasonal", "intermittent", "day_one"]
Urgency = Literal["information", "next_route", "two_weeks", "two_days", "now"]

SUBMERSIBLE = frozenset({"diaphragm_submersible", "helical_submersible", "centrifugal_submersible"})
JETS = frozenset({"jet_shallow", "jet_deep", "jet_convertible"})
CENTRIFUGAL = frozenset({"centrifugal_submersible", "surface_circulation", "multistage_booster"}) | JETS
DISPLACEMENT = frozenset({"diaphragm_submersible", "helical_submersible", "plunger_booster"})
ALL_FAMILIES = SUBMERSIBLE | CENTRIFUGAL | DISPLACEMENT


@dataclass(frozen=True, slots=True)
class Setting:
    """The sizes of one site that turn a severity into physical units."""

    site: Site
    rated_flow_m3_s: float
    rated_power_w: float
    head_m: float
    friction_m: float               # of all pipes at rated flow
    array_resistance_ohm: float     # Vmp over Imp of the whole array
    strings: int
    substrings: int
    level_logged: bool
    power_logged: bool
    voltage_logged: bool
    module_sensed: bool = True      # temperature at the module's back is logged, else cells are reckoned from the air
    air_sensed: bool = False


@dataclass(frozen=True, slots=True)
class Misreading:
    """
    What a faulty sensor does to what is read. Factors multiply, offsets add; 1 and 0 are sound.

    `module_temperature_k` is off on the sensor that the cells are reckoned from: the module's, or the air's where no
    module is sensed.
    """

    flow: float = 1.0
    current: float = 1.0
    voltage: float = 1.0
    power: float = 1.0
    irradiance: float = 1.0
    speed: float = 1.0
    pressure: float = 1.0
    module_temperature_k: float = 0.0
    level_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Form:
    """
    One way in which a cause shows. `severities` are tried in turn.

    `health` gives the changed health, run through the site's own chain; `misreading` what a sensor does to sound
    readings; `direct` adds shifts of summaries that no chain computes (shares of time, tank, clock). `applies` says
    whether this site can have this form.
    """

    name: str
    severities: Callable[[Setting], tuple[float, ...]]
    health: Callable[[float, Setting], Health] | None = None
    misreading: Callable[[float, Setting], Misreading] | None = None
    direct: Callable[[float, Setting], Mapping[str, float]] | None = None
    applies: Callable[[Setting], bool] = field(default=lambda setting: True)
    weight: float = 1.0
    # Summaries that the cause disturbs by an amount nobody can compute, with how far it may go (one deviation).
    loose: Mapping[str, float] = field(default_factory=dict)
    # Error of the signature over that which each summary states: a factor on a reading is the same at every flow,
    # a share of strings at every sun, however the pump and the modules are built.
    inexactness: float = 1.0
    # Severity -> how likely it is beside the other severities of the form, in any unit.
    commonness: Callable[[float, Setting], float] = field(default=lambda severity, setting: 1.0)
    # True where `direct` stands instead of what the chain says of the same summaries, not on top of it.
    direct_replaces: bool = False
    # False where rain takes nothing of this form away, though it washes off other forms of its cause.
    washes_off: bool = True
    # Severity -> the size that people are told.
    size: Callable[[float, Setting], float] = field(default=lambda severity, setting: severity)


@dataclass(frozen=True, slots=True)
class Cause:
    """A cause with everything that the diagnosis, the visit sheet and the letter need of it."""

    code: str
    label: str
    link: str
    moves: str
    forms: tuple[Form, ...]
    shapes: Mapping[Shape, float]
    prior: float
    size_unit: str
    size_means: str
    test: str                       # the cheapest field test that shows it
    readings: tuple[str, ...]       # what that test shows if the cause is true
    parts: tuple[str, ...]
    dangers: tuple[str, ...]
    owner_of_cause: str
    owner_action: str
    urgency: Urgency = "next_route"
    families: frozenset[str] = ALL_FAMILIES
    drives: frozenset[str] = frozenset({"direct", "current_booster", "voltage_booster", "tracking", "frequency",
                                        "battery_bus"})
    needs: tuple[str, ...] = ()     # one channel of each entry must be logged; alternatives joined by "|"
    look_alikes: Mapping[str, str] = field(default_factory=dict)    # rival -> the one measurement that splits it
    resets: bool = False            # washes off with rain
    least_days: int = 0             # a spell shorter than this is something else
    family_weight: Mapping[str, float] = field(default_factory=dict)    # multiplies the prior
    site_weight: Callable[[Site], float] = field(default=lambda site: 1.0)      # multiplies the prior
    # Causes of one group exclude each other: a meter that stands does not also read high.
    group: str = ""
    # (code, form) of what this cause, once shown, bears witness against: a pump held by its low-water probe says that
    # the water is truly low, whatever else is thought of the level sensor.
    bears_against: tuple[tuple[str, str], ...] = ()
    kind: Literal["health", "sensor", "stop", "after_meter", "rule"] = "health"

    def possible(self, setting: Setting, channels: frozenset[str]) -> bool:
        """Tell whether this site can have the cause and its sensors could ever show it."""
        site = setting.site
        if site.pump.family not in self.families or site.drive.kind not in self.drives:
            return False
        return all(any(name in channels for name in need.split("|")) for need in self.needs)


def fixed(*severities: float) -> Callable[[Setting], tuple[float, ...]]:
    """Return the same severities for every site."""
    return lambda setting: severities


SHARE_OF_TIME = fixed(0.2, 0.4, 0.7, 1.0)


def mostly_all_the_time(share: float, setting: Setting) -> float:
    """Weigh shares of the hours for what, once it stands, nearly always stands until somebody comes."""
    return 3.0 if share >= 1.0 else 0.5


# While it stands, what little is read in weak sun belongs to no pump.
STANDING = {"current_low_sun": 0.3, "current_mid_sun": 0.2, "voltage_low_sun": 0.1, "voltage_mid_sun": 0.05,
            "flow_low_power": 0.3, "flow_low_sun": 0.3, "flow_mid_sun": 0.2, "start_power": 0.3, "dry_share": 0.15,
             "dry_light_share": 0.15, "cycling": 0.3, "power_morning_less_afternoon": 0.1}
