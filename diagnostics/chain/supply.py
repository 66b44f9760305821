"""The electrical half of a site: what the drive takes from array, turbine or battery at each row."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diagnostics.chain.array import ArrayTable
from diagnostics.chain.crossing import CrossingTable
from diagnostics.chain.drive import TRACKING_SHARE, DriveModel, derated_share
from diagnostics.chain.power_source import (
    CHARGER_EFFICIENCY,
    USABLE_CAPACITY,
    mean_power_from_store_w,
    power_past_battery_w,
)
from diagnostics.chain.table import LevelTable, place_on_axis
from diagnostics.health import Health
from diagnostics.site import Site

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Operation:
    """
    What the drive takes and gives at each row, at a given aquifer level.

    `from_store_w` is the power that reaches the pump through a battery, told as array power; None without one.
    """

    power_available_w: Floats
    power_taken_w: Floats
    array_voltage_v: Floats
    is_capped: NDArray[np.bool_]
    from_store_w: Floats | None = None

    @property
    def pumping_power_w(self) -> Floats:
        """Power behind the pumping of each row. [W]"""
        return self.power_taken_w if self.from_store_w is None else self.from_store_w


@dataclass(frozen=True)
class Supply:
    """Array, turbine or battery with the drive's limits; `aquifer` is the pump's demand over power and level."""

    site: Site
    health: Health
    drive: DriveModel
    aquifer: LevelTable
    start_by_level_w: Floats
    least_by_level_w: Floats
    array: ArrayTable | None
    crossing: CrossingTable | None

    @property
    def on_battery(self) -> bool:
        """Tell whether a battery decouples the pump from the sun."""
        return self.site.drive.kind == "battery_bus"

    def bus_efficiency(self) -> float:
        """Share of array power that comes back out of charger and battery; 1 without a battery. [1]"""
        battery = self.site.battery
        return CHARGER_EFFICIENCY * battery.charge_efficiency if self.on_battery and battery is not None else 1.0

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
        if self.array is None and self.on_battery:
            return Operation(wind, wind, np.full(wind.shape, np.nan), np.zeros(wind.shape, dtype=np.bool_))
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
        if self.on_battery:
            return Operation(best + wind, offered, voltage, np.zeros(best.shape, dtype=np.bool_))
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

    def through_store(self, operation: Operation, level_m: Floats, interval_s: Floats,
                      allowed: NDArray[np.bool_]) -> Operation:
        """
        Let a battery even out what was offered: it feeds the pump as long as it holds, and spills when full.

        Parameters
        ----------
        operation : Operation
            As offered, in order of time, nights included.
        level_m, interval_s : ndarray, shape (n,)
            [m, s]
        allowed : ndarray of bool, shape (n,)
            False where a timer holds the pump. [1]

        Returns
        -------
        operation : Operation
            With `from_store_w`, and `power_taken_w` less what was spilled.
        """
        battery = self.site.battery
        if battery is None:
            return operation
        efficiency = self.bus_efficiency()
        wanted = np.where(allowed, self.aquifer.locate(0.0, level_m).end, 0.0)
        usable = USABLE_CAPACITY[battery.chemistry] * battery.capacity_ah * battery.nominal_voltage_v * 3600.0
        bus = operation.power_taken_w * CHARGER_EFFICIENCY
        come = power_past_battery_w(bus, wanted, interval_s, usable, battery.charge_efficiency)
        out, kept = mean_power_from_store_w(come, wanted, interval_s, usable)
        unknown = np.isnan(operation.power_taken_w)
        with np.errstate(invalid="ignore", divide="ignore"):
            taken = np.where(come > 0.0, operation.power_taken_w * kept / come, 0.0)
        return replace(operation, power_taken_w=np.where(unknown, np.nan, taken),
                       from_store_w=np.where(unknown, np.nan, out / efficiency))

    def _cap(self, end_w: Floats, air_temperature_c: Floats) -> Floats:
        end_w = np.minimum(end_w, self.drive.input_power_max_w)
        if self.site.drive.derating_start_temperature_c is None:
            return end_w
        limit = self.drive.output_power_max_w
        full = float(self.drive.input_power_w(np.array([limit]))[0]) if np.isfinite(limit) else end_w
        return np.minimum(end_w, full * derated_share(self.site.drive, air_temperature_c))

    def _cross(self, light: Floats, temperature: Floats, level: Floats, best: Floats) -> Operation:
        if self.crossing is None:
            raise ValueError(f"site {self.site.id} couples directly but its pump has no load line.")
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
        least = np.maximum(self.least_power_w(level_m), self.site.drive.stop_power_w or 0.0)
        return (np.maximum(start, np.maximum(least, self.site.drive.start_power_w or 0.0)), np.maximum(stop, least))

    def locked_out(self, operation: Operation, effective_w_m2: Floats,
                   cell_temperature_c: Floats) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """
        Tell where too high an array voltage keeps a standing drive from starting, and stops a running one.

        Parameters
        ----------
        operation : Operation
            Of the running pump.
        effective_w_m2, cell_temperature_c : ndarray, shape (n,)
            [W/m2, degC]

        Returns
        -------
        cannot_start, stops : ndarray of bool, shape (n,)
            A standing drive sees the open circuit. [1]
        """
        limit = self.site.drive.overvoltage_lockout_v
        if limit is None or self.array is None:
            none = np.zeros(effective_w_m2.shape, dtype=np.bool_)
            return none, none
        open_circuit, = self.array.read(effective_w_m2, cell_temperature_c, "voltage_oc_v")
        return np.asarray(open_circuit > limit), np.asarray(operation.array_voltage_v > limit)

    def least_power_w(self, level_m: Floats) -> Floats:
        """
        Power below which the drive would turn slower than it can.

        Parameters
        ----------
        level_m : ndarray, shape (n,)
            In the aquifer, what health adds included. [m]

        Returns
        -------
        power_w : ndarray, shape (n,)
            Zero where it has no lowest speed. [W]
        """
        i, share = place_on_axis(level_m, self.aquifer.level_first, self.aquifer.level_last,
                                 self.least_by_level_w.size)
        least = self.least_by_level_w
        return np.asarray(least[i] + share * (least[i + 1] - least[i]), dtype=np.float64)
