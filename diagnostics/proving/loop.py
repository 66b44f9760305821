"""
The plants run through time: arrays over plants, one Python step per time step.

At each step the water asked for is laid on a grid (rows: standstill to beyond full flow); head, speed, power, voltage
and current follow along it, and the operating point is where the source gives what the motor takes. Tanks, floats,
wells, timers, prime and batteries carry their state from step to step.
"""

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
from numpy.typing import NDArray

from diagnostics.proving.cells import Bank, Group, StringModel, current_at, maximum_power, open_circuit, two_group_power
from diagnostics.proving.ground import draw_pattern, tank_table
from diagnostics.proving.machines import DisplacementBank, JetBank, RotodynamicBank, motor_constants
from diagnostics.proving.planting import CONDITIONS
from diagnostics.proving.truth import (
    RESERVOIR_S,
    TruePlant,
    pipe_head_m,
    riser_volume_m3,
    suction_head_m,
    viscosity_ratio,
)
from diagnostics.site import SURFACE

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
DEAD_ROWS = np.array([0.3, 0.55, 0.78, 0.92])
FLOW_ROWS = np.array([0.0, .012, .03, .06, .10, .15, .21, .28, .36, .45, .54, .63, .72, .81, .90, 1.0])
ROWS = DEAD_ROWS.size + FLOW_ROWS.size
RECORDED = ("flow", "leak", "pumped", "array_v", "array_i", "motor_v", "motor_i", "speed", "level", "tank", "full",
            "low_water", "pressure", "suction", "battery_v", "battery_i", "draw", "run", "capped", "source_w", "off")


@dataclass(slots=True)
class Column:
    """One plant in the batch: its truth, its conditions by hour, whether its tank is asked."""

    plant: TruePlant
    source: int                     # which sky it stands under
    courses: dict[str, Floats]
    always_calling: bool


class Batch:
    """Many plants stepped together."""

    def __init__(self, columns: list[Column], rng: np.random.Generator) -> None:
        order = {"rotodynamic": 0, "jet": 1, "displacement": 2}
        self.place = sorted(range(len(columns)), key=lambda i: order[columns[i].plant.machine.kind])
        self.columns = [columns[i] for i in self.place]
        self.rng = rng
        self.n = n = len(self.columns)
        plants = [c.plant for c in self.columns]
        kinds = [p.machine.kind for p in plants]
        self.roto = slice(0, sum(k != "displacement" for k in kinds))
        self.jets = slice(sum(k == "rotodynamic" for k in kinds), self.roto.stop)
        self.pd = slice(self.roto.stop, n)
        self.source = np.array([c.source for c in self.columns])
        self.p = self._gather(plants)
        self.rotors = RotodynamicBank([p.machine for p in plants[self.roto]])
        self.jet_bank = JetBank([p.machine for p in plants[self.jets]])
        self.displacers = DisplacementBank([p.machine for p in plants[self.pd]],
                                           np.array([viscosity_ratio(p) for p in plants[self.pd]]))
        self.bank = self._bank(plants)
        self.well = {name: np.full(n, value) for name, value in CONDITIONS.items()}
        self._lay_grid(plants)
        self._start_states(plants)

    @staticmethod
    def _bank(plants: list[TruePlant]) -> Bank:
        nothing = StringModel(1e-9, 1e-12, 1.0, 0.0, 1e6, 0.0, 1, 0.0)
        return Bank.of([p.string or nothing for p in plants])

    def _gather(self, plants: list[TruePlant]) -> SimpleNamespace:
        def values(pick: object) -> Floats:
            return np.array([pick(p) for p in plants], dtype=np.float64)  # type: ignore[operator]

        constants = [motor_constants(p.machine) for p in plants]
        drive = [p.site.drive for p in plants]
        booster = [d.kind == "current_booster" or (d.kind == "voltage_booster" and d.held_voltage_v is not None)
                   for d in drive]
        s = SimpleNamespace()
        s.omega = np.array([c.omega_rated for c in constants])
        s.torque = np.array([c.torque_n_m_a for c in constants])
        s.winding = np.array([c.winding_ohm for c in constants])
        s.still = np.array([c.still_n_m for c in constants])
        s.windage = np.array([c.windage_n_m for c in constants])
        s.rated_a = np.array([c.rated_current_a for c in constants])
        s.rated_w = values(lambda p: p.machine.motor_power_w)
        s.speed_rpm = values(lambda p: p.machine.speed_rpm)
        s.rated_flow = values(lambda p: p.machine.flow_m3_s)
        s.rated_head = values(lambda p: p.machine.head_m)
        s.stick = 1.0 + values(lambda p: p.machine.stick_share if p.machine.kind == "displacement" else 0.05)
        loss = np.array([1 / p.drive_efficiency - 1 if d.kind != "direct" else 0.0
                         for p, d in zip(plants, drive, strict=True)])
        s.drive0 = 0.12 * loss * s.rated_w + np.array([p.standby_w if d.kind != "direct" else 0.0
                                                       for p, d in zip(plants, drive, strict=True)])
        s.drive1, s.drive2 = 1 + 0.48 * loss, 0.40 * loss / s.rated_w
        s.standby = np.array([p.standby_w if d.kind != "direct" else 0.0 for p, d in zip(plants, drive, strict=True)])
        s.tracking = values(lambda p: p.tracking)
        s.bus = np.array([d.kind == "battery_bus" for d in drive])
        s.held = np.array([d.kind == "direct" or b for d, b in zip(drive, booster, strict=True)]) & ~s.bus
        s.held_v = np.array([(d.held_voltage_v or 0.0) if b else 0.0 for d, b in zip(drive, booster, strict=True)])
        s.buck = np.array([d.kind in ("direct", "current_booster") for d in drive])
        s.through = np.array([1.0 if d.kind == "direct" else 0.97 for d in drive])
        s.direct = np.array([d.kind == "direct" for d in drive])
        s.max_w = np.array([(d.max_output_power_w or 1e9) for d in drive]) * s.drive1 + s.drive0
        s.max_w = np.where(s.max_w > 1e8, 1.25 * s.rated_w * s.drive1, s.max_w)
        s.max_v = np.array([(d.max_output_voltage_v or 1e9) for d in drive])
        top = [d.max_speed_rpm or p.site.pump.rated_speed_rpm * (
            d.max_frequency_hz / d.rated_frequency_hz if d.max_frequency_hz else 1.12)
            for p, d in zip(plants, drive, strict=True)]
        s.max_x = np.where(s.direct, 1.6, np.array(top) / s.speed_rpm)
        s.min_x = np.array([(d.min_frequency_hz or 0.0) / d.rated_frequency_hz for d in drive])
        s.start_w, s.stop_w = values(lambda p: p.start_w), values(lambda p: p.stop_w)
        s.restart = values(lambda p: p.restart_s)
        s.low_restart = values(lambda p: p.low_water_restart_s)
        s.has_probe = np.array([d.has_low_water_stop for d in drive])
        s.has_float = np.array([d.has_float_input for d in drive])
        s.derate_at = np.array([d.derating_start_temperature_c if d.derating_start_temperature_c is not None else 99.0
                                for d in drive])
        s.derate = np.array([d.derating_per_k for d in drive])
        well = [p.site.well for p in plants]
        s.static = values(lambda p: p.static_level_m)
        s.season, s.deepest = values(lambda p: p.season_m), values(lambda p: p.deepest_day)
        s.aquifer = np.array([p.aquifer_s_m2 for p in plants]).T
        s.turbulent = values(lambda p: p.turbulent_loss)
        s.casing = values(lambda p: p.casing_m2)
        s.open = np.array([w.kind == "open" for w in well])
        s.surface = np.array([p.site.pump.family in SURFACE for p in plants])
        s.intake = np.array([w.pump_setting_depth_m if w.pump_setting_depth_m is not None else 900.0 for w in well])
        s.probe = np.array([w.low_water_probe_depth_m or ((d.has_low_water_stop and w.pump_setting_depth_m) or 900.0)
                            for w, d in zip(well, drive, strict=True)])
        pipe = [p.site.pipework for p in plants]
        s.outlet = np.array([w.outlet_height_m for w in pipe]) + np.array([w.outlet_pressure_pa for w in pipe]) / 9787.0
        s.outlet_height = np.array([w.outlet_height_m for w in pipe])
        s.pump_height = np.array([w.pump_height_m for w in pipe])
        s.air_head = 10.33 * np.exp(-values(lambda p: p.site.altitude_m) / 8430.0)
        water_c = values(lambda p: p.site.well.water_temperature_c)
        s.vapour = 0.0623 * np.exp(17.62 * water_c / (243.12 + water_c))
        s.need = values(lambda p: p.machine.suction_need_m)
        s.hole = np.where(s.surface, 1.0, 0.6 * np.minimum(s.static, s.intake))
        s.riser = values(riser_volume_m3)
        s.seep = values(lambda p: p.seep_m3_s)
        s.relief = np.array([(p.site.pump.relief_pressure_pa or 1e9) / 9787.0 for p in plants])
        s.demand = values(lambda p: np.nan if p.demand_m3_day is None else p.demand_m3_day)
        s.pattern = np.array([draw_pattern(p.demand_kind) for p in plants]).T
        return s

    def _lay_grid(self, plants: list[TruePlant]) -> None:
        s = self.p
        jet = np.array([p.machine.kind == "jet" for p in plants])
        reach = np.where(np.array([p.machine.kind == "displacement" for p in plants]), 1.35 * np.minimum(s.max_x, 1.5),
                         np.where(jet, 1.1, 2.3 * np.minimum(s.max_x, 1.3)))
        top = s.rated_flow * reach
        self.flow = np.concatenate([np.zeros((DEAD_ROWS.size, self.n)), FLOW_ROWS[:, None] * top])
        self.friction, self.suction = np.empty_like(self.flow), np.empty_like(self.flow)
        for i, plant in enumerate(plants):
            self.friction[:, i] = pipe_head_m(plant, self.flow[:, i])
            self.suction[:, i] = suction_head_m(plant, self.flow[:, i])
        self.square = self.flow ** 2
        self.turbulent = s.turbulent * self.flow ** 1.9
        self.rated_square = s.rated_head / s.rated_flow ** 2
        self.guess = np.ones((ROWS, self.n)) * 1.1

    def _start_states(self, plants: list[TruePlant]) -> None:
        n = self.n
        st = self.state = SimpleNamespace()
        st.drawn = np.zeros((4, n))
        st.running = np.zeros(n, dtype=bool)
        st.timer, st.low_timer, st.still_s = np.zeros(n), np.zeros(n), np.full(n, 3600.0)
        st.low_stop = np.zeros(n, dtype=bool)
        st.void = np.zeros(n)
        st.primed = np.ones(n, dtype=bool)
        st.lost_prime_s = np.zeros(n)
        st.air = np.zeros(n)
        st.full = np.zeros(n, dtype=bool)
        st.warm = np.zeros(n)
        st.jitter = np.ones(n)
        tables = [tank_table(p.site.tank) if p.site.tank else (np.linspace(0, 1e6, 60), np.linspace(0, 3.0, 60))
                  for p in plants]
        self.tank_m3 = np.array([t[0][-1] for t in tables])
        self.tank_levels = np.array([t[1] for t in tables])
        tanks = [p.site.tank for p in plants]
        self.has_tank = np.array([t is not None for t in tanks])
        self.full_m = np.array([t.full_level_m if t else 1e9 for t in tanks])
        self.call_m = np.array([(t.float_reset_level_m or 0.9 * t.full_level_m) if t else 1e9 for t in tanks])
        self.over_m = np.array([(t.overflow_level_m or t.height_m) if t else 1e9 for t in tanks])
        self.out_m = np.array([t.outlet_level_m if t else 0.0 for t in tanks])
        self.calling = np.array([c.always_calling for c in self.columns]) | ~self.has_tank
        st.tank_m3 = 0.55 * np.where(self.has_tank, self.tank_m3, 0.0)
        battery = [p.site.battery for p in plants]
        self.bus_v = np.array([b.nominal_voltage_v if b else 24.0 for b in battery])
        self.bus_ah = np.array([b.capacity_ah if b else 1.0 for b in battery])
        self.low_v = np.array([b.low_voltage_disconnect_v if b else 0.0 for b in battery])
        self.again_v = np.array([b.reconnect_voltage_v if b else 0.0 for b in battery])
        self.absorb_v = np.array([b.absorption_voltage_v if b else 1e3 for b in battery])
        self.charge_eff = np.array([b.charge_efficiency if b else 1.0 for b in battery])
        self.lithium = np.array([b is not None and b.chemistry == "lithium_iron_phosphate" for b in battery])
        st.soc = np.array([p.battery_start for p in plants])
        st.bus_off = np.zeros(n, dtype=bool)
        st.bus_now = self.bus_v * 1.04

    # -- one block of days -------------------------------------------------------------------------------------------

    def run_block(self, sky: dict[str, Floats], local_h: Floats, day: Floats, hour_index: NDArray[np.int64],
                  year_day: Floats, step_s: float, per_record: int) -> dict[str, Singles]:
        """
        Step all plants through a block of whole days.

        Parameters
        ----------
        sky : dict of str to ndarray, shape (steps, skies)
            light, cell_c, air_c, beam_share, azimuth_deg, elevation_deg, wind_w, barometer_m.
        local_h, day, year_day : ndarray, shape (steps,)
            Local hour, day since start, day of year (of the first sky).
        hour_index : ndarray of int, shape (steps,)
            Row of the condition courses.
        step_s : float
            [s]
        per_record : int
            Steps averaged into one record.

        Returns
        -------
        recorded : dict of str to ndarray, shape (records, plants)
            In the order the columns were given.
        """
        steps = local_h.size
        out = {name: np.zeros((steps // per_record, self.n), dtype=np.float32) for name in RECORDED}
        conditions = self._conditions(hour_index)
        power = self._source_power(sky, hour_index)
        dark = np.max(sky["elevation_deg"], axis=1) < -0.5
        always_on = bool(np.any(self.p.bus) or np.any(sky["wind_w"] > 0))
        last_hour = -1
        now = SimpleNamespace()
        step = 0
        acc = {name: np.zeros(self.n) for name in RECORDED}
        while step < steps:
            if hour_index[step] != last_hour:
                last_hour = int(hour_index[step])
                for name in CONDITIONS:
                    course = conditions.get(name)
                    setattr(now, name, course[last_hour - int(hour_index[0])] if course is not None
                            else self.well[name])
                now.static = (self.p.static + self.p.season * np.cos(
                    2 * np.pi * (year_day[step] - self.p.deepest) / 365.25) + now.extra_level_m)
                self._draw_of_hour(int(local_h[step]), now)
            stride = 1
            if dark[step] and step % per_record == 0 and dark[min(step + per_record, steps) - 1]:
                stride = per_record
            record = self._step(step, stride * step_s, sky, power, now, dark=bool(dark[step]) and not always_on)
            for name, value in record.items():
                acc[name] += value * stride
            step += stride
            if step % per_record == 0:
                row = step // per_record - 1
                for name in RECORDED:
                    out[name][row] = acc[name] / per_record
                    acc[name][:] = 0.0
        back = np.argsort(self.place)
        return {name: values[:, back] for name, values in out.items()}

    def _conditions(self, hour_index: NDArray[np.int64]) -> dict[str, Floats]:
        first, last = int(hour_index[0]), int(hour_index[-1]) + 1
        out: dict[str, Floats] = {}
        for i, column in enumerate(self.columns):
            for name, course in column.courses.items():
                if name not in out:
                    out[name] = np.full((last - first, self.n), CONDITIONS[name])
                out[name][:, i] = course[first:last]
        return out

    def _draw_of_hour(self, hour: int, now: SimpleNamespace) -> None:
        s = self.p
        if hour == 0 or not hasattr(self, "day_factor"):
            self.day_factor = np.exp(0.15 * self.rng.standard_normal(self.n))
        base = np.where(np.isnan(s.demand), 0.0, s.demand) * now.demand_ratio * self.day_factor
        now.draw = base * s.pattern[hour] / 3600.0 * np.exp(0.25 * self.rng.standard_normal(self.n))
        now.endless = np.isnan(s.demand) & self.has_tank

    def _source_power(self, sky: dict[str, Floats], hour_index: NDArray[np.int64]) -> dict[str, Floats]:
        """Array parameters of the whole block, shape (steps, plants)."""
        conditions = self._conditions(hour_index)
        rows = hour_index - hour_index[0]

        def of(name: str) -> Floats | float:
            return conditions[name][rows] if name in conditions else CONDITIONS[name]

        light = sky["light"][:, self.source] * of("light") * of("degraded_current") / 1000.0
        beam = sky["beam_share"][:, self.source]
        cell = sky["cell_c"][:, self.source]
        strings = np.maximum(self.bank.strings - of("open_strings"), 0.0)
        live, share = of("weak_live"), of("weak_share")
        shade = conditions.get("shade")
        weak = np.zeros(self.n, dtype=bool)
        live = np.broadcast_to(live, light.shape).copy()
        share = np.broadcast_to(share, light.shape).copy()
        if shade is not None:
            depth = shade[rows]
            inside = self._in_sector(sky)
            live = np.where((depth > 0) & inside & (beam > 0.35), 1.0 - depth, live)
            share = np.where((depth > 0) & inside & (beam > 0.35), np.maximum(1.0 / self.bank.strings, 0.5), share)
        weak = np.any((live < 1.0) & (share > 0), axis=0)
        whole = share >= 0.999
        light = np.maximum(light, 0.0)
        group = self.bank.at(light, cell, strings=strings, live=np.where(whole, live, 1.0), extra_ohm=of("extra_ohm"))
        best, best_v = maximum_power(group)
        for i in np.flatnonzero(weak):
            mixed = (live[:, i] < 1.0) & (share[:, i] > 0) & ~whole[:, i] & (light[:, i] > 0.005)
            if not mixed.any():
                continue
            parts = [np.asarray(g[mixed, i] if np.ndim(g) == 2 else np.broadcast_to(g, light.shape)[mixed, i])
                     for g in group]
            s, lv = share[mixed, i], live[mixed, i]
            sound = (parts[0] * (1 - s), parts[1] * (1 - s), parts[2], parts[3] / (1 - s), parts[4] / (1 - s))
            poor = (parts[0] * s, parts[1] * s, parts[2] * lv, parts[3] * lv / s, parts[4] * lv / s)
            best[mixed, i], best_v[mixed, i] = two_group_power(sound, poor)
        full = [np.broadcast_to(g, light.shape) for g in group]
        opened = open_circuit(group)
        dead = strings < 0.5
        best = np.where(dead, 0.0, best)
        return {"best": best, "best_v": best_v, "open_v": np.where(dead, 0.0, opened), "photo": full[0],
                "saturation": full[1], "slope": full[2], "series": full[3], "shunt": full[4], "weak_live": live,
                "weak_share": share, "light": light}

    def _in_sector(self, sky: dict[str, Floats]) -> NDArray[np.bool_]:
        """Sun inside the shading sector of each plant."""
        inside = np.zeros((sky["light"].shape[0], self.n), dtype=bool)
        for i, column in enumerate(self.columns):
            sector = column.courses.get("_sector")
            if sector is None:
                low, high, below = 225.0, 300.0, 45.0
            else:
                low, high, below = (float(v) for v in sector[:3])
            azimuth, elevation = sky["azimuth_deg"][:, column.source], sky["elevation_deg"][:, column.source]
            inside[:, i] = (azimuth > low) & (azimuth < high) & (elevation < below)
        return inside

    # -- one step ----------------------------------------------------------------------------------------------------

    def _grid(self, now: SimpleNamespace, step_s: float, sky_row: Floats) -> SimpleNamespace:
        s, st, g = self.p, self.state, SimpleNamespace()
        tau = np.array(RESERVOIR_S)[:, None]
        fade = np.exp(-step_s / tau)
        aquifer = s.aquifer * now.aquifer_ratio
        g.held_drawdown = (st.drawn * fade).sum(axis=0)
        g.gain = (aquifer * (1 - fade)).sum(axis=0)
        flow = self.flow
        static = now.static + sky_row * (~s.open)
        hole = now.riser_leak_ratio
        if np.any(hole > 0):
            above = np.maximum(s.hole + s.outlet + now.extra_head_m, 1.0)
            c = hole * s.rated_flow / np.sqrt(s.rated_head)
            full_leak = c * np.sqrt(np.maximum(above + 0.8 * self.friction, 0.0))
            g.leak = np.minimum(flow, full_leak)
            g.lowered = np.where(c > 0, np.maximum(above - (flow / np.maximum(c, 1e-12)) ** 2, 0.0), 0.0)
            g.lowered = np.where(flow < c * np.sqrt(above), g.lowered, 0.0)
        else:
            g.leak, g.lowered = np.zeros_like(flow), 0.0
        net = flow - g.leak
        g.level = static + np.where(s.open, 0.0, g.held_drawdown + g.gain * net + now.well_loss_ratio * self.turbulent)
        g.suction = self.suction + now.intake_ratio * self.rated_square * self.square
        over = now.delivery_ratio + st.air * now.air_ratio
        g.delivery = s.outlet + now.extra_head_m + self.friction + over * self.rated_square * self.square - g.lowered
        head = g.level + g.suction + g.delivery
        if np.any(s.surface):
            lift = s.pump_height + g.level + g.suction
            have = s.air_head - s.vapour - lift
            need = (s.need + now.suction_need_extra_m) * (0.4 + 0.6 * self.square / s.rated_flow ** 2)
            g.short = np.where(s.surface, np.maximum(need - have, 0.0), 0.0)
            head = head + 4.0 * g.short
        g.head = np.maximum(head, 0.0)
        g.x, g.shaft = self._pump(g, now)
        g.x[:DEAD_ROWS.size] = DEAD_ROWS[:, None] * g.x[DEAD_ROWS.size]
        fall = np.where(np.arange(self.n) < self.pd.start, 2.7, 2.0)
        g.shaft[:DEAD_ROWS.size] = g.shaft[DEAD_ROWS.size] * DEAD_ROWS[:, None] ** fall
        omega = np.maximum(g.x * s.omega, 1e-3)
        torque = g.shaft / omega
        if not np.all(st.primed):
            torque = np.where(st.primed, torque, 0.18 * s.rated_w * 0.7 / s.omega * (0.3 + 0.7 * g.x * g.x))
        g.torque = torque
        g.motor_i = (torque + s.still + s.windage * g.x) / (s.torque * now.motor_ratio)
        winding = s.winding * (1 + 0.0039 * 35.0 * st.warm)
        g.motor_v = s.torque * omega + g.motor_i * winding
        g.motor_w = g.motor_v * g.motor_i
        g.winding = winding
        return g

    def _pump(self, g: SimpleNamespace, now: SimpleNamespace) -> tuple[Floats, Floats]:
        x, shaft = np.empty_like(self.flow), np.empty_like(self.flow)

        def part(value: Floats | float, where: slice) -> Floats:
            return np.broadcast_to(value, (self.n,))[where]

        if self.roto.stop > 0:
            flow, head = self.flow[:, self.roto], g.head[:, self.roto]
            if self.jets.stop > self.jets.start:
                flow, head = flow.copy(), head.copy()
                level = (self.p.pump_height + g.level + g.suction)[:, self.jets]
                outlet = (g.delivery - self.p.pump_height)[:, self.jets]
                flow[:, self.jets], head[:, self.jets] = self.jet_bank.asked_of_pump(
                    self.flow[:, self.jets], level, outlet)
            guess = self.guess[:, self.roto]
            x[:, self.roto], shaft[:, self.roto] = self.rotors.speed_and_power(
                flow, head, guess, part(now.head_ratio, self.roto), part(now.worn_leak, self.roto))
            self.guess[:, self.roto] = x[:, self.roto]
        if self.pd.stop > self.pd.start:
            x[:, self.pd], shaft[:, self.pd] = self.displacers.speed_and_power(
                self.flow[:, self.pd], g.head[:, self.pd], part(now.slip_ratio, self.pd),
                part(now.volume_ratio, self.pd))
        return x, shaft

    def _step(self, row: int, step_s: float, sky: dict[str, Floats], power: dict[str, Floats], now: SimpleNamespace,
              *, dark: bool) -> dict[str, Floats | NDArray[np.bool_]]:
        s, st = self.p, self.state
        barometer = sky["barometer_m"][row, self.source]
        if dark:
            return self._night(step_s, now, barometer)
        g = self._grid(now, step_s, barometer)
        best, best_v, open_v = power["best"][row], power["best_v"][row], power["open_v"][row]
        wind = sky["wind_w"][row, self.source] * now.wind_ratio
        air = sky["air_c"][row, self.source]
        available = best * s.tracking * now.tracking + wind
        cap = s.max_w * now.cap_ratio
        hot = np.clip(1 - s.derate * np.maximum(air - s.derate_at, 0.0), 0.3, 1.0)
        hot = hot * np.clip(1 - now.hot_derating * np.clip((air - 24.0) / 10.0, 0.0, 2.0), 0.2, 1.0)
        cap = cap * np.where(s.direct, 1.0, hot)
        asked = (g.motor_w * (s.drive1 + s.drive2 * g.motor_w) + s.drive0) / now.drive_efficiency
        surplus = available - asked
        array_v = None
        if np.any(s.held):
            array_v = np.where(s.buck, np.maximum(s.held_v, g.motor_v / s.through), s.held_v)
            current = self._array_current(array_v, power, row)
            supply = np.where(s.direct, array_v * current, array_v * current / (s.drive1 * 1.0) - s.drive0)
            surplus = np.where(s.held, supply * now.drive_efficiency - g.motor_w, surplus)
        if np.any(s.bus):
            surplus = np.where(s.bus, (st.bus_now - g.motor_v / np.maximum(s.through, .5)) * s.rated_a, surplus)
        limit = np.minimum(cap - asked, (s.max_x - g.x) * 5.0 * s.rated_w)
        limit = np.minimum(limit, (s.max_v - g.motor_v) * s.rated_a)
        residual = np.where(s.direct | s.bus, surplus, np.minimum(surplus, limit))
        out = self._solve(residual, g, asked, array_v)
        ready = self._ready(out, g, available, power, row, now, step_s, open_v)
        return self._carry(out, g, ready, available, best_v, open_v, power, row, now, step_s, cap, barometer, wind)

    def _array_current(self, volts: Floats, power: dict[str, Floats], row: int) -> Floats:
        group = (power["photo"][row], power["saturation"][row], power["slope"][row], power["series"][row],
                 power["shunt"][row])
        held = np.flatnonzero(self.p.held)
        current = np.zeros_like(volts)
        sub: Group = (group[0][held], group[1][held], group[2][held], group[3][held], group[4][held])
        v = volts[:, held] if volts.ndim == 2 else volts[held]
        share, live = power["weak_share"][row, held], power["weak_live"][row, held]
        mixed = (share > 0) & (live < 1.0) & (share < 0.999)
        total = current_at(v, sub, rounds=4)
        if np.any(mixed):
            weak = (sub[0], sub[1], sub[2] * live, sub[3] * live, sub[4] * live)
            total = np.where(mixed, (1 - share) * total + share * current_at(v, weak, rounds=4), total)
        if volts.ndim == 2:
            current[:, held] = total
        else:
            current[held] = total
        return current

    def _solve(self, residual: Floats, g: SimpleNamespace, asked: Floats, array_v: Floats | None) -> SimpleNamespace:
        short = residual <= 0
        first = np.argmax(short, axis=0)
        none = ~short.any(axis=0)
        upper = np.where(none, ROWS - 1, np.maximum(first, 1))
        columns = np.arange(self.n)
        r0, r1 = residual[upper - 1, columns], residual[upper, columns]
        weight = np.where(none, 1.0, np.clip(r0 / np.where(np.abs(r0 - r1) < 1e-12, 1.0, r0 - r1), 0.0, 1.0))
        out = SimpleNamespace(cannot=(first == 0) & ~none, columns=columns)

        def read(grid: Floats) -> Floats:
            low = grid[upper - 1, columns]
            return np.asarray(low + weight * (grid[upper, columns] - low))

        out.pumped, out.leak, out.x = read(self.flow), read(g.leak), read(g.x)
        out.motor_v, out.motor_i, out.asked = read(g.motor_v), read(g.motor_i), read(asked)
        out.level, out.suction, out.delivery = read(g.level), read(g.suction), read(g.delivery)
        out.array_v = read(array_v) if array_v is not None else np.zeros(self.n)
        return out

    def _ready(self, out: SimpleNamespace, g: SimpleNamespace, available: Floats, power: dict[str, Floats], row: int,
               now: SimpleNamespace, step_s: float, open_v: Floats) -> NDArray[np.bool_]:
        s, st = self.p, self.state
        st.timer, st.low_timer = np.maximum(st.timer - step_s, 0.0), np.maximum(st.low_timer - step_s, 0.0)
        # float
        level = self._tank_level()
        st.full = np.where(level >= self.full_m, True, np.where(level <= self.call_m, False, st.full))
        st.full = st.full & ~self.calling
        full = np.where(now.float_mode == 1.0, True, np.where(now.float_mode == 2.0, False, st.full))
        now.full = full
        # low water
        st.low_stop = st.low_stop & (st.low_timer > 0.0)
        wants = ~now.full & ~st.low_stop & (now.off < 0.5)
        wants = wants & (now.drive_dead < 0.5) & ~st.bus_off
        # can it start, can it go on
        first_asked = (g.motor_w[0] * s.drive1 + s.drive0)
        stick = (g.torque[0] * s.stick + s.still) / (s.torque * now.motor_ratio)
        electronic = ~s.held & ~s.bus
        start = np.where(electronic, available >= np.maximum(s.start_w, 1.15 * first_asked) * st.jitter, True)
        if np.any(s.held):
            volts = np.where(s.direct, stick * g.winding, s.held_v)
            amps = self._array_current(volts, power, row)
            heating = np.maximum(amps * volts * 0.85, 0.0) / np.maximum(g.winding, 1e-3)
            turned = np.where(s.direct, amps, np.sqrt(heating))
            start = np.where(s.held, turned >= stick, start)
        go_on = ~out.cannot & np.where(electronic, available >= s.stop_w, True) & (out.x >= s.min_x)
        ready = wants & go_on & (st.running | (start & (st.timer <= 0.0)))
        stopped = st.running & ~ready & wants
        st.timer = np.where(stopped, s.restart, st.timer)
        if np.any(stopped):
            st.jitter = np.where(stopped, np.exp(0.06 * self.rng.standard_normal(self.n)), st.jitter)
        now.stalled = wants & ~ready & (open_v > 0)
        now.wants = wants
        return np.asarray(ready, dtype=bool)

    def _tank_level(self) -> Floats:
        place = np.clip(self.state.tank_m3 / self.tank_m3, 0.0, 1.0) * (self.tank_levels.shape[1] - 1)
        low = np.minimum(place.astype(np.int64), self.tank_levels.shape[1] - 2)
        columns = np.arange(self.n)
        base = self.tank_levels[columns, low]
        return np.asarray(base + (place - low) * (self.tank_levels[columns, low + 1] - base))

    def _carry(self, out: SimpleNamespace, g: SimpleNamespace, ready: NDArray[np.bool_], available: Floats,
               best_v: Floats, open_v: Floats, power: dict[str, Floats], row: int, now: SimpleNamespace,
               step_s: float, cap: Floats, barometer: Floats, wind: Floats) -> dict[str, Floats | NDArray[np.bool_]]:
        s, st = self.p, self.state
        pumped = np.where(ready & st.primed, out.pumped, 0.0)
        # water runs short at the intake
        margin = s.intake - out.level
        pumped = pumped * np.where(s.surface, 1.0, np.clip(margin / 0.4, 0.0, 1.0))
        # prime of a surface pump may be gone at the first start after a night
        fresh = ready & ~st.running & (st.still_s > 4 * 3600.0)
        chance = now.prime_loss
        if np.any(chance > 0) and np.any(fresh):
            st.primed = st.primed & ~(fresh & (self.rng.random(self.n) < chance))
            st.lost_prime_s = np.where(st.primed, 0.0, st.lost_prime_s)
        st.lost_prime_s = np.where(st.primed, 0.0, st.lost_prime_s + step_s)
        st.primed = st.primed | (chance <= 0) | (st.lost_prime_s > 20 * 3600.0)
        leak = np.minimum(out.leak, pumped)
        arriving = pumped - leak
        filled = np.minimum(st.void, arriving * step_s)
        st.void = st.void - filled
        delivered = arriving - filled / step_s
        self._drain(ready, now, step_s)
        st.still_s = np.where(ready, 0.0, st.still_s + step_s)
        st.air = np.where(ready, st.air * np.exp(-step_s / 2400.0), np.minimum(1.0, st.air + step_s / 3600.0))
        st.warm = st.warm + ((out.motor_i * ready / s.rated_a) ** 2 - st.warm) * (1 - np.exp(-step_s / 1200.0))
        self._draw_well(pumped - leak, now, step_s)
        level = np.where(ready, out.level, self._resting_level(now, barometer))
        trip = s.has_probe & ready & (level > s.probe)
        st.low_stop = st.low_stop | trip
        st.low_timer = np.where(trip, s.low_restart, st.low_timer)
        draw = self._tank(delivered, now, step_s)
        st.running = ready & ~trip
        # what the array shows
        taken = np.where(ready, out.asked, np.where(open_v > 1.0, s.standby, 0.0))
        full_track = ready & ~s.held & (out.asked >= 0.985 * available)
        taken = np.where(full_track, np.minimum(available, taken), taken)
        solar = np.clip(taken - wind, 0.0, None)
        pull = now.tracking
        volts = np.where(full_track, best_v + (open_v - best_v) * (1 - pull) * 0.8, 0.0)
        unloaded = ~full_track
        right = self._right_branch(solar, best_v, open_v, power, row)
        volts = np.where(unloaded, right, volts)
        idle_v = np.where(now.stalled, np.where(s.direct, 0.02 * open_v, s.held_v), open_v)
        held_v = np.where(ready, out.array_v, idle_v)
        volts = np.where(s.held, held_v, volts)
        amps = np.where(volts > 0.5, solar / np.maximum(volts, 0.5), 0.0)
        if np.any(s.held):
            running_i = np.where(s.direct, out.motor_i, out.motor_v * out.motor_i * s.drive1
                                 / np.maximum(out.array_v * now.drive_efficiency, 0.5))
            stall_i = np.where(now.stalled, self._array_current(np.minimum(held_v, open_v), power, row), 0.0)
            volts = np.where(s.held & now.stalled, np.minimum(held_v, open_v), volts)
            amps = np.where(s.held, np.where(ready, running_i, stall_i), amps)
        battery_i = np.zeros(self.n)
        if np.any(s.bus):
            volts, amps, battery_i = self._battery(available, out, ready, volts, amps, best_v, now, step_s)
        pressure = np.where(ready, out.delivery + np.where(s.surface, -s.pump_height, 0.0), 0.0) * 9787.0
        suction = -np.where(ready, s.pump_height + out.level + out.suction, s.pump_height + level) * 9787.0
        capped = ready & ~s.held & ~s.bus & (out.asked < 0.97 * available)
        return {"flow": delivered, "leak": leak, "pumped": pumped, "array_v": volts, "array_i": amps,
                "motor_v": np.where(ready, out.motor_v, 0.0), "motor_i": np.where(ready, out.motor_i, 0.0),
                "speed": np.where(ready, out.x * s.speed_rpm, 0.0), "level": level, "tank": self._tank_level(),
                "full": now.full, "low_water": st.low_stop, "pressure": pressure, "suction": suction,
                "battery_v": st.bus_now, "battery_i": battery_i, "draw": draw, "run": ready, "capped": capped,
                "source_w": available, "off": ~now.wants & ~now.full & ~st.low_stop}

    def _right_branch(self, watts: Floats, best_v: Floats, open_v: Floats, power: dict[str, Floats],
                      row: int) -> Floats:
        """Voltage above the maximum power point at which the array gives just so much."""
        photo, saturation = power["photo"][row], power["saturation"][row]
        slope, series, shunt = power["slope"][row], power["series"][row], power["shunt"][row]
        volts = np.maximum(0.5 * (best_v + open_v), 0.1)
        for _ in range(5):
            current = np.minimum(watts / np.maximum(volts, 0.1), 0.995 * photo)
            inner = np.maximum((photo - current - volts / shunt) / saturation, 1.0)
            volts = np.clip(0.3 * volts + 0.7 * (slope * np.log(inner) - current * series), best_v,
                            np.maximum(open_v, best_v))
        return np.where(open_v > 0.5, np.minimum(volts, open_v), 0.0)

    def _drain(self, ready: NDArray[np.bool_], now: SimpleNamespace, step_s: float) -> None:
        s, st = self.p, self.state
        rate = s.seep + now.drain_per_min * s.riser / 60.0
        rate = rate + np.where(now.riser_leak_ratio > 0, 0.2 * s.riser / 60.0, 0.0)
        holed = np.where(now.riser_leak_ratio > 0, 0.55 * s.riser, 0.08 * s.riser)
        ceiling = np.where(now.drain_per_min > 0, s.riser, holed)
        more = np.where(ready, 0.0, np.minimum(rate * step_s, np.maximum(ceiling - st.void, 0.0)))
        st.void = st.void + more
        st.drawn[0] -= np.where(s.surface | s.open, 0.0, 0.25 * more / s.casing)

    def _draw_well(self, net: Floats, now: SimpleNamespace, step_s: float) -> None:
        st = self.state
        fade = np.exp(-step_s / np.array(RESERVOIR_S))[:, None]
        st.drawn = st.drawn * fade + self.p.aquifer * now.aquifer_ratio * (1 - fade) * net

    def _resting_level(self, now: SimpleNamespace, barometer: Floats) -> Floats:
        s = self.p
        return np.asarray(now.static + np.where(s.open, 0.0, self.state.drawn.sum(axis=0) + barometer))

    def _tank(self, delivered: Floats, now: SimpleNamespace, step_s: float) -> Floats:
        st = self.state
        level = self._tank_level()
        draw = np.where(now.endless, np.where(level > 0.5 * np.minimum(
            self.full_m, 1e3), self.p.rated_flow * 2.0, 0.0), now.draw)
        draw = np.where(self.has_tank & (level > self.out_m), draw, 0.0)
        lost = now.tank_leak_per_day * self.tank_m3 / 86400.0 * np.sqrt(
            np.clip(level / np.minimum(self.full_m, 1e3), 0.0, 2.0))
        st.tank_m3 = np.where(self.has_tank, np.clip(st.tank_m3 + (delivered - draw - lost) * step_s, 0.0, None), 0.0)
        roof = self.tank_m3 * np.minimum(self._share_at(self.over_m), 1.0)
        st.tank_m3 = np.minimum(st.tank_m3, np.where(self.has_tank, roof, 0.0))
        return np.asarray(draw)

    def _share_at(self, level_m: Floats) -> Floats:
        if not hasattr(self, "_roof"):
            shares = np.linspace(0, 1, self.tank_levels.shape[1])
            self._roof = np.array([np.interp(level_m[i], self.tank_levels[i], shares) for i in range(self.n)])
        return self._roof

    def _battery(self, available: Floats, out: SimpleNamespace, ready: NDArray[np.bool_], volts: Floats, amps: Floats,
                 best_v: Floats, now: SimpleNamespace, step_s: float) -> tuple[Floats, Floats, Floats]:
        s, st = self.p, self.state
        ratio = now.battery_ratio
        capacity = np.maximum(self.bus_ah * ratio, 0.02 * self.bus_ah)
        rest = self.bus_v * np.where(self.lithium, 1.0 + 0.06 * (st.soc - 0.4), 0.955 + 0.115 * st.soc)
        inner = 0.08 * self.bus_v / self.bus_ah * np.where(self.lithium, 0.5, 1.0) / np.maximum(ratio, 0.1) ** 1.5
        load = np.where(ready, out.motor_v * out.motor_i * s.drive1 + s.drive0, s.standby) / st.bus_now
        charge = available * 0.96 * now.charge_ratio / st.bus_now
        room = np.maximum((self.absorb_v - rest) / np.maximum(inner, 1e-4) * 0.6, 0.004 * capacity)
        charge = np.minimum(charge, load + room)
        net = charge - load
        gained = np.where(net > 0, net * self.charge_eff ** 0.5, net)
        st.soc = np.clip(st.soc + gained * step_s / 3600 / capacity, 0.0, 1.0)
        st.bus_now = np.where(s.bus, np.clip(rest + net * inner, 0.5 * self.bus_v, self.absorb_v * 1.01), st.bus_now)
        st.bus_off = np.where(st.bus_now <= self.low_v, True, np.where(st.bus_now >= self.again_v, False, st.bus_off))
        st.bus_off = st.bus_off & s.bus
        taken = charge * st.bus_now / 0.96
        volts = np.where(s.bus, np.where(available > 1.0, np.maximum(best_v, st.bus_now), 0.0), volts)
        amps = np.where(s.bus, np.where(volts > 0.5, taken / np.maximum(volts, 0.5), 0.0), amps)
        return volts, amps, np.where(s.bus, net, 0.0)

    def _night(self, step_s: float, now: SimpleNamespace, barometer: Floats) -> dict[str, Floats | NDArray[np.bool_]]:
        s, st = self.p, self.state
        none = np.zeros(self.n)
        idle = np.zeros(self.n, dtype=bool)
        st.timer, st.low_timer = np.maximum(st.timer - step_s, 0.0), np.maximum(st.low_timer - step_s, 0.0)
        st.low_stop = st.low_stop & (st.low_timer > 0.0)
        st.running = idle
        st.jitter = np.exp(0.04 * self.rng.standard_normal(self.n))
        st.still_s = st.still_s + step_s
        st.lost_prime_s = np.where(st.primed, 0.0, st.lost_prime_s + step_s)
        st.air = np.minimum(1.0, st.air + step_s / 3600.0)
        st.warm = st.warm * np.exp(-step_s / 1200.0)
        self._drain(idle, now, step_s)
        self._draw_well(none, now, step_s)
        draw = self._tank(none, now, step_s)
        tank = self._tank_level()
        st.full = np.where(tank >= self.full_m, True, np.where(tank <= self.call_m, False, st.full)) & ~self.calling
        full = np.where(now.float_mode == 1.0, True, np.where(now.float_mode == 2.0, False, st.full))
        level = self._resting_level(now, barometer)
        return {"level": level, "tank": tank, "full": full, "low_water": st.low_stop, "draw": draw,
                "suction": -(s.pump_height + level) * 9787.0, "battery_v": st.bus_now}
