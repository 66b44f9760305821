"""
What the site was when it was well: tolerances around the sheet, fitted on its own record, dated by epochs.

No separate fit on "the first good days" is made: the tolerances are random effects with datasheet priors that the
whole record informs, and a fault's onset is sought beside them. Where sound days come first they pin the tolerances; a
deviation present from the first day must exceed them to be called a fault, and then with less confidence. Work that
changes the physics starts a new epoch, in which the directions it touches may take a new value. The interval around
expected delivery narrows by what the first sound days of an epoch have taught.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from diagnostics.chain.learned import SHEET, Learned, learn_from_rows
from diagnostics.chain.site_model import SiteModel
from diagnostics.evidence.features import FEATURE_NAMES, POSITION
from diagnostics.evidence.intervals import Intervals
from diagnostics.expected import expect, light_of
from diagnostics.inference.signatures import Signatures
from diagnostics.inference.weigh import Direction
from diagnostics.results import ServiceEvent
from diagnostics.service_actions import SERVICE_ACTIONS
from diagnostics.site import POSITIVE_DISPLACEMENT, Site

Vector = NDArray[np.float64]

# Days between the knots of drifting directions: a season has about four.
KNOT_DAYS = 40.0
# Usual spread of the share of clear hours among a site's days, and from where on an hour is clear.
CLEARNESS_SPREAD = 0.35
CLEAR_FROM = 0.93
# As many as tell a site's own ratio: a slow loss that nobody can name must not become healthy.
LEARN_DAYS = 30
# What people may draw all night where no meter logs it, over rated flow (one deviation). [1]
NIGHT_USE = 0.4


@dataclass(frozen=True, slots=True)
class Epoch:
    """A stretch of days with one baseline, and what began it."""

    first_day: int
    began_by: str
    touches: tuple[str, ...]


# Work -> tolerance directions that may be new after it.
_TOUCHES: dict[str, tuple[str, ...]] = {
    "replaced_pump": ("pump", "efficiency", "flow"), "replaced_pump_end": ("pump", "efficiency", "flow"),
    "replaced_motor": ("efficiency",), "replaced_drive": ("efficiency", "array"),
    "replaced_module": ("array", "voltage"), "replaced_meter": ("meter",),
    "replaced_sensor": ("array", "voltage", "level", "pressure"), "changed_setting": ("array", "efficiency"),
    "rehabilitated_well": ("head", "rest level", "drawdown"), "lowered_pump": ("head", "friction"),
    "replaced_battery": (),
}


def epochs_of(events: Sequence[ServiceEvent], first_instant_day: dict[str, int]) -> list[Epoch]:
    """
    List the epochs that service events begin.

    Parameters
    ----------
    events : sequence of ServiceEvent
        Service log of the site.
    first_instant_day : dict of str to int
        ISO time of an event -> position of its local day in the record.

    Returns
    -------
    epochs : list of Epoch
        The first starts at day 0.
    """
    found = [Epoch(0, "first readings", ())]
    for event in sorted(events, key=lambda e: e.when_utc):
        action = SERVICE_ACTIONS.get(event.action)
        day = first_instant_day.get(event.when_utc.isoformat())
        if action is not None and action.starts_epoch and day is not None and day > 0:
            found.append(Epoch(day, action.label, _TOUCHES.get(event.action, ())))
    return found


def tolerance_directions(signatures: Signatures, days: int, epochs: Sequence[Epoch], *, level_logged: bool,
                         warmth_k: Vector | None = None, clearness: Vector | None = None, plane_logged: bool = True,
                         site: Site | None = None,
                         deeper: Vector | None = None, night_use: Vector | None = None) -> list[Direction]:
    """
    Build the directions in which a sound site may differ from its sheet.

    Parameters
    ----------
    signatures : Signatures
        With the shifts that one standard deviation of each tolerance makes, from the site's own chain.
    days : int
        Length of the record. [days]
    epochs : sequence of Epoch
        Later epochs give the touched directions a fresh value.
    level_logged : bool
        Without a level sensor the unseen season of the water may drift along the head direction.
    warmth_k : ndarray, shape (days,), optional
        Daily cell temperature about its mean: a temperature coefficient that is off follows it. [K]
    clearness : ndarray, shape (days,), optional
        Share of clear hours of each day, about its mean: what the beam does to a light sensor follows it.
    plane_logged : bool
        Light is logged in the plane of the array and need not be carried over from another plane.
    site : Site, optional
        Tells what its drive and pump leave open beyond the usual.
    deeper : ndarray, shape (days,), optional
        Logged rest level below the described one, over the total head; NaN where not known. [1]
    night_use : ndarray, shape (days,), optional
        Least fall of the tank in each night where the draw is not logged, over rated flow; NaN where not known. [1]

    Returns
    -------
    directions : list of Direction
        Unit normal priors.
    """
    one = np.ones(days)
    plain = _all_named_once(signatures.nuisance, _usual_tolerances(), _left_open_by(site))
    directions = [Direction(name, shift, one) for name, shift in plain.items() if np.any(shift != 0.0)]
    for name in ("weak-sun light", "weak-sun current", "weak-sun voltage"):
        directions += _drifting(name, plain.get(name), 0.3, days)
    # Light carried over from the horizontal or from a neighbour is off by 2 to 4 % from season to season.
    directions += _drifting("array", plain.get("array"), 0.3 if plane_logged else 0.75, days)
    if clearness is not None and np.any(clearness != 0.0):
        directions.append(Direction("light by clearness", _by_beam(plane_logged), clearness / CLEARNESS_SPREAD))
    directions += _drifting("choke", plain.get("choke"), 1.0, days)
    directions += _drifting("aim", plain.get("aim"), 0.25, days)
    directions += _drifting("night use", plain.get("night use"), _change_of_night_use(night_use), days)
    directions += _drifting("temperature", plain.get("temperature"), 0.5, days)
    if warmth_k is not None and "temperature" in plain:
        # 4 K of temperature error for each 12 K of warmth: coefficients and mounting are known to about a third.
        directions.append(Direction("temperature by warmth", plain["temperature"], warmth_k / 12.0))
    if not level_logged:
        directions += _drifting("head", plain.get("head"), 0.6, days)
    directions += _by_level(site, deeper)
    for epoch in epochs[1:]:
        course = (np.arange(days) >= epoch.first_day).astype(np.float64)
        for name in epoch.touches:
            shift = plain.get(name)
            if shift is not None and np.any(shift != 0.0):
                directions.append(Direction(f"{name} since day {epoch.first_day}", shift, course))
    return directions


def _change_of_night_use(night_use: Vector | None) -> float:
    """
    How far those who draw all night may change with the season, over their tolerance from the first day.

    A quietest hour of the night is free of people who draw now and then. Who draws all night, as a trough does, drinks
    a third more or less from season to season (common practice): of what this site is itself seen to need. What comes
    beyond that in all nights alike is a leak or a new user.
    """
    known = np.zeros(0) if night_use is None else night_use[np.isfinite(night_use)]
    usual = float(np.quantile(known, 0.15)) if known.size else 0.04
    return (0.3 * min(max(usual, 0.0), 0.3) + 0.001) / NIGHT_USE


def _all_named_once(*groups: Mapping[str, Vector]) -> dict[str, Vector]:
    """Put tolerances beside each other; one that took the name of another would silently do away with it."""
    together: dict[str, Vector] = {}
    for group in groups:
        twice = sorted(set(together) & set(group))
        if twice:
            raise ValueError(f"Tolerance named twice: {', '.join(twice)}. Give each a name of its own, or leave out "
                             "the one that does not apply at this site where it is made.")
        together |= group
    return together


def _usual_tolerances() -> dict[str, Vector]:
    """Return what every site may differ by beyond what its own chain says: instruments, curves, light."""
    plain: dict[str, Vector] = {}
    plain["volts"] = _named(0.008, "voltage_low_sun", "voltage_mid_sun", "voltage_high_sun", "open_voltage")
    plain["current"] = _named(0.015, "current_low_sun", "current_mid_sun", "current_high_sun", "power_low_sun",
                              "power_mid_sun", "power_high_sun")
    # Grade 3B of ISO 9906 is met by head or by flow, not by the sum of both: beside a head that may be off by half its
    # 7 %, a quarter of the 9 % of flow is left as one deviation.
    plain["flow"] = _named(0.025, *(f"flow_{part}_{kind}" for part in ("low", "mid", "high")
                                    for kind in ("power", "sun")))
    # A meter within its error limits moves the balance with the tank as well.
    plain["flow"][POSITION["top_flow"]] = 0.025
    plain["meter"] = _named(0.025, "top_flow", *(f"flow_{part}_{kind}" for part in ("low", "mid", "high")
                                     for kind in ("power", "sun")))
    plain["meter"][POSITION["tank_gain"]] = -0.025
    plain["meter"][POSITION["tank_free_rise"]] = -0.015
    # ISO 9060 lets a light sensor of class B or C be off by some 20 W/m2 with the direction of the sun and by 15 W/m2
    # at zero: at 230, 500 and 850 W/m2 the following shares. Reflection off the glass is as little known.
    plain["weak-sun light"] = _named(0.08, "current_low_sun", "power_low_sun") + _named(
        0.035, "current_mid_sun", "power_mid_sun") + _named(0.015, "current_high_sun", "power_high_sun")
    # Transducers of this size are good to about 1 % of their range at zero, and a range is about that much above the
    # rated current (common practice): of the rated current, and by share of it in weak, middling and strong sun.
    plain["current zero"] = _named(0.012, "night_current") + _named(0.05, "current_low_sun") + _named(
        0.024, "current_mid_sun") + _named(0.015, "current_high_sun")
    plain["speed"] = _named(0.015, "speed_low_power", "speed_high_power")
    plain["pressure"] = _named(0.015, "pressure_low_flow", "pressure_high_flow")
    plain["tank"] = _named(0.05, "tank_gain", "tank_free_rise")
    # Array and light sensor are each set up to about two degrees east or west: at 15 degrees of sun a beam on a plane
    # tipped by two degrees changes by sin 75 sin 2 / cos of its incidence, a tenth each way before and after noon,
    # and not alike in summer and winter.
    plain["aim"] = _named(0.12, "power_morning_less_afternoon")
    # Where no meter logs the draw, people who draw all night are no leak; only a change of it may be one.
    plain["night use"] = _named(NIGHT_USE, "night_use")
    return plain


def _by_beam(plane_logged: bool) -> Vector:
    """
    Return what a clear day does to the light beyond a mean one: only the beam has a direction to be wrong in.

    A sensor in the plane is off with the direction of the beam as ISO 9060 lets it. Where light is carried over from
    the horizontal, how much of it is beam is itself reckoned: a low sun then misses by a fifth, a high one by little
    (common practice; the plane of a low sun takes several times what the horizontal shows).
    """
    times = 1.0 if plane_logged else 2.5
    return times * (_named(0.08, "current_low_sun", "power_low_sun") + _named(
        0.035, "current_mid_sun", "power_mid_sun") + _named(0.015, "current_high_sun", "power_high_sun"))


def clearness_of_days(intervals: Intervals) -> Vector:
    """Return the share of each day's sun hours under a clear sky about its own mean; 0 where not known. [1]"""
    clear = intervals.expected["clear_sky_poa_w_m2"].to_numpy(dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = intervals.poa_w_m2 / clear
        known = np.isfinite(share) & (intervals.sun_elevation_deg > 10.0) & (clear > 100.0)
    days = len(intervals.days)
    count = np.bincount(intervals.day[known], minlength=days)
    if not known.any():
        return np.zeros(days)
    # Against the site's own clear sky: a sensor that is off or a hazy region changes nothing.
    bright = known & (share > CLEAR_FROM * float(np.quantile(share[known], 0.9)))
    with np.errstate(invalid="ignore", divide="ignore"):
        hours = np.where(count > 0, np.bincount(intervals.day[bright], minlength=days) / count, np.nan)
    return np.asarray(np.nan_to_num(hours - np.nanmean(hours)), dtype=np.float64)


def _left_open_by(site: Site | None) -> dict[str, Vector]:
    """
    Return what couplings and pumps leave open: a load line in weak sun, an ejector.

    Where the load and not a tracker sets the array's voltage, weak sun hangs on friction and break-away torque that no
    sheet prints; an ejector's flow is known to about a sixth from its two diameters. Sheets of small brushed motors and
    their boosters print one efficiency, at the rated point. About 0.3 of the rated input p = 1 is lost there, and what
    part of that is lost at any load (brushes, packings, switching) is open by a fifth: 0.06 (1 - p) over the 0.7 p
    that is left to a displacement pump is what its flow lacks at p = 0.3, 0.55 and 0.9.
    """
    found: dict[str, Vector] = {}
    if site is not None and site.well.drawdown_linear_s_m2 + site.well.drawdown_quadratic_s2_m5 == 0.0:
        found["drawdown"] = _named(0.1, "drawdown")     # nobody wrote down how far the well draws down
    if site is not None and site.drive.kind in ("direct", "current_booster", "voltage_booster"):
        found["weak-sun current"] = _named(0.15, "current_low_sun") + _named(0.05, "current_mid_sun")
        found["weak-sun voltage"] = _named(0.12, "voltage_low_sun") + _named(0.04, "voltage_mid_sun")
    if site is not None and site.drive.kind in ("tracking", "frequency"):
        # Trackers stand beside the best point, nearly all at the same side for good: 3 % of voltage cost no more than
        # 0.5 % of power, 8 % some 4 (the top of the curve is flat); current gives what voltage takes (common practice).
        found["tracked point"] = _named(0.02, "voltage_low_sun", "voltage_mid_sun", "voltage_high_sun") - _named(
            0.024, "current_low_sun", "current_mid_sun", "current_high_sun")
    if site is not None and site.pump.motor.kind == "brushed_dc" and site.pump.family in POSITIVE_DISPLACEMENT:
        found["losses at part load"] = _named(-0.20, "flow_low_power") + _named(-0.07, "flow_mid_power") + _named(
            -0.01, "flow_high_power") + _named(-0.13, "speed_low_power") + _named(-0.02, "speed_high_power") + _named(
            0.24, "start_power")
    if site is not None and site.drive.kind == "direct":
        # The motor's constant, printed to one figure and moving with its magnets' warmth, trades volts for amperes.
        found["motor constant"] = (_named(0.06, "voltage_low_sun", "voltage_mid_sun", "voltage_high_sun")
                                   - _named(0.06, "current_low_sun", "current_mid_sun", "current_high_sun"))
    if site is not None and site.pump.family.startswith("jet"):
        # A gauge on a jet's casing sees the drive water of the ejector as well, which no sheet prints.
        found["jet gauge"] = _named(1.5, "pressure_high_flow") + _named(0.3, "pressure_low_flow")
        found["ejector"] = _named(0.16, *(f"flow_{part}_{kind}" for part in ("low", "mid", "high")
                                          for kind in ("power", "sun")))
        # Where it chokes hangs on the water's warmth and air and on the level of the season, and moves with them.
        found["choke"] = _named(0.08, "flow_high_power", "flow_high_sun", "top_flow") + _named(
            0.03, "flow_mid_power", "flow_mid_sun")
        found["ejector at low power"] = _named(0.3, "flow_low_power", "flow_low_sun") + _named(
            0.12, "flow_mid_power", "flow_mid_sun") + _named(0.2, "start_power")
    return found


def _by_level(site: Site | None, deeper: Vector | None) -> list[Direction]:
    """
    Return what a jet owes to the depth it lifts from beyond its model, along the logged level.

    Two diameters say how an ejector's flow falls with its lift to about a half; its drive pressure follows, and where
    it chokes. A pump that lifts by its own head leaves no such doubt.
    """
    if site is None or not site.pump.family.startswith("jet") or deeper is None or not np.isfinite(deeper).any():
        return []
    course = np.nan_to_num(deeper - np.nanmean(deeper))
    if not course.any():
        return []
    full = _named(0.5, "flow_high_power", "flow_high_sun", "top_flow") + _named(0.4, "flow_mid_power", "flow_mid_sun")
    weak = _named(0.8, "flow_low_power", "flow_low_sun") + _named(0.3, "flow_mid_power", "flow_mid_sun") + _named(
        -0.8, "start_power")
    gauge = _named(2.0, "pressure_high_flow") + _named(0.4, "pressure_low_flow")
    return [Direction(name, shift, course) for name, shift in (
        ("ejector by level", full), ("ejector by level at low power", weak), ("jet gauge by level", gauge))]


def _named(size: float, *names: str) -> Vector:
    shift = np.zeros(len(FEATURE_NAMES))
    for name in names:
        shift[POSITION[name]] = size
    return shift


def _drifting(name: str, shift: Vector | None, size: float, days: int) -> list[Direction]:
    """Give a direction slow freedom over time: tents between knots."""
    if shift is None or not np.any(shift != 0.0) or days < 1.5 * KNOT_DAYS:
        return []
    knots = np.linspace(0.0, days - 1.0, max(2, round(days / KNOT_DAYS) + 1))
    spacing = knots[1] - knots[0]
    time = np.arange(days, dtype=np.float64)
    return [Direction(f"{name} drift", shift * size, np.clip(1.0 - np.abs(time - knot) / spacing, 0.0, 1.0))
            for knot in knots]


def own_interval(site: Site, model: SiteModel, weather: pd.DataFrame, intervals: Intervals, epoch_days: Sequence[int],
                 use: NDArray[np.bool_], sound_ratio: Vector) -> tuple[pd.DataFrame, Learned]:
    """
    Put what the site's own sound days have taught in the place of what its sheet leaves open.

    Parameters
    ----------
    site : Site
        Not one that pumps from a battery: its users and not its sheet decide what it delivers.
    model : SiteModel
        Of the healthy site, as described.
    weather : DataFrame
        As for `expect`, on the index of the intervals. [UTC]
    intervals : Intervals
        Readings beside the sheet's expectation.
    epoch_days : sequence of int
        First day of each epoch; each learns for itself.
    use : ndarray of bool, shape (n,)
        Intervals in which nothing held the site back and no cause was found. [1]
    sound_ratio : ndarray, shape (days,)
        Own healthy delivery over the sheet's, by which the expectation will be multiplied. [1]

    Returns
    -------
    expected : DataFrame
        The sheet's, its limits those of the site's own interval over `sound_ratio`. They hold the expectation itself:
        where the two ways to learn disagree, the interval is wider for it. Days that nothing taught keep the sheet's.
    learned : Learned
        What the newest epoch has taught.
    """
    learned = SHEET
    if site.drive.kind == "battery_bus":
        return intervals.expected, learned
    lengths = pd.Series(intervals.hours * 3600.0, index=intervals.index)
    light = light_of(site, weather, lengths)
    by_sheet = expect(site, weather, lengths, model=model, light=light, with_effects=True)
    flow = by_sheet["expected_flow_m3_s"].to_numpy(dtype=np.float64)
    seconds: Vector = np.asarray(lengths, dtype=np.float64)
    ratio = sound_ratio[intervals.day]
    found = intervals.expected.copy()
    limits = {name: found[name].to_numpy(dtype=np.float64, copy=True) for name in (
        "expected_flow_low_m3_s", "expected_flow_high_m3_s")}
    for first, last in pairwise([*epoch_days, len(intervals.days)]):
        inside = (intervals.day >= first) & (intervals.day < last)
        taught = np.unique(intervals.day[use & inside & (flow > 0.0)])[:LEARN_DAYS]
        learned = learn_from_rows(by_sheet, flow, intervals.flow_m3_s, seconds, intervals.day,
                                  use & np.isin(intervals.day, taught))
        if learned.is_sheet:
            continue
        own = expect(site, weather, lengths, model=model, light=light, learned=learned)
        for name, side in (("expected_flow_low_m3_s", np.minimum), ("expected_flow_high_m3_s", np.maximum)):
            limit = own[name].to_numpy(dtype=np.float64)
            limits[name][inside] = side(limit / ratio, flow)[inside]
    return found.assign(**limits), learned
