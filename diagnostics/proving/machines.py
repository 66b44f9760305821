"""
Pump ends and motors of proving plants.

Rotodynamic pumps follow the Euler head line less incidence, channel friction, part-load recirculation and wear-ring
leakage; positive-displacement pumps lose a slip that is not linear in head nor in speed; jets are a rotodynamic pump
that feeds a nozzle. Motors are a torque constant, a warm winding and fixed losses. Coefficients are drawn around the
printed sheet within acceptance tolerances, so a true pump is never its sheet.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diagnostics.site import POSITIVE_DISPLACEMENT, CurvePoint, Ejector, PowerTablePoint, Pump

Floats = NDArray[np.float64]
GRAVITY_M_S2 = 9.80665
WATER_KG_M3 = 998.0


@dataclass(frozen=True, slots=True)
class Machine:
    """One true pump with its motor. Heads are of the whole pump at `speed_rpm`."""

    kind: str
    speed_rpm: float
    flow_m3_s: float            # best-efficiency flow, or geometric flow of a displacement pump
    head_m: float               # head there, or the head at which slip is stated
    efficiency: float           # best efficiency, or mechanical efficiency of a displacement pump
    shutoff: float = 1.35       # head at no flow over head at best efficiency
    incidence: float = 0.12
    friction: float = 0.25
    recirculation: float = 0.03
    churning: float = 0.33     # power lost to recirculation at no flow over power at best efficiency
    leak_share: float = 0.03
    disc_share: float = 0.05
    drag_share: float = 0.03
    slip_share: float = 0.06    # of geometric flow at rated head and speed
    slip_power: float = 0.8
    slip_speed: float = 0.3
    stick_share: float = 0.5    # break-away torque beyond running torque
    suction_need_m: float = 2.0
    motor_power_w: float = 500.0
    motor_efficiency: float = 0.8
    motor_voltage_v: float = 100.0
    copper_share: float = 0.5
    nozzle_m2: float = 0.0
    annulus_m2: float = 0.0     # of an ejector's throat, beside the jet
    jet_head_ratio: float = 0.0
    jet_flow_ratio: float = 1.0
    ejector_depth_m: float = 0.0
    down_pipe_loss: float = 0.0  # of h = c Q^1.8 down to the ejector, and back up from it
    up_pipe_loss: float = 0.0
    friction_power: float = 1.75         # of flow, in the channels of a rotodynamic pump
    recirculates_below: float = 0.45     # of best flow
    rub_share: float = 0.65              # of a displacement pump's losses that do not grow with speed
    still_share: float = 0.45            # of a motor's fixed losses that do not grow with speed


def machine_from_sheet(pump: Pump) -> Machine:
    """
    Find the machine whose curves pass near the printed sheet.

    Parameters
    ----------
    pump : Pump
        With a curve, a flow-against-power table or a displacement.

    Returns
    -------
    machine : Machine
        Without any tolerance: see `toleranced`.
    """
    motor = pump.motor
    base = {"motor_power_w": motor.rated_power_w, "motor_efficiency": motor.rated_efficiency,
            "motor_voltage_v": motor.rated_voltage_v, "suction_need_m": pump.npsh_required_m,
            "speed_rpm": pump.rated_speed_rpm}
    if (pump.displacement_m3_rev is not None and pump.rated_head_m is not None
            and pump.volumetric_efficiency is not None):
        geometric = pump.displacement_m3_rev * pump.rated_speed_rpm / 60.0
        hydraulic = WATER_KG_M3 * GRAVITY_M_S2 * geometric * pump.rated_head_m
        mechanical = float(np.clip(hydraulic / (motor.rated_power_w * motor.rated_efficiency), 0.45, 0.88))
        return Machine(kind="displacement", flow_m3_s=geometric, head_m=pump.rated_head_m, efficiency=mechanical,
                       slip_share=1 - pump.volumetric_efficiency, stick_share=pump.breakaway_torque_ratio - 1.0,
                       **base)
    if pump.power_table:
        return _machine_from_table(pump, base)
    return _machine_from_curve(pump, base)


def _machine_from_curve(pump: Pump, base: dict[str, float]) -> Machine:
    motor = pump.motor
    flow: Floats = np.array([p.flow_m3_s for p in pump.curve])
    head: Floats = np.array([p.head_m for p in pump.curve])
    power = np.array([p.power_w if p.power_w else np.nan for p in pump.curve])
    if pump.power_is == "input":
        power = power * motor.rated_efficiency
    if np.isfinite(power).sum() >= 3:
        fine = np.linspace(flow[0], flow[-1], 200)
        known = np.isfinite(power)
        bow = np.polyfit(flow[known], power[known], 2)
        eff = WATER_KG_M3 * GRAVITY_M_S2 * fine * np.interp(fine, flow, head) / np.polyval(bow, fine)
        best, efficiency = float(fine[np.argmax(eff)]), float(np.max(eff))
    else:
        best, efficiency = float(0.62 * flow[-1]), 0.5
    best_head = float(np.interp(best, flow, head))
    shutoff = float(head[0] / best_head) if flow[0] < 0.02 * best else 1.35
    fitted, error = (0.12, 0.25), np.inf
    for incidence in np.linspace(0.0, 0.5, 26):
        for friction in np.linspace(0.02, 0.8, 40):
            trial = _gross_head(np.ones_like(flow), flow / best, shutoff, incidence, friction, 0.03)
            miss = float(np.mean((trial - head / best_head) ** 2))
            if miss < error:
                fitted, error = (float(incidence), float(friction)), miss
    return Machine(kind="rotodynamic", flow_m3_s=best, head_m=best_head,
                   efficiency=float(np.clip(efficiency, 0.08, 0.80)), shutoff=shutoff, incidence=fitted[0],
                   friction=fitted[1], **base)


def with_ejector(machine: Machine, ejector: Ejector) -> Machine:
    """
    Put an ejector before a rotodynamic machine.

    Still and cut-off ratios come from the momentum balance of the mixing throat; between them the true ejector does
    not follow the textbook line (see `JetBank`).

    Parameters
    ----------
    machine : Machine
    ejector : Ejector

    Returns
    -------
    machine : Machine
    """
    share = (ejector.nozzle_diameter_m / ejector.throat_diameter_m) ** 2
    lost = 1.0 + ejector.throat_loss_k + ejector.diffuser_loss_k
    still = 2 * share - lost * share ** 2
    entry = (1 - 2 * share) * (share / (1 - share)) ** 2
    a, b, c = entry - lost * share ** 2, -2 * lost * share ** 2, still
    cutoff = (-b - np.sqrt(b * b - 4 * a * c)) / (2 * a)
    return replace(machine, kind="jet", nozzle_m2=float(np.pi / 4 * ejector.nozzle_diameter_m ** 2),
                   annulus_m2=float(np.pi / 4 * (ejector.throat_diameter_m ** 2 - ejector.nozzle_diameter_m ** 2)),
                   jet_head_ratio=float(still / (1.0 + ejector.nozzle_loss_k - still)),
                   jet_flow_ratio=float(0.97 * cutoff), ejector_depth_m=ejector.depth_m)


def _machine_from_table(pump: Pump, base: dict[str, float]) -> Machine:
    cells = [c for c in pump.power_table if c.flow_m3_s > 0]
    top = max(c.input_power_w for c in cells)
    full = [c for c in cells if c.input_power_w == top]
    motor = pump.motor
    if pump.family in POSITIVE_DISPLACEMENT:
        flow = max(c.flow_m3_s for c in cells) / 0.96
        cell = max(full, key=lambda c: c.flow_m3_s * c.head_m)
        hydraulic = WATER_KG_M3 * GRAVITY_M_S2 * cell.flow_m3_s * cell.head_m
        efficiency = float(np.clip(hydraulic / (top * motor.rated_efficiency) * 1.12, 0.3, 0.88))
        return Machine(kind="displacement", flow_m3_s=flow, head_m=cell.head_m, efficiency=efficiency,
                       slip_share=0.10, stick_share=pump.breakaway_torque_ratio - 1.0, **base)
    cell = max(full, key=lambda c: c.flow_m3_s * c.head_m)
    hydraulic = WATER_KG_M3 * GRAVITY_M_S2 * cell.flow_m3_s * cell.head_m
    return Machine(kind="rotodynamic", flow_m3_s=cell.flow_m3_s, head_m=cell.head_m,
                   efficiency=float(np.clip(hydraulic / (top * motor.rated_efficiency), 0.2, 0.8)), **base)


def toleranced(machine: Machine, rng: np.random.Generator, scale: float = 1.0) -> Machine:
    """
    Draw a true pump around its sheet: flow, head, efficiency and shape, in the spirit of ISO 9906 grade 3B.

    Parameters
    ----------
    machine : Machine
    rng : numpy.random.Generator
    scale : float, default 1.0
        0 gives the sheet's own machine. [1]

    Returns
    -------
    machine : Machine
    """
    draw = scale * np.clip(rng.standard_normal(12), -2.0, 2.0)
    common = {"efficiency": machine.efficiency * (1 + 0.025 * draw[2]),
              "motor_efficiency": float(np.clip(machine.motor_efficiency * (1 + 0.02 * draw[3]), 0.2, 0.97)),
              "copper_share": float(np.clip(0.5 + 0.08 * draw[4], 0.25, 0.75)),
              "motor_voltage_v": machine.motor_voltage_v * (1 + 0.02 * draw[5])}
    if machine.kind == "displacement":
        return replace(machine, flow_m3_s=machine.flow_m3_s * (1 + 0.015 * draw[0]),
                       slip_share=machine.slip_share * float(np.exp(0.25 * draw[1])),
                       slip_power=float(np.clip(0.8 + 0.12 * draw[6], 0.5, 1.1)),
                       slip_speed=float(np.clip(0.3 + 0.15 * draw[7], 0.0, 0.6)), **common)
    return replace(machine, flow_m3_s=machine.flow_m3_s * (1 + 0.03 * draw[0]),
                   head_m=machine.head_m * (1 + 0.022 * draw[1]), shutoff=machine.shutoff * (1 + 0.015 * draw[6]),
                   incidence=machine.incidence * float(np.exp(0.25 * draw[7])),
                   recirculation=0.03 * float(np.exp(0.4 * draw[8])),
                   churning=machine.churning * float(np.exp(0.15 * draw[11])),
                   leak_share=0.03 * float(np.exp(0.3 * draw[9])),
                   disc_share=0.05 * float(np.exp(0.25 * draw[10])), **common)


def _gross_head(x: Floats, q: Floats, shutoff: float | Floats, incidence: float | Floats, friction: float | Floats,
                recirculation: float | Floats) -> Floats:
    euler = shutoff + incidence - recirculation
    slope = euler - 1.0 - friction
    back = np.maximum(x - q / 0.45, 0.0)
    root = np.sqrt(np.maximum(q, 0.0))
    return (euler * x * x - slope * x * q - incidence * (q - x) ** 2
            - friction * np.maximum(q, 0.0) * root * np.sqrt(root) + recirculation * back * back)


class RotodynamicBank:
    """Rotodynamic machines of many plants; all methods take arrays of shape (rows, plants)."""

    def __init__(self, machines: list[Machine]) -> None:
        def gather(name: str) -> Floats:
            return np.array([getattr(m, name) for m in machines], dtype=np.float64)

        self.leak = gather("leak_share")
        self.flow = gather("flow_m3_s") * (1 + self.leak)
        self.head = gather("head_m")
        self.shutoff, self.incidence, self.friction = gather("shutoff"), gather("incidence"), gather("friction")
        self.recirculation, self.churning = gather("recirculation"), gather("churning")
        self.below, self.friction_power = gather("recirculates_below"), gather("friction_power")
        self.plain_friction = bool(np.all(self.friction_power == 1.75))
        self.euler = self.shutoff + self.incidence - self.recirculation
        self.slope = self.euler - 1.0 - self.friction
        self.design_w = WATER_KG_M3 * GRAVITY_M_S2 * gather("flow_m3_s") * self.head / gather("efficiency")
        self.fixed = gather("disc_share"), gather("drag_share")
        to_water = (1 - self.fixed[0] - self.fixed[1]) * self.design_w
        hydraulic = WATER_KG_M3 * GRAVITY_M_S2 * self.flow * self.head
        self.mixing = np.maximum(to_water / hydraulic - self.euler + self.slope, -0.2)

    def speed_and_power(self, flow_m3_s: Floats, head_m: Floats, guess: Floats, head_ratio: Floats,
                        worn_leak: Floats) -> tuple[Floats, Floats]:
        """
        Speed ratio and shaft power at which a flow is lifted through a head.

        Parameters
        ----------
        flow_m3_s, head_m, guess : ndarray, shape (rows, plants)
            [m³/s], [m], [1]
        head_ratio, worn_leak : ndarray, shape (plants,)
            Left of the developed head; extra leak as share of best flow at best head. [1]

        Returns
        -------
        speed_ratio, shaft_power_w : ndarray, shape (rows, plants)
            [1], [W]
        """
        head = np.maximum(head_m, 0.0) / (self.head * head_ratio)
        q = flow_m3_s / self.flow + (self.leak + worn_leak) * np.sqrt(head)
        root = np.sqrt(q)
        rubbed = self.friction * (q * root * np.sqrt(root) if self.plain_friction else q ** self.friction_power)
        x = guess
        for _ in range(3):
            back = np.maximum(x - q / self.below, 0.0)
            off = q - x
            value = (x * (self.euler * x - self.slope * q) - self.incidence * off * off - rubbed
                     + self.recirculation * back * back - head)
            steep = 2 * self.euler * x - self.slope * q + 2 * self.incidence * off + 2 * self.recirculation * back
            x = np.maximum(x - value / np.maximum(steep, 0.2), 0.02)
        euler = x * ((self.euler + self.mixing) * x - self.slope * q)
        idle = np.maximum(x - q, 0.0)
        power = (WATER_KG_M3 * GRAVITY_M_S2 * self.flow * self.head * q * euler + self.churning * x * idle * idle
                 * self.design_w + self.design_w * x * (self.fixed[0] * x * x / (0.9 + 0.1 * x) + self.fixed[1]))
        return x, power


class DisplacementBank:
    """Positive-displacement machines of many plants."""

    def __init__(self, machines: list[Machine], viscosity_ratio: Floats) -> None:
        def gather(name: str) -> Floats:
            return np.array([getattr(m, name) for m in machines], dtype=np.float64)

        self.flow, self.head = gather("flow_m3_s"), gather("head_m")
        self.slip = gather("slip_share") * self.flow * viscosity_ratio ** -0.5
        self.power, self.with_speed = gather("slip_power"), gather("slip_speed")
        omega = gather("speed_rpm") * 2 * np.pi / 60
        hydraulic_w = WATER_KG_M3 * GRAVITY_M_S2 * self.flow * self.head
        lost_w = hydraulic_w * (1 / gather("efficiency") - 1)
        rub = gather("rub_share")
        self.still_torque_w, self.viscous_w = rub * lost_w, (1 - rub) * lost_w
        self.omega = omega

    def speed_and_power(self, flow_m3_s: Floats, head_m: Floats, slip_ratio: Floats,
                        volume_ratio: Floats) -> tuple[Floats, Floats]:
        """
        Speed ratio and shaft power at which a flow is lifted through a head.

        Parameters
        ----------
        flow_m3_s, head_m : ndarray, shape (rows, plants)
            [m³/s], [m]
        slip_ratio, volume_ratio : ndarray, shape (plants,)
            Times the healthy slip, times the healthy volume a turn. [1]

        Returns
        -------
        speed_ratio, shaft_power_w : ndarray, shape (rows, plants)
            [1], [W]
        """
        head = np.maximum(head_m, 0.0) / self.head
        slip = self.slip * slip_ratio * head ** self.power
        geometric = self.flow * volume_ratio
        swept = np.maximum(geometric - slip * self.with_speed, 0.15 * geometric)
        x = (flow_m3_s + slip * (1 - self.with_speed)) / swept
        press_w = WATER_KG_M3 * GRAVITY_M_S2 * self.head * head * self.flow * (0.4 + 0.6 * volume_ratio)
        rub_w = self.still_torque_w * (0.4 + 0.6 * head) * (1 + 0.35 * np.exp(-x / 0.12))
        return x, x * (press_w + rub_w + self.viscous_w * x)


class JetBank:
    """What an ejector asks of the rotodynamic pump that drives it."""

    def __init__(self, machines: list[Machine]) -> None:
        self.nozzle_m2 = np.array([m.nozzle_m2 for m in machines])
        self.annulus_m2 = np.array([max(m.annulus_m2, 1e-9) for m in machines])
        self.still = np.array([m.jet_head_ratio for m in machines]) * 0.95
        self.cutoff = np.array([m.jet_flow_ratio for m in machines])
        self.depth_m = np.array([m.ejector_depth_m for m in machines])
        self.down_loss = np.array([m.down_pipe_loss for m in machines])
        self.up_loss = np.array([m.up_pipe_loss for m in machines])

    def asked_of_pump(self, flow_m3_s: Floats, level_m: Floats, outlet_head_m: Floats, *,
                      air_head_m: Floats | float = 1e9,
                      need_m: Floats | float = 0.0) -> tuple[Floats, Floats, Floats]:
        """
        Flow through, and head over, the pump when a delivered flow comes up by the ejector.

        The regulating valve at the outlet is closed in until the nozzle has its pressure and the pump's inlet its
        net positive suction head; a throat that cavitates asks ever more.

        Parameters
        ----------
        flow_m3_s, level_m, outlet_head_m : ndarray, shape (rows, plants)
            Delivered flow; water level below the pump axis with suction losses; head asked at the pump's outlet.
            [m³/s], [m], [m]
        air_head_m, need_m : ndarray or float
            Head of the air above that of vapour; what the pump needs of it at its inlet. [m]

        Returns
        -------
        pump_flow_m3_s, pump_head_m, outlet_head_m : ndarray, shape (rows, plants)
            The last is what stands at the pump's outlet, before the regulating valve. [m³/s], [m], [m]
        """
        entry = self.depth_m - level_m
        least = flow_m3_s / (0.95 * self.cutoff)
        need = (least / (0.94 * self.nozzle_m2)) ** 2 / (2 * GRAVITY_M_S2) + self.down_loss * least ** 1.8
        low = np.maximum(outlet_head_m, need + entry - self.depth_m)
        through, inlet = self._behind(flow_m3_s, entry, low, least)
        outlet, missing = low, np.maximum(need_m - air_head_m - inlet, 0.0)
        if np.any(missing > 0.0):
            high = low + np.where(missing > 0.0, 60.0, 0.0)
            for _ in range(9):
                outlet = 0.5 * (low + high)
                through, inlet = self._behind(flow_m3_s, entry, outlet, through)
                enough = inlet >= need_m - air_head_m
                low, high = np.where(enough, low, outlet), np.where(enough, outlet, high)
            outlet = high
            through, inlet = self._behind(flow_m3_s, entry, outlet, through)
            missing = np.maximum(need_m - air_head_m - inlet - 0.3, 0.0)
        # Incipient cavitation of a throat at about 1.2 heads of its annulus (0.8 to 1.67 in the literature).
        annulus = flow_m3_s / self.annulus_m2
        short = np.maximum(1.2 * annulus ** 2 / (2 * GRAVITY_M_S2) - (air_head_m + entry), 0.0)
        return flow_m3_s + through, outlet - inlet + 6.0 * (short + missing), outlet

    def _behind(self, flow_m3_s: Floats, entry: Floats, outlet: Floats, through: Floats) -> tuple[Floats, Floats]:
        """Flow through the nozzle and gauge head at the pump's inlet for a head at its outlet."""
        for _ in range(3):
            pressed = np.maximum(outlet + self.depth_m - self.down_loss * through ** 1.8 - entry, 0.5)
            through = 0.5 * through + 0.5 * 0.94 * self.nozzle_m2 * np.sqrt(2 * GRAVITY_M_S2 * pressed)
        ratio = np.clip(flow_m3_s / through / self.cutoff, 0.0, 0.999)
        lift = self.still * (1 - ratio ** 1.15)
        behind = (entry + lift * (entry + pressed)) / (1 + lift) - self.up_loss * (flow_m3_s + through) ** 1.8
        return through, behind - self.depth_m


def printed_curve(machine: Machine, shares: tuple[float, ...] = (0.0, .3, .6, .8, 1.0, 1.2, 1.4)) -> list[CurvePoint]:
    """
    Print a rotodynamic machine's sheet: head and shaft power at shares of its best flow, rounded as printed.

    Parameters
    ----------
    machine : Machine
    shares : tuple of float
        [1]

    Returns
    -------
    points : list of CurvePoint
    """
    bank = RotodynamicBank([machine])
    points = []
    for share in shares:
        flow = np.array([[share * machine.flow_m3_s]])
        low, high = 0.0, 3.0 * machine.head_m
        one, none = np.ones(1), np.zeros(1)
        for _ in range(50):
            middle = 0.5 * (low + high)
            guess = np.full((1, 1), max(1.0, np.sqrt(middle / machine.head_m)))
            speed, _power = bank.speed_and_power(flow, np.array([[middle]]), guess, one, none)
            low, high = (middle, high) if speed[0, 0] < 1 else (low, middle)
        _, power = bank.speed_and_power(flow, np.array([[low]]), np.ones((1, 1)), one, none)
        points.append(CurvePoint(flow_m3_s=float(f"{flow[0, 0]:.4g}"), head_m=round(low, 1),
                                 power_w=float(f"{power[0, 0]:.3g}")))
    return points


def printed_power_table(machine: Machine, heads_m: tuple[float, ...], powers_w: tuple[float, ...],
                        drive_efficiency: float, speed_ratio_max: float = 1.15) -> list[PowerTablePoint]:
    """
    Print flow against input power at several heads, as sheets of whole systems do.

    Parameters
    ----------
    machine : Machine
    heads_m, powers_w : tuple of float
        [m], [W]
    drive_efficiency : float
        [1]
    speed_ratio_max : float, default 1.15
        Highest speed over rated speed. [1]

    Returns
    -------
    cells : list of PowerTablePoint
    """
    cells = []
    one, none = np.ones(1), np.zeros(1)
    flows = np.linspace(0.0, 2.2 * machine.flow_m3_s, 400)[:, None]
    for head in heads_m:
        heads = np.full_like(flows, head)
        if machine.kind == "displacement":
            x, shaft = DisplacementBank([machine], one).speed_and_power(flows, heads, one, one)
        else:
            guess = np.full_like(flows, max(1.0, np.sqrt(head / machine.head_m)))
            x, shaft = RotodynamicBank([machine]).speed_and_power(flows, heads, guess, one, none)
        constants = motor_constants(machine)
        omega = x * constants.omega_rated
        torque = shaft / np.maximum(omega, 1e-3) + constants.still_n_m + constants.windage_n_m * x
        current = torque / constants.torque_n_m_a
        asked = current * (constants.torque_n_m_a * omega + current * constants.winding_ohm) / drive_efficiency
        for power in powers_w:
            usable = (asked[:, 0] <= power) & (x[:, 0] <= speed_ratio_max)
            flow = float(flows[usable, 0].max()) if usable.any() else 0.0
            cells.append(PowerTablePoint(head_m=head, input_power_w=power, flow_m3_s=float(f"{flow:.3g}")))
    return cells


@dataclass(frozen=True, slots=True)
class MotorConstants:
    """Torque constant, winding and fixed losses."""

    omega_rated: float
    torque_n_m_a: float
    winding_ohm: float
    still_n_m: float
    windage_n_m: float
    rated_current_a: float


def motor_constants(machine: Machine) -> MotorConstants:
    """
    Turn a motor's rating into a torque constant, a warm winding and fixed losses.

    Parameters
    ----------
    machine : Machine

    Returns
    -------
    constants : MotorConstants
    """
    omega = machine.speed_rpm * 2 * np.pi / 60
    current = machine.motor_power_w / machine.motor_voltage_v
    lost = machine.motor_power_w * (1 - machine.motor_efficiency)
    winding = lost * machine.copper_share / current ** 2
    torque = (machine.motor_voltage_v - current * winding) / omega
    fixed = lost * (1 - machine.copper_share) / omega
    return MotorConstants(omega_rated=float(omega), torque_n_m_a=float(torque), winding_ohm=float(winding),
                          still_n_m=float(machine.still_share * fixed),
                          windage_n_m=float((1 - machine.still_share) * fixed),
                          rated_current_a=float(current))


__all__ = ["DisplacementBank", "JetBank", "Machine", "MotorConstants", "RotodynamicBank", "machine_from_sheet",
           "motor_constants", "printed_curve", "printed_power_table", "toleranced", "with_ejector"]
