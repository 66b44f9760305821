"""A guarantee turned into physics: which sun, in which plane, at which head, with which allowances."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from diagnostics.chain.operating_point import delivery_head_m
from diagnostics.claim.records import Translation
from diagnostics.expected import ChainNotAvailable, SiteModel, expect
from diagnostics.site import Guarantee, Site

_STEP_S = 600.0
_HEAD_ROUNDS = 8
_HEAD_CLOSE_M = 0.02
_LIGHT_CHANGE = 0.05
_HEAD_CHANGE = 0.05
# How far a clear day may be scaled and still be a day of that season: haze takes a fifth, no sky gives a tenth more.
_LEAST_SCALE, _MOST_SCALE = 0.8, 1.1


class PromiseNotTranslatable(ValueError):  # noqa: N818 - a state of the promise, told to both parties
    """The guarantee leaves out what is needed to compare anything with it."""


@dataclass(frozen=True)
class _Day:
    """A course of sun over one local day."""

    day: date
    weather: pd.DataFrame
    channel: str


def translate(site: Site, *, near: date | None = None) -> Translation:
    """
    Work out what the guarantee means for this site's model.

    The described system is run, new and clean, through a clear day of the site scaled to the promised irradiation, at
    the promised head. What it gives there is set beside the promised volume; the ratio of the two is later laid over
    every day that was really seen. Neither pump curve nor nameplate is thereby put in the place of the promise.

    Parameters
    ----------
    site : Site
        With its `guarantee`.
    near : date, optional
        A day of the claimed period: the promised sun takes the course of its season where a clear day of that season
        comes near the promised irradiation. Left out takes the season that comes nearest to it.

    Returns
    -------
    translation : Translation

    Raises
    ------
    PromiseNotTranslatable
        If volume, irradiation or a model of the system is missing.
    """
    promise, volume, irradiation = _must_name_sun_and_water(site.guarantee)
    assumptions: list[str] = []
    try:
        new = _new_and_clean(site)
        SiteModel.build(new)
        day = _reference_day(new, irradiation, promise, near, assumptions)
        promised_site, head = _at_promised_head(new, day, promise, assumptions)
    except ChainNotAvailable as missing:
        raise PromiseNotTranslatable(f"nothing can be expected of this system: {missing}") from missing
    sheet, plane = _volume_and_light(promised_site, day, 1.0)
    if not sheet > 0:
        raise PromiseNotTranslatable(f"the described system gives no water at {head:.1f} m on a day of "
                                     f"{irradiation:g} kWh/m2; compare the promise and the sheet.")
    up, down = (_volume_and_light(promised_site, day, 1.0 + sign * _LIGHT_CHANGE)[0] for sign in (1, -1))
    higher, lower = (_volume_and_light(_lifted(promised_site, sign * _HEAD_CHANGE * head), day, 1.0)[0]
                     for sign in (1, -1))
    assumptions += _allowances(site, promise)
    return Translation(
        daily_volume_m3=volume, total_dynamic_head_m=head, daily_irradiation_kwh_m2=irradiation,
        plane_irradiation_kwh_m2=plane, reference_day=day.day, sheet_volume_m3=sheet, promise_ratio=volume / sheet,
        light_elasticity=(up - down) / (2 * _LIGHT_CHANGE * sheet),
        head_elasticity=(higher - lower) / (2 * _HEAD_CHANGE * sheet), assumptions=assumptions)


def _must_name_sun_and_water(promise: Guarantee | None) -> tuple[Guarantee, float, float]:
    if promise is None:
        raise PromiseNotTranslatable("the site file holds no guarantee; write a [guarantee] table.")
    if promise.daily_volume_m3 is None:
        raise PromiseNotTranslatable("the guarantee names no daily_volume; nothing is promised.")
    if promise.daily_irradiation_kwh_m2 is None:
        raise PromiseNotTranslatable("the guarantee names no daily_irradiation: it does not say under which sun the "
                                     "water is promised. The parties must agree on it first.")
    return promise, promise.daily_volume_m3, promise.daily_irradiation_kwh_m2


def _new_and_clean(site: Site) -> Site:
    """Return the site without age and without the season of its well; checks were passed before."""
    changes: dict[str, object] = {"well": site.well.model_copy(update={"static_level_season_m": 0.0})}
    if site.array is not None:
        changes["array"] = site.array.model_copy(update={"ageing_pct_per_year": 0.0})
    return site.model_copy(update=changes)


def _reference_day(site: Site, irradiation_kwh_m2: float, promise: Guarantee, near: date | None,
                   assumptions: list[str]) -> _Day:
    """Find a clear day whose course the promised sun may take, and scale it to the promised irradiation."""
    if site.array is None:
        raise PromiseNotTranslatable("the promise names an irradiation but the system has no array.")
    seen, level = site, promise.irradiation_plane == "horizontal"
    channel = "global_horizontal_irradiance_w_m2" if level else "poa_irradiance_w_m2"
    if level:
        array = site.array.model_copy(update={"tilt_deg": 0.0, "mount": "fixed"})
        seen = site.model_copy(update={"array": array})
    days = [date(near.year if near else site.installed_on.year, month, 15) for month in range(1, 13)]
    index = pd.DatetimeIndex(np.concatenate([_day_index(site, day) for day in days])).tz_localize("UTC")
    clear = expect(seen, pd.DataFrame(index=index), _STEP_S)["clear_sky_poa_w_m2"].fillna(0.0)
    local_month = index.tz_convert(site.timezone) - pd.Timedelta(seconds=_STEP_S / 2)
    by_month = np.bincount(local_month.month - 1, weights=clear.to_numpy(), minlength=12) * _STEP_S / 3.6e6
    chosen = _season(by_month, irradiation_kwh_m2, near)
    course = clear[local_month.month == chosen + 1]
    factor = irradiation_kwh_m2 / float(by_month[chosen])
    assumptions.append(f"The promise names no course of the day; its sun is given that of a clear {days[chosen]} at "
                       f"this site, scaled by {factor:.2f} to {irradiation_kwh_m2:.3g} kWh/m2 "
                       f"({'on level ground' if level else 'in the plane of the array'}).")
    if not _LEAST_SCALE <= factor <= _MOST_SCALE:
        assumptions.append("No clear day of the year comes near that irradiation: the course of the promised day "
                           "should be agreed between the parties.")
    elif near is not None and days[chosen].month != near.month:
        assumptions.append(f"A clear day of the claimed season has {float(by_month[near.month - 1]):.1f} kWh/m2, too "
                           "far from the promised sun; the nearest season that fits was taken.")
    weather = pd.DataFrame({channel: course * factor})
    if promise.air_temperature_c is not None:
        weather["air_temperature_c"] = promise.air_temperature_c
        assumptions.append(f"Air temperature of the promised day {promise.air_temperature_c:g} degC, as promised.")
    else:
        assumptions.append("Air temperature of the promised day as usual in that season; the promise names none.")
    return _Day(days[chosen], weather, channel)


def _season(by_month: np.ndarray, irradiation_kwh_m2: float, near: date | None) -> int:
    """Return the month, from 0, whose clear day is scaled: the claim's own season if its sun fits, else the nearest."""
    if near is not None:
        apart = np.abs(np.arange(12) - (near.month - 1))
        factor = irradiation_kwh_m2 / by_month
        fits = [month for month in np.argsort(np.minimum(apart, 12 - apart), kind="stable")
                if _LEAST_SCALE <= factor[month] <= _MOST_SCALE]
        if fits:
            return int(fits[0])
    return int(np.argmin(np.abs(by_month - irradiation_kwh_m2)))


def _day_index(site: Site, day: date) -> pd.DatetimeIndex:
    start = pd.Timestamp(day, tz=site.timezone)
    first, last = (stamp.tz_convert("UTC").tz_localize(None) for stamp in (start, start + pd.DateOffset(days=1)))
    return pd.date_range(first, last, freq=f"{int(_STEP_S)}s", inclusive="right")


def _at_promised_head(site: Site, day: _Day, promise: Guarantee, assumptions: list[str]) -> tuple[Site, float]:
    """Move the outlet until the promised head stands, drawdown and friction of the day included."""
    own = _head_of_day(site, day, static=False)
    if promise.total_dynamic_head_m is None:
        assumptions.append(f"The promise names no head; the site's own of {own:.1f} m is taken.")
        return site, own
    static = promise.head_is == "static"
    assumptions.append("The promised head is taken as " + (
        "the static lift, water surface to outlet, drawdown and friction being the seller's business." if static else
        "total dynamic head: lift, drawdown, friction and held pressure, weighted by the water of the day."))
    moved, wanted = site, promise.total_dynamic_head_m
    for _ in range(_HEAD_ROUNDS):
        head = _head_of_day(moved, day, static=static)
        if not np.isfinite(head):
            raise PromiseNotTranslatable(f"the described system gives no water at the promised head of {wanted:g} m.")
        if abs(head - wanted) < _HEAD_CLOSE_M:
            break
        moved = _lifted(moved, wanted - head)
    return moved, wanted


def _lifted(site: Site, more_m: float) -> Site:
    pipes = site.pipework.model_copy(update={"outlet_height_m": site.pipework.outlet_height_m + more_m})
    return site.model_copy(update={"pipework": pipes})


def _head_of_day(site: Site, day: _Day, *, static: bool) -> float:
    if static:
        model = SiteModel.build(site)
        return float(site.well.static_water_level_m + delivery_head_m(site, model.side, np.zeros(1), model.health)[0])
    flow = expect(site, day.weather, _STEP_S)["expected_flow_m3_s"].to_numpy(dtype=np.float64)
    return water_weighted_head_m(SiteModel.build(site), flow)


def water_weighted_head_m(model: SiteModel, flow_m3_s: np.ndarray, static_level_m: np.ndarray | None = None) -> float:
    """
    Total dynamic head of some span, weighted by the water lifted through it.

    Parameters
    ----------
    model : SiteModel
        Healthy model of the site.
    flow_m3_s : ndarray, shape (n,)
        Flow in each interval; NaN and 0 weigh nothing. [m3/s]
    static_level_m : ndarray, optional
        Level in the aquifer in each interval; default the sheet's. [m]

    Returns
    -------
    head_m : float
        NaN where no water flowed. [m]
    """
    flow = np.nan_to_num(np.asarray(flow_m3_s, dtype=np.float64))
    running = flow > 0
    if not running.any():
        return float("nan")
    level = None if static_level_m is None else np.asarray(static_level_m, dtype=np.float64)[running]
    used = flow[running]
    head = (model.pumping_level_at_flow(used, level) + model.side.losses.riser.at(used)
            + model.side.losses.suction.at(used) + delivery_head_m(model.site, model.side, used, model.health))
    return float(np.average(head, weights=used))


def _volume_and_light(site: Site, day: _Day, light: float) -> tuple[float, float]:
    weather = day.weather.copy()
    weather[day.channel] = weather[day.channel] * light
    expected = expect(site, weather, _STEP_S)
    return (float(expected["expected_flow_m3_s"].sum() * _STEP_S),
            float(expected["poa_irradiance_w_m2"].sum() * _STEP_S / 3.6e6))


def _allowances(site: Site, promise: Guarantee) -> list[str]:
    if site.array is None:
        return []
    ageing = promise.ageing_allowance_pct_per_year
    rate = site.array.ageing_pct_per_year if ageing is None else ageing
    return [f"Array power may fall by {rate:g} % a year of service"
            + (", the figure of the site file; the promise names none." if ageing is None else ", as promised."),
            f"Loss of light by ordinary dirt allowed: {promise.soiling_allowance_pct:g} %.",
            f"Shortfall the promise itself allows: {promise.volume_tolerance_pct:g} %.",
            "Water not called for because the tank was full is not due."]
