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

from diagnostics.proving.array_side import array_current, bank_of, right_branch, source_power
from diagnostics.proving.grid import DEAD_ROWS, laid_grid, lay_grid, operating_point
from diagnostics.proving.machines import DisplacementBank, JetBank, RotodynamicBank
from diagnostics.proving.plant_numbers import gather
from diagnostics.proving.planting import CONDITIONS
from diagnostics.proving.storage import (
    drain_riser,
    draw_well,
    resting_level,
    start_states,
    step_battery,
    step_tank,
    tank_level,
)
from diagnostics.proving.truth import TruePlant, viscosity_ratio

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
RECORDED = ("flow", "leak", "pumped", "array_v", "array_i", "motor_v", "motor_i", "speed", "level", "tank", "full",
            "low_water", "pressure", "suction", "battery_v", "battery_i", "draw", "run", "capped", "source_w", "off",
            "battery_low")


@dataclass(slots=True)
class Column:
    """One plant in the batch: its truth, its conditions by hour, whether its tank is asked."""

    plant: TruePlant
    source: int                     # which sky it stands under
    courses: dict[str, Floats]
    always_calling: bool


class Batch:
    """
    Many plants stepped together.

    `p` holds their constants, `state` what carries over from step to step; both are arrays over plants, sorted so
    that rotodynamic machines stand first and displacement machines last.
    """

    state: SimpleNamespace
    flow: Floats
    friction: Floats
    line: Floats
    suction: Floats
    square: Floats
    turbulent: Floats
    rated_square: Floats
    guess: Floats
    tank_m3: Floats
    tank_levels: Floats
    roof: Floats
    has_tank: NDArray[np.bool_]
    full_m: Floats
    call_m: Floats
    over_m: Floats
    out_m: Floats
    calling: NDArray[np.bool_]
    bus_v: Floats
    bus_ah: Floats
    low_v: Floats
    again_v: Floats
    absorb_v: Floats
    charge_eff: Floats
    lithium: NDArray[np.bool_]

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
        self.p = gather(plants)
        self.rotors = RotodynamicBank([p.machine for p in plants[self.roto]])
        self.jet_bank = JetBank([p.machine for p in plants[self.jets]])
        self.displacers = DisplacementBank([p.machine for p in plants[self.pd]],
                                           np.array([viscosity_ratio(p) for p in plants[self.pd]]))
        self.bank = bank_of(plants)
        self.well = {name: np.full(n, value) for name, value in CONDITIONS.items()}
        lay_grid(self, plants)
        start_states(self, plants)


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
        power = source_power(self, sky, hour_index)
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
                if name not in CONDITIONS:
                    continue
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


    # -- one step ----------------------------------------------------------------------------------------------------

    def _step(self, row: int, step_s: float, sky: dict[str, Floats], power: dict[str, Floats], now: SimpleNamespace,
              *, dark: bool) -> dict[str, Floats | NDArray[np.bool_]]:
        s, st = self.p, self.state
        barometer = sky["barometer_m"][row, self.source]
        if dark:
            return self._night(step_s, now, barometer)
        g = laid_grid(self, now, step_s, barometer)
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
            current = array_current(self, array_v, power, row)
            supply = np.where(s.direct, array_v * current, array_v * current / (s.drive1 * 1.0) - s.drive0)
            surplus = np.where(s.held, supply * now.drive_efficiency - g.motor_w, surplus)
        if np.any(s.bus):
            surplus = np.where(s.bus, (st.bus_now - g.motor_v / np.maximum(s.through, .5)) * s.rated_a, surplus)
        limit = np.minimum(cap - asked, (s.max_x - g.x) * 5.0 * s.rated_w)
        limit = np.minimum(limit, (s.max_v - g.motor_v) * s.rated_a)
        residual = np.where(s.direct | s.bus, surplus, np.minimum(surplus, limit))
        out = operating_point(self, residual, g, asked, array_v)
        ready = self._ready(out, g, available, power, row, now, step_s, open_v)
        return self._carry(out, g, ready, available, best_v, open_v, power, row, now, step_s, cap, barometer, wind)

    def _ready(self, out: SimpleNamespace, g: SimpleNamespace, available: Floats, power: dict[str, Floats], row: int,
               now: SimpleNamespace, step_s: float, open_v: Floats) -> NDArray[np.bool_]:
        s, st = self.p, self.state
        st.timer, st.low_timer = np.maximum(st.timer - step_s, 0.0), np.maximum(st.low_timer - step_s, 0.0)
        # float
        level = tank_level(self)
        st.full = np.where(level >= self.full_m, True, np.where(level <= self.call_m, False, st.full))
        st.full = st.full & ~self.calling & s.has_float
        full = np.where(now.float_mode == 1.0, True, np.where(now.float_mode == 2.0, False, st.full))
        now.full = full
        # low water
        st.low_stop = st.low_stop & (st.low_timer > 0.0)
        wants = ~now.full & ~st.low_stop & (now.off < 0.5)
        wants = wants & (now.drive_dead < 0.5) & ~st.bus_off
        # can it start, can it go on
        first_asked = (g.motor_w[0] * s.drive1 + s.drive0)
        # Coupled directly, a displacement pump breaks away against its whole head; a booster multiplies current.
        stands = s.direct & (np.arange(self.n) >= self.pd.start)
        first_torque = np.where(stands, g.torque[DEAD_ROWS.size], g.torque[0])
        stick = (first_torque * s.stick + s.still) / (s.torque * now.motor_ratio)
        electronic = ~s.held & ~s.bus
        start = np.where(electronic, available >= np.maximum(s.start_w, 1.15 * first_asked) * st.jitter, True)
        if np.any(s.held):
            volts = np.where(s.direct, stick * g.winding, s.held_v)
            amps = array_current(self, volts, power, row)
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
        drain_riser(self, ready, now, step_s)
        st.still_s = np.where(ready, 0.0, st.still_s + step_s)
        st.air = np.where(ready, st.air * np.exp(-step_s / 2400.0), np.minimum(1.0, st.air + step_s / 3600.0))
        st.warm = st.warm + ((out.motor_i * ready / s.rated_a) ** 2 - st.warm) * (1 - np.exp(-step_s / 1200.0))
        draw_well(self, pumped - leak, now, step_s)
        level = np.where(ready, out.level, resting_level(self, now, barometer))
        trip = s.has_probe & ready & (level > s.probe)
        st.low_stop = st.low_stop | trip
        st.low_timer = np.where(trip, s.low_restart, st.low_timer)
        draw = step_tank(self, delivered, now, step_s)
        st.running = ready & ~trip
        # what the array shows
        taken = np.where(ready, out.asked, np.where(open_v > 1.0, s.standby, 0.0))
        full_track = ready & ~s.held & (out.asked >= 0.985 * available)
        taken = np.where(full_track, np.minimum(available, taken), taken)
        solar = np.clip(taken - wind, 0.0, None)
        pull = now.tracking
        volts = np.where(full_track, best_v + (open_v - best_v) * (1 - pull) * 0.8, 0.0)
        unloaded = ~full_track
        right = right_branch(self, solar, best_v, open_v, power, row)
        volts = np.where(unloaded, right, volts)
        idle_v = np.where(now.stalled, np.where(s.direct, 0.02 * open_v, s.held_v), open_v)
        held_v = np.where(ready, out.array_v, idle_v)
        volts = np.where(s.held, held_v, volts)
        amps = np.where(volts > 0.5, solar / np.maximum(volts, 0.5), 0.0)
        if np.any(s.held):
            taken_w = (out.motor_v * out.motor_i / now.drive_efficiency + s.drive0) * s.drive1
            running_i = np.where(s.direct, out.motor_i, taken_w / np.maximum(out.array_v, 0.5))
            stall_i = np.where(now.stalled, array_current(self, np.minimum(held_v, open_v), power, row), 0.0)
            # A booster at its voltage or power limit lets the array rise above the voltage it holds.
            spare = ready & s.held & ~s.direct & (running_i < 0.97 * array_current(self, held_v, power, row))
            risen = right_branch(self, np.where(spare, running_i * held_v, 0.0), best_v, open_v, power, row)
            running_i = np.where(spare, running_i * held_v / np.maximum(risen, 0.5), running_i)
            volts = np.where(spare, risen, volts)
            volts = np.where(s.held & now.stalled, np.minimum(held_v, open_v), volts)
            amps = np.where(s.held, np.where(ready, running_i, stall_i), amps)
        battery_i = np.zeros(self.n)
        if np.any(s.bus):
            volts, amps, battery_i = step_battery(self, available, out, ready, volts, amps, best_v, now, step_s)
        pressure = np.where(ready, out.outlet, 0.0) * 9787.0
        suction = -np.where(ready, s.pump_height + out.level + out.suction, s.pump_height + level) * 9787.0
        capped = ready & ~s.held & ~s.bus & (out.asked < 0.97 * available)
        idle = (s.bus & st.bus_off) * 1.0
        return {"flow": delivered, "leak": leak, "pumped": pumped, "array_v": volts, "array_i": amps,
                "motor_v": np.where(ready, out.motor_v, 0.0), "motor_i": np.where(ready, out.motor_i, 0.0),
                "speed": np.where(ready, out.x * s.speed_rpm, 0.0), "level": level, "tank": tank_level(self),
                "full": now.full, "low_water": st.low_stop, "pressure": pressure, "suction": suction,
                "battery_v": st.bus_now, "battery_i": battery_i, "draw": draw, "run": ready, "capped": capped,
                "source_w": available, "battery_low": idle,
                "off": ~now.wants & ((now.float_mode == 1.0) | ~now.full) & ~st.low_stop & (idle < 0.5)}

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
        drain_riser(self, idle, now, step_s)
        draw_well(self, none, now, step_s)
        draw = step_tank(self, none, now, step_s)
        tank = tank_level(self)
        st.full = np.where(tank >= self.full_m, True, np.where(tank <= self.call_m, False, st.full)) & ~self.calling
        st.full = st.full & s.has_float
        full = np.where(now.float_mode == 1.0, True, np.where(now.float_mode == 2.0, False, st.full))
        level = resting_level(self, now, barometer)
        return {"level": level, "tank": tank, "full": full, "low_water": st.low_stop, "draw": draw,
                "suction": -(s.pump_height + level) * 9787.0, "battery_v": st.bus_now}
