"""One site in one state of health, with every table it is read from."""

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from diagnostics.chain.array import ArrayCurve, ArrayTable, array_curve
from diagnostics.chain.cell_temperature import USUAL_WIND_M_S, faiman_cell_temperature_c
from diagnostics.chain.crossing import CrossingTable, crossing_table
from diagnostics.chain.daylight import fixed_losses
from diagnostics.chain.describable import (
    ChainNotAvailable,
    Remembered,
    pump_end_of,
    refuse_what_has_no_chain,
    water_side_of,
)
from diagnostics.chain.drive import CONDUCTION_SHARE, DriveModel
from diagnostics.chain.operating_point import (
    LoadLine,
    WaterSide,
    delivery_head_m,
    drive_of,
    flow_limit_m3_s,
    least_power_w,
    level_axis,
    load_line,
    motor_of,
    power_table,
    start_power_w,
)
from diagnostics.chain.printed_range import beyond_the_sheet
from diagnostics.chain.pump_end import holds_torque
from diagnostics.chain.supply import Operation, Supply
from diagnostics.chain.table import LevelTable, place_on_axis
from diagnostics.chain.water import STANDARD_GRAVITY_M_S2
from diagnostics.chain.well import static_level_m
from diagnostics.health import HEALTHY, Health
from diagnostics.site import Site

Floats = NDArray[np.float64]


__all__ = ["ChainNotAvailable", "SiteModel"]
_RATED = Remembered()


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
    supply: Supply
    curve: ArrayCurve | None
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
        refuse_what_has_no_chain(site)
        side = water_side_of(site)
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
            array = _array_table(curve, held)
            crossing = _crossing(site, line, curve, health)
        supply = Supply(site, health, drive, aquifer, start_power_w(site, line, drive, motor),
                        least_power_w(side, line, drive), array, crossing)
        model = cls(site, health, side, drive, steady, aquifer, steady_limit, aquifer_limit, supply, curve, np.nan,
                    np.nan, (*side.end.notes, *beyond_the_sheet(side.end, steady, site.well.static_water_level_m)))
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
        level = self._level(static_level_m)
        flow = self.read_flow(power, level, steady=True)
        least = np.maximum(self.supply.least_power_w(level), self.site.drive.stop_power_w or 0.0)
        return np.where(power < least, 0.0, flow) * self.health.meter_ratio

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
            flow = full * np.clip(place.power * self.supply.bus_efficiency() / np.maximum(place.end, 1e-9), 0.0, 1.0)
        else:
            flow = place.read("flow_m3_s")
        limit = self.steady_limit_m3_s if steady else self.aquifer_limit_m3_s
        return np.minimum(flow, self._limit(limit, np.broadcast_to(np.asarray(level_m, dtype=np.float64), flow.shape)))

    @property
    def on_battery(self) -> bool:
        """Tell whether a battery decouples the pump from the sun."""
        return self.supply.on_battery

    @property
    def array(self) -> ArrayTable | None:
        """Tables of the array, None without one."""
        return self.supply.array

    @property
    def crossing(self) -> CrossingTable | None:
        """Crossings of array and load line, None for drives that choose their voltage."""
        return self.supply.crossing

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
        if self.on_battery:
            return table.locate(table.locate(power, level).end, level).read("speed_rpm")
        place = table.locate(power, level)
        speed = place.read("speed_rpm")
        # Before delivery a centrifugal spins against its own shut-off head; a displacement pump barely turns.
        grows = 1.0 if holds_torque(self.side.end) else 1.0 / 3.0
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
        result = np.maximum(np.maximum(start, self.supply.least_power_w(level)), self.site.drive.stop_power_w or 0.0)
        given = np.asarray(0.0 if static_level_m is None else static_level_m)
        return result if given.ndim else result.reshape(())

    # -- electricity -------------------------------------------------------------------------------------------

    def operate(self, effective_w_m2: Floats, cell_temperature_c: Floats, air_temperature_c: Floats,
                level_m: Floats, wind_power_w: Floats | None = None) -> Operation:
        """
        Let the drive take what it can from the source; see `Supply.operate`.

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
        return self.supply.operate(effective_w_m2, cell_temperature_c, air_temperature_c, level_m, wind_power_w)

    def thresholds(self, cell_temperature_c: Floats, level_m: Floats) -> tuple[Floats, Floats]:
        """
        What a standing pump needs to start, and a running one to go on; see `Supply.thresholds`.

        Parameters
        ----------
        cell_temperature_c, level_m : ndarray, shape (n,)
            [degC, m]

        Returns
        -------
        start, stop : ndarray, shape (n,)
            Effective irradiance for direct coupling [W/m2], else power offered to the drive [W].
        """
        return self.supply.thresholds(cell_temperature_c, level_m)

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

    def open_circuit_voltage(self, poa_w_m2: ArrayLike, cell_temperature_c: ArrayLike) -> Floats:
        """
        Array voltage while nothing is taken from it; NaN for a site without an array.

        Parameters
        ----------
        poa_w_m2, cell_temperature_c : array_like, shape (n,)
            [W/m2, degC]

        Returns
        -------
        voltage_v : ndarray, shape (n,)
            [V]
        """
        poa, cell = np.broadcast_arrays(np.asarray(poa_w_m2, dtype=np.float64),
                                        np.asarray(cell_temperature_c, dtype=np.float64))
        if self.array is None or self.site.array is None:
            return np.full(poa.shape, np.nan)
        light = poa * self.health.irradiance_ratio * float(fixed_losses(self.site.array, np.zeros(1))[0])
        return np.asarray(self.array.read(light.ravel(), cell.ravel(), "voltage_oc_v")[0].reshape(poa.shape))

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


@lru_cache(maxsize=32)
def _array_table(curve: ArrayCurve, held_voltage_v: float | None) -> ArrayTable:
    """Tables of one array, kept: most changes of health leave the array as it is."""
    return ArrayTable.build(curve, held_voltage_v)


def _healthy_rating(site: Site) -> tuple[float, float]:
    model = SiteModel.build(site, HEALTHY)
    return model.rated_flow_m3_s, model.rated_array_power_w


def _crossing(site: Site, line: LoadLine, curve: ArrayCurve, health: Health) -> CrossingTable | None:
    if site.drive.kind not in ("direct", "current_booster", "voltage_booster") or np.isnan(line.torque_n_m).any():
        return None
    if site.drive.kind == "voltage_booster" and site.drive.held_voltage_v is None:
        return None     # one that tracks steps down as well: in weak sun it gives current for voltage
    loss = 0.0 if site.drive.kind == "direct" else CONDUCTION_SHARE * (1.0 - site.drive.rated_efficiency)
    return crossing_table(line, curve, motor_of(site, health), site.pump.breakaway_torque_ratio,
                          holds_torque=holds_torque(pump_end_of(site)), drive_loss=loss)
