"""One site in one state of health, with every table it is read from."""

from dataclasses import dataclass, replace
from typing import Any, Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from diagnostics.chain.array import ArrayCurve, ArrayTable, array_curve
from diagnostics.chain.cell_temperature import USUAL_WIND_M_S, faiman_cell_temperature_c
from diagnostics.chain.crossing import CrossingTable, crossing_table
from diagnostics.chain.daylight import fixed_losses
from diagnostics.chain.drive import TRACKING_SHARE, DriveModel, derated_share
from diagnostics.chain.operating_point import (
    LoadLine,
    WaterSide,
    delivery_head_m,
    drive_of,
    flow_limit_m3_s,
    level_axis,
    load_line,
    motor_of,
    power_table,
    start_power_w,
    water_side,
)
from diagnostics.chain.power_source import CHARGER_EFFICIENCY
from diagnostics.chain.pump_end import DisplacementEnd, PowerTableEnd
from diagnostics.chain.table import LevelTable, place_on_axis
from diagnostics.chain.water import STANDARD_GRAVITY_M_S2
from diagnostics.chain.well import static_level_m
from diagnostics.health import HEALTHY, Health
from diagnostics.site import Site

Floats = NDArray[np.float64]

_REMEMBERED = 128
# A booster that passes the array straight through no longer switches: about half of its rated loss stays.
_CONDUCTION_SHARE = 0.5


class ChainNotAvailable(NotImplementedError):  # noqa: N818 - it is a state of the description, not a mistake
    """The site's family, drive or source has no model, so nothing can be expected of it."""


class _Remembered:
    """Last results of a function of a frozen site, kept by identity: descriptions never change in place."""

    def __init__(self) -> None:
        self._kept: dict[int, tuple[Site, Any]] = {}

    def of(self, site: Site, make: Any) -> Any:
        found = self._kept.get(id(site))
        if found is not None and found[0] is site:
            return found[1]
        made = make(site)
        while len(self._kept) >= _REMEMBERED:
            self._kept.pop(next(iter(self._kept)))
        self._kept[id(site)] = (site, made)
        return made


_WATER_SIDES = _Remembered()
_RATED = _Remembered()


@dataclass(frozen=True)
class Operation:
    """What the drive takes and gives at each row, at a given aquifer level."""

    power_available_w: Floats
    power_taken_w: Floats
    array_voltage_v: Floats
    is_capped: NDArray[np.bool_]


@dataclass(frozen=True)
class SiteModel:
    """
    Tables of one (site, health). Build with `SiteModel.build`; read with the methods, all vectorised.

    `steady` holds the well's whole drawdown for the flow; `aquifer` leaves the linear part to be lagged by the caller.
    Static levels passed in are those of the sheet: `health.extra_static_level_m` is added here.
    """

    site: Site
    health: Health
    side: WaterSide
    drive: DriveModel
    steady: LevelTable
    aquifer: LevelTable
    steady_limit_m3_s: Floats
    aquifer_limit_m3_s: Floats
    start_by_level_w: Floats
    array: ArrayTable | None
    curve: ArrayCurve | None
    crossing: CrossingTable | None
    rated_flow_m3_s: float
    rated_array_power_w: float
    notes: tuple[str, ...]

    @classmethod
    def build(cls, site: Site, health: Health = HEALTHY) -> Self:
        """
        Work out all tables of a site in a state of health.

        Parameters
        ----------
        site : Site
        health : Health, default healthy

        Returns
        -------
        model : SiteModel

        Raises
        ------
        ChainNotAvailable
            If the family, drive or power source has no model.
        """
        _refuse_what_has_no_model(site)
        side: WaterSide = _WATER_SIDES.of(site, water_side)
        motor, drive = motor_of(site, health), drive_of(site, health)
        levels = level_axis(site, side, health)
        line = load_line(site, side, drive, motor, levels, health, steady=False)
        aquifer, aquifer_limit = power_table(line, drive), flow_limit_m3_s(site, side, line)
        steady, steady_limit = aquifer, aquifer_limit
        if site.well.drawdown_linear_s_m2 > 0.0:
            with_aquifer = load_line(site, side, drive, motor, levels, health, steady=True)
            steady, steady_limit = power_table(with_aquifer, drive), flow_limit_m3_s(site, side, with_aquifer)
        array = curve = crossing = None
        if site.array is not None:
            curve = array_curve(site.array, health)
            held = site.drive.held_voltage_v if site.drive.kind in ("current_booster", "voltage_booster") else None
            array = ArrayTable.build(curve, held)
            crossing = _crossing(site, line, curve, health)
        model = cls(site, health, side, drive, steady, aquifer, steady_limit, aquifer_limit,
                    start_power_w(site, line, drive, motor), array, curve, crossing, np.nan, np.nan, side.end.notes)
        flow, power = model._rated() if health == HEALTHY else _RATED.of(site, _healthy_rating)
        return replace(model, rated_flow_m3_s=flow, rated_array_power_w=power)

    def _rated(self) -> tuple[float, float]:
        level = np.array([self.site.well.static_water_level_m])
        if self.array is None or self.site.array is None:
            power = self.steady.locate(0.0, level).end
        else:
            cell = faiman_cell_temperature_c(1000.0, 25.0, USUAL_WIND_M_S, self.site.array.heat_loss_constant_w_m2_k,
                                             self.site.array.heat_loss_wind_w_s_m3_k)
            light = 1000.0 * fixed_losses(self.site.array, np.zeros(1))
            power = self.operate(light, np.array([float(cell)]), np.array([25.0]), level).power_taken_w
        return float(self.flow_at_power(power, level)[0]), float(power[0])

    # -- levels ------------------------------------------------------------------------------------------------

    def static_level(self, when_utc: pd.DatetimeIndex) -> Floats:
        """
        Static level of the sheet with its season, without what health adds.

        Parameters
        ----------
        when_utc : DatetimeIndex, shape (n,)
            [UTC]

        Returns
        -------
        level_m : ndarray, shape (n,)
            Below ground. [m]
        """
        return static_level_m(self.site.well, when_utc)

    def _level(self, static_level_m: ArrayLike | None) -> Floats:
        sheet = self.site.well.static_water_level_m if static_level_m is None else static_level_m
        return np.asarray(np.asarray(sheet, dtype=np.float64) + self.health.extra_static_level_m)

    def _limit(self, limit: Floats, level: Floats) -> Floats:
        if not np.isfinite(limit).any():
            return np.full(level.shape, np.inf)
        bounded = np.minimum(limit, 10.0 * self.side.flow_top_m3_s)
        i, share = place_on_axis(level, self.steady.level_first, self.steady.level_last, limit.size)
        return np.asarray(bounded[i] + share * (bounded[i + 1] - bounded[i]))

    # -- water against power -----------------------------------------------------------------------------------

    def flow_at_power(self, array_power_w: ArrayLike, static_level_m: ArrayLike | None = None) -> Floats:
        """
        Steady metered flow at a power into the drive.

        Parameters
        ----------
        array_power_w : array_like, shape (n,)
            DC power into the drive. [W]
        static_level_m : array_like, optional
            Of the sheet's kind; default the sheet's own. [m]

        Returns
        -------
        flow_m3_s : ndarray, shape (n,)
            [m3/s]
        """
        power = np.asarray(array_power_w, dtype=np.float64)
        flow = self.read_flow(power, self._level(static_level_m), steady=True)
        stop = self.site.drive.stop_power_w
        if stop is not None:
            flow = np.where(power < stop, 0.0, flow)
        return flow * self.health.meter_ratio

    def read_flow(self, array_power_w: ArrayLike, level_m: ArrayLike, *, steady: bool) -> Floats:
        """
        True flow at a power into the drive and a level in the aquifer, health's own level included.

        On a battery bus the pump runs at the bus's own operating point for as long as the energy lasts: the mean flow
        follows the mean power.

        Parameters
        ----------
        array_power_w, level_m : array_like, broadcastable
            [W, m]
        steady : bool
            True adds the aquifer's drawdown for the flow. [1]

        Returns
        -------
        flow_m3_s : ndarray
            Before the meter. [m3/s]
        """
        table = self.steady if steady else self.aquifer
        place = table.locate(array_power_w, level_m)
        if self.on_battery:
            full = table.locate(place.end, level_m).read("flow_m3_s")
            flow = full * np.clip(place.power * self._bus_efficiency() / np.maximum(place.end, 1e-9), 0.0, 1.0)
        else:
            flow = place.read("flow_m3_s")
        limit = self.steady_limit_m3_s if steady else self.aquifer_limit_m3_s
        return np.minimum(flow, self._limit(limit, np.broadcast_to(np.asarray(level_m, dtype=np.float64), flow.shape)))

    @property
    def on_battery(self) -> bool:
        """Tell whether a battery decouples the pump from the sun."""
        return self.site.drive.kind == "battery_bus"

    def _bus_efficiency(self) -> float:
        battery = self.site.battery
        return CHARGER_EFFICIENCY * battery.charge_efficiency if battery is not None else 1.0

    def water_per_energy_m3_j(self, static_level_m: ArrayLike | None = None) -> Floats:
        """
        Water delivered per energy into the drive while the pump runs at the end of its table.

        For a system on a battery this, not flow against sun, is what a sound system keeps.

        Parameters
        ----------
        static_level_m : array_like, optional
            [m]

        Returns
        -------
        water_per_energy_m3_j : ndarray
            [m3/J]
        """
        level = self._level(static_level_m)
        end = self.steady.locate(0.0, level).end
        flow = self.steady.locate(end, level).read("flow_m3_s")
        return np.asarray(np.where(end > 0, flow / np.maximum(end, 1e-9), 0.0) * self.health.meter_ratio)

    def speed_at_power(self, array_power_w: ArrayLike, static_level_m: ArrayLike | None = None) -> Floats:
        """
        Steady shaft speed at a power into the drive; NaN where the pump's description knows no speed.

        Parameters
        ----------
        array_power_w : array_like, shape (n,)
            [W]
        static_level_m : array_like, optional
            [m]

        Returns
        -------
        speed_rpm : ndarray, shape (n,)
            [rpm]
        """
        return self._speed(self.steady, np.asarray(array_power_w, dtype=np.float64), self._level(static_level_m))

    def _speed(self, table: LevelTable, power: Floats, level: Floats) -> Floats:
        place = table.locate(power, level)
        speed = place.read("speed_rpm")
        # Before delivery a centrifugal spins against its own shut-off head; a displacement pump barely turns.
        grows = 1.0 if isinstance(self.side.end, DisplacementEnd) else 1.0 / 3.0
        with np.errstate(invalid="ignore", divide="ignore"):
            idle = speed * np.clip(place.power / place.start, 0.0, 1.0) ** grows
        return np.where(place.power < place.start, idle, speed)

    def pumping_level_at_flow(self, flow_m3_s: ArrayLike, static_level_m: ArrayLike | None = None) -> Floats:
        """
        Steady pumping level for a delivered (true) flow.

        Parameters
        ----------
        flow_m3_s : array_like, shape (n,)
            [m3/s]
        static_level_m : array_like, optional
            [m]

        Returns
        -------
        level_m : ndarray, shape (n,)
            Below ground. [m]
        """
        flow, well = np.asarray(flow_m3_s, dtype=np.float64), self.site.well
        loss = well.drawdown_linear_s_m2 * flow + well.drawdown_quadratic_s2_m5 * flow**2
        return self._level(static_level_m) + self.health.well_loss_ratio * loss

    def outlet_pressure_at_flow(self, flow_m3_s: ArrayLike) -> Floats:
        """
        Gauge pressure at the wellhead (ground level, before the delivery line) for a delivered flow.

        Parameters
        ----------
        flow_m3_s : array_like, shape (n,)
            [m3/s]

        Returns
        -------
        pressure_pa : ndarray, shape (n,)
            [Pa]
        """
        head = delivery_head_m(self.site, self.side, np.asarray(flow_m3_s, dtype=np.float64), self.health)
        return head * (self.side.density_kg_m3 * STANDARD_GRAVITY_M_S2)

    def threshold_power_w(self, static_level_m: ArrayLike | None = None) -> Floats:
        """
        Least power into the drive that delivers water once the pump turns.

        Parameters
        ----------
        static_level_m : array_like, optional
            [m]

        Returns
        -------
        power_w : ndarray
            [W]
        """
        level = np.atleast_1d(self._level(static_level_m))
        start = self.steady.locate(0.0, level).start
        result = np.maximum(start, self.site.drive.stop_power_w or 0.0)
        given = np.asarray(0.0 if static_level_m is None else static_level_m)
        return result if given.ndim else result.reshape(())

    # -- electricity -------------------------------------------------------------------------------------------

    def operate(self, effective_w_m2: Floats, cell_temperature_c: Floats, air_temperature_c: Floats,
                level_m: Floats, wind_power_w: Floats | None = None) -> Operation:
        """
        Let the drive take what it can from the source.

        Parameters
        ----------
        effective_w_m2 : ndarray, shape (n,)
            Light that counts, soiling included. [W/m2]
        cell_temperature_c, air_temperature_c : ndarray, shape (n,)
            [degC]
        level_m : ndarray, shape (n,)
            In the aquifer, what health adds included. [m]
        wind_power_w : ndarray, shape (n,), optional
            On the rectifier bus, where there is a turbine. [W]

        Returns
        -------
        operation : Operation
        """
        wind = np.zeros_like(level_m, dtype=np.float64) if wind_power_w is None else wind_power_w
        if self.array is None:
            cap = self._cap(self.aquifer.locate(wind, level_m).end, air_temperature_c)
            nothing = np.full(wind.shape, np.nan)
            return Operation(wind, np.minimum(wind, cap), nothing, np.asarray(wind > cap))
        best, voltage_mp, voltage_oc = self.array.read(effective_w_m2, cell_temperature_c, "power_mp_w",
                                                       "voltage_mp_v", "voltage_oc_v")
        if self.site.drive.kind == "direct":
            return self._cross(effective_w_m2, cell_temperature_c, level_m, best)
        held = "power_held_w" in self.array.grid.columns
        if held:
            offered = self.array.read(effective_w_m2, cell_temperature_c, "power_held_w")[0]
            voltage = np.full_like(best, self.site.drive.held_voltage_v or np.nan)
        else:
            offered, voltage = best * TRACKING_SHARE, voltage_mp
        offered = offered * self.health.tracking_ratio + wind
        place = self.aquifer.locate(offered, level_m)
        cap = self._cap(place.end, air_temperature_c)
        taken, capped = np.minimum(offered, cap), offered > cap
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = np.where(best > 0, np.maximum(taken - wind, 0.0) / best, 1.0)
        backed = self.array.voltage_when_backed_off(ratio, voltage_mp, voltage_oc)
        voltage = np.where(capped | (self.health.tracking_ratio < 1.0), backed, voltage)
        if self.crossing is not None:
            motor_voltage = place.read("motor_voltage_v")
            through = motor_voltage > voltage if self.site.drive.kind == "current_booster" else motor_voltage < voltage
            if through.any():
                crossed, crossed_v = self.crossing.read(effective_w_m2[through], cell_temperature_c[through],
                                                        level_m[through])
                taken[through] = np.minimum(crossed, cap[through])
                voltage[through] = crossed_v
                capped = capped & ~through
        return Operation(best + wind, taken, voltage, np.asarray(capped))

    def _cap(self, end_w: Floats, air_temperature_c: Floats) -> Floats:
        end_w = np.minimum(end_w, self.drive.input_power_max_w)
        if self.on_battery:
            end_w = end_w / self._bus_efficiency()
        if self.site.drive.derating_start_temperature_c is None:
            return end_w
        limit = self.drive.output_power_max_w
        full = float(self.drive.input_power_w(np.array([limit]))[0]) if np.isfinite(limit) else end_w
        return np.minimum(end_w, full * derated_share(self.site.drive, air_temperature_c))

    def _cross(self, light: Floats, temperature: Floats, level: Floats, best: Floats) -> Operation:
        if self.crossing is None:
            raise ChainNotAvailable(f"site {self.site.id} couples directly but its pump has no load line.")
        power, voltage = self.crossing.read(light, temperature, level)
        return Operation(best, power, voltage, np.zeros(best.shape, dtype=np.bool_))

    def thresholds(self, cell_temperature_c: Floats, level_m: Floats) -> tuple[Floats, Floats]:
        """
        What a standing pump needs to start, and a running one to go on.

        Parameters
        ----------
        cell_temperature_c, level_m : ndarray, shape (n,)
            [degC, m]

        Returns
        -------
        start, stop : ndarray, shape (n,)
            Effective irradiance for direct coupling [W/m2], else power offered to the drive [W].
        """
        if self.on_battery:
            return np.zeros_like(level_m), np.zeros_like(level_m)
        if self.site.drive.kind == "direct" and self.crossing is not None:
            return self.crossing.thresholds(cell_temperature_c, level_m)
        i, share = place_on_axis(level_m, self.aquifer.level_first, self.aquifer.level_last,
                                 self.start_by_level_w.size)
        start = self.start_by_level_w[i] + share * (self.start_by_level_w[i + 1] - self.start_by_level_w[i])
        stop = self.aquifer.start[i] + share * (self.aquifer.start[i + 1] - self.aquifer.start[i])
        settings = self.site.drive
        return (np.maximum(start, max(settings.start_power_w or 0.0, settings.stop_power_w or 0.0)),
                np.maximum(stop, settings.stop_power_w or 0.0))

    def array_voltage(self, poa_w_m2: ArrayLike, cell_temperature_c: ArrayLike) -> Floats:
        """
        Array voltage at the drive's operating point, at the sheet's static level.

        Parameters
        ----------
        poa_w_m2, cell_temperature_c : array_like, shape (n,)
            Plane irradiance, and temperature of the cells. [W/m2, degC]

        Returns
        -------
        voltage_v : ndarray, shape (n,)
            At the drive's terminals. [V]
        """
        shape = np.broadcast(np.asarray(poa_w_m2), np.asarray(cell_temperature_c)).shape
        return self._at_terminals(poa_w_m2, cell_temperature_c).array_voltage_v.reshape(shape)

    def array_current(self, poa_w_m2: ArrayLike, cell_temperature_c: ArrayLike) -> Floats:
        """
        Array current at the drive's operating point, at the sheet's static level.

        Parameters
        ----------
        poa_w_m2, cell_temperature_c : array_like, shape (n,)
            [W/m2, degC]

        Returns
        -------
        current_a : ndarray, shape (n,)
            [A]
        """
        point = self._at_terminals(poa_w_m2, cell_temperature_c)
        with np.errstate(invalid="ignore", divide="ignore"):
            current = np.where(point.array_voltage_v > 0, point.power_taken_w / point.array_voltage_v, 0.0)
        return current.reshape(np.broadcast(np.asarray(poa_w_m2), np.asarray(cell_temperature_c)).shape)

    def _at_terminals(self, poa_w_m2: ArrayLike, cell_temperature_c: ArrayLike) -> Operation:
        poa, cell = np.broadcast_arrays(np.asarray(poa_w_m2, dtype=np.float64),
                                        np.asarray(cell_temperature_c, dtype=np.float64))
        kept = float(fixed_losses(self.site.array, np.zeros(1))[0]) if self.site.array is not None else 1.0
        light = poa * self.health.irradiance_ratio * kept
        level = np.broadcast_to(self._level(None), poa.shape)
        return self.operate(np.atleast_1d(light), np.atleast_1d(cell), np.full(np.atleast_1d(poa).shape, 25.0),
                            np.atleast_1d(level))


def _healthy_rating(site: Site) -> tuple[float, float]:
    model = SiteModel.build(site, HEALTHY)
    return model.rated_flow_m3_s, model.rated_array_power_w


def _crossing(site: Site, line: LoadLine, curve: ArrayCurve, health: Health) -> CrossingTable | None:
    if site.drive.kind not in ("direct", "current_booster", "voltage_booster") or np.isnan(line.torque_n_m).any():
        return None
    loss = 0.0 if site.drive.kind == "direct" else _CONDUCTION_SHARE * (1.0 - site.drive.rated_efficiency)
    return crossing_table(line, curve, motor_of(site, health), site.pump.breakaway_torque_ratio,
                          holds_torque=isinstance(line_end(site), DisplacementEnd), drive_loss=loss)


def line_end(site: Site) -> object:
    """
    Pump end of a site, remembered.

    Parameters
    ----------
    site : Site

    Returns
    -------
    end : PumpEnd
    """
    side: WaterSide = _WATER_SIDES.of(site, water_side)
    return side.end


def _refuse_what_has_no_model(site: Site) -> None:
    absent = site.lacks("array", "drive", "pump", "well", "pipework")
    if absent:
        raise ChainNotAvailable(f"Site {site.id} has no {' and no '.join(absent)}: it measures, it does not pump.")
    if site.array is None and site.wind is None:
        raise ChainNotAvailable(f"Site {site.id} has neither array nor wind turbine: its battery is filled by a source "
                                "that is not described, so nothing can be expected of it.")
    if site.drive.kind == "direct" and site.array is None:
        raise ChainNotAvailable("A pump coupled straight to a wind turbine has no model: the turbine's voltage against "
                                "speed is not described.")
    if site.drive.kind == "direct" and isinstance(line_end(site), PowerTableEnd):
        raise ChainNotAvailable("A directly coupled pump needs its curve or displacement: a table of flow against "
                                "input power does not tell at which voltage it runs.")
