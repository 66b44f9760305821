"""Electric motors: what a shaft torque at a speed costs, and what voltage and current it takes."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diagnostics.site import Motor

Floats = NDArray[np.float64]

# Shares of the losses at rated load where the sheet gives only an efficiency. Copper loss goes with current squared;
# the rest is friction and iron, part constant in torque and part growing with speed.
COPPER_SHARE = 0.5
STANDING_FRICTION_SHARE = 0.3


def radians_per_second(speed_rpm: Floats) -> Floats:
    """
    Angular speed.

    Parameters
    ----------
    speed_rpm : ndarray
        [rpm]

    Returns
    -------
    omega : ndarray
        [rad/s]
    """
    return np.asarray(speed_rpm * (np.pi / 30.0), dtype=np.float64)


@dataclass(frozen=True)
class DirectCurrentMotor:
    """
    Brushed motor, or a brushless one with its commutation, as an equivalent DC machine.

    V = k w + I R and k I = shaft torque / torque ratio + friction torque.
    """

    torque_constant_n_m_a: float
    resistance_ohm: float
    friction_torque_n_m: float
    rated_speed_rpm: float
    rated_current_a: float
    torque_ratio: float = 1.0

    def friction_n_m(self, speed_rpm: Floats) -> Floats:
        """
        Friction and iron torque.

        Parameters
        ----------
        speed_rpm : ndarray
            [rpm]

        Returns
        -------
        torque_n_m : ndarray
            [N m]
        """
        moving = (1.0 - STANDING_FRICTION_SHARE) * np.maximum(speed_rpm, 0.0) / self.rated_speed_rpm
        return self.friction_torque_n_m * (STANDING_FRICTION_SHARE + moving)

    def terminals(self, torque_n_m: Floats, speed_rpm: Floats) -> tuple[Floats, Floats]:
        """
        Voltage and current for a shaft torque at a speed.

        Parameters
        ----------
        torque_n_m, speed_rpm : ndarray, same shape
            [N m, rpm]

        Returns
        -------
        voltage_v, current_a : ndarray
            [V, A]
        """
        current = (torque_n_m / self.torque_ratio + self.friction_n_m(speed_rpm)) / self.torque_constant_n_m_a
        voltage = self.torque_constant_n_m_a * radians_per_second(speed_rpm) + current * self.resistance_ohm
        return voltage, current

    def input_power_w(self, torque_n_m: Floats, speed_rpm: Floats) -> Floats:
        """
        Electrical power for a shaft torque at a speed.

        Parameters
        ----------
        torque_n_m, speed_rpm : ndarray, same shape
            [N m, rpm]

        Returns
        -------
        power_w : ndarray
            [W]
        """
        voltage, current = self.terminals(torque_n_m, speed_rpm)
        return voltage * current


@dataclass(frozen=True)
class InductionMotor:
    """Induction motor on a frequency drive that keeps V/f: losses split into copper, iron, friction and stray."""

    rated_torque_n_m: float
    rated_speed_rpm: float
    rated_loss_w: float
    rated_voltage_v: float
    rated_power_w: float
    torque_ratio: float = 1.0

    def input_power_w(self, torque_n_m: Floats, speed_rpm: Floats) -> Floats:
        """
        Electrical power for a shaft torque at a speed.

        Parameters
        ----------
        torque_n_m, speed_rpm : ndarray, same shape
            [N m, rpm]

        Returns
        -------
        power_w : ndarray
            [W]
        """
        torque = torque_n_m / self.torque_ratio
        load, speed = torque / self.rated_torque_n_m, np.maximum(speed_rpm, 0.0) / self.rated_speed_rpm
        # Magnetising current runs at any load: about a fifth of the rated copper loss.
        copper = 0.55 * (0.2 + 0.8 * load**2)
        standing = 0.28 * speed**1.3 + 0.12 * speed**2
        stray = 0.05 * load**2 * speed
        loss = self.rated_loss_w * (copper + standing + stray)
        return np.asarray(torque * radians_per_second(speed_rpm) + loss, dtype=np.float64)

    def terminals(self, torque_n_m: Floats, speed_rpm: Floats) -> tuple[Floats, Floats]:
        """
        Line voltage by V/f and the current that carries the power, power factor left out.

        Parameters
        ----------
        torque_n_m, speed_rpm : ndarray, same shape
            [N m, rpm]

        Returns
        -------
        voltage_v, current_a : ndarray
            [V, A]
        """
        voltage = self.rated_voltage_v * np.maximum(speed_rpm, 0.0) / self.rated_speed_rpm
        power = self.input_power_w(torque_n_m, speed_rpm)
        return voltage, power / np.maximum(voltage, 0.02 * self.rated_voltage_v)


MotorModel = DirectCurrentMotor | InductionMotor


def _direct_current(motor: Motor, torque_ratio: float) -> DirectCurrentMotor:
    current = motor.rated_power_w / motor.rated_voltage_v
    omega = motor.rated_speed_rpm * np.pi / 30.0
    loss = motor.rated_power_w * (1.0 - motor.rated_efficiency)
    constant, resistance = motor.torque_constant_n_m_a, motor.armature_resistance_ohm
    if resistance is None:
        resistance = COPPER_SHARE * loss / current**2
        if constant is not None:
            from_voltage = (motor.rated_voltage_v - constant * omega) / current
            resistance = from_voltage if 0.2 * resistance < from_voltage < 1.8 * resistance else resistance
    if constant is None:
        constant = max(motor.rated_voltage_v - current * resistance, 0.3 * motor.rated_voltage_v) / omega
    friction = motor.friction_torque_n_m
    if friction is None:
        shaft = motor.rated_efficiency * motor.rated_power_w / omega
        friction = max(constant * current - shaft, 0.05 * loss / omega)
    return DirectCurrentMotor(constant, resistance, friction, motor.rated_speed_rpm, current, torque_ratio)


def motor_model(motor: Motor, *, torque_ratio: float = 1.0, constant_ratio: float = 1.0) -> MotorModel:
    """
    Motor from its plate.

    Parameters
    ----------
    motor : Motor
        Armature resistance, torque constant and friction are taken where given; what is missing follows from rated
        voltage, power, speed and efficiency with `COPPER_SHARE` of the losses in the winding.
    torque_ratio : float, default 1
        Shaft torque given over shaft torque due, at equal current. [1]
    constant_ratio : float, default 1
        Volts per turn and torque per ampere over those of the plate: magnets, winding and brushes differ from motor to
        motor and weaken with heat. Nothing to an AC motor. [1]

    Returns
    -------
    model : DirectCurrentMotor or InductionMotor
    """
    ratio = max(torque_ratio, 1e-3)
    if motor.kind == "induction":
        omega = motor.rated_speed_rpm * np.pi / 30.0
        return InductionMotor(motor.rated_power_w * motor.rated_efficiency / omega, motor.rated_speed_rpm,
                              motor.rated_power_w * (1.0 - motor.rated_efficiency), motor.rated_voltage_v,
                              motor.rated_power_w, ratio)
    model = _direct_current(motor, ratio)
    return replace(model, torque_constant_n_m_a=max(constant_ratio, 1e-3) * model.torque_constant_n_m_a)
