"""The ejector of a jet pump: drive water through a nozzle lifts more water, by momentum, in a throat and diffuser."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnostics.chain.pipework import LossCurve, PipeLosses, loss_curve
from diagnostics.chain.water import STANDARD_GRAVITY_M_S2, suction_head_available_m
from diagnostics.site import Ejector, PipeRun, Site

Floats = NDArray[np.float64]
_G2 = 2.0 * STANDARD_GRAVITY_M_S2
_HALVINGS = 32


def ejector_heads(ejector: Ejector, drive_flow_m3_s: Floats,
                  suction_flow_m3_s: Floats) -> tuple[Floats, Floats, Floats]:
    """
    Heads along an ejector relative to the head at its suction port.

    Losses of nozzle, suction, throat and diffuser each as a coefficient on their own velocity head; momentum is
    conserved in the throat.

    Parameters
    ----------
    ejector : Ejector
        Diameters and loss coefficients.
    drive_flow_m3_s, suction_flow_m3_s : ndarray, same shape
        Through the nozzle, and drawn in. [m3/s]

    Returns
    -------
    nozzle_head_m, outlet_head_m, throat_entry_head_m : ndarray
        Needed before the nozzle, given after the diffuser, and left at the throat's entry; all less the head at the
        suction port. [m]

    References
    ----------
    I. J. Karassik et al., Pump Handbook, chapter on jet pumps; the form of the `fluids` library, equal densities.
    """
    nozzle = np.pi / 4.0 * ejector.nozzle_diameter_m**2
    throat = np.pi / 4.0 * ejector.throat_diameter_m**2
    v_jet, v_in = drive_flow_m3_s / nozzle, suction_flow_m3_s / (throat - nozzle)
    v_mixed = (drive_flow_m3_s + suction_flow_m3_s) / throat
    entry = -(1.0 + ejector.suction_loss_k) * v_in**2 / _G2
    momentum = (drive_flow_m3_s * v_jet + suction_flow_m3_s * v_in
                - (drive_flow_m3_s + suction_flow_m3_s) * v_mixed) / (STANDARD_GRAVITY_M_S2 * throat)
    left = entry + momentum - ejector.throat_loss_k * v_mixed**2 / _G2
    outlet = left + (1.0 - ejector.diffuser_loss_k) * v_mixed**2 / _G2
    before_nozzle = entry + (1.0 + ejector.nozzle_loss_k) * v_jet**2 / _G2
    return before_nozzle, outlet, entry


@dataclass(frozen=True)
class JetBalance:
    """What the centrifugal pump above an ejector has to do for a delivered flow."""

    pump_flow_m3_s: Floats
    pump_head_m: Floats
    suction_available_m: Floats     # at the pump's own inlet
    throat_available_m: Floats      # left above vapour at the throat's entry


@dataclass(frozen=True)
class JetPipes:
    """Friction of the drive pipe down and of the lift pipe up."""

    drive: LossCurve
    lift: LossCurve


def jet_pipes(site: Site, ejector: Ejector, flow_max_m3_s: float, water_temperature_c: float) -> JetPipes:
    """
    Friction curves of the two pipes between pump and ejector; a shallow jet has none.

    Parameters
    ----------
    site : Site
    ejector : Ejector
    flow_max_m3_s : float
        [m3/s]
    water_temperature_c : float
        [degC]

    Returns
    -------
    pipes : JetPipes
    """
    def curve(bore_m: float) -> LossCurve:
        length = ejector.depth_m + site.pipework.pump_height_m if ejector.depth_m > 0 else 0.0
        run = PipeRun(length_m=max(length, 0.0), bore_m=bore_m, roughness_m=site.pipework.runs[0].roughness_m)
        return loss_curve(flow_max_m3_s, [run], 0.0, bore_m, water_temperature_c)

    return JetPipes(curve(ejector.drive_pipe_bore_m), curve(site.pipework.runs[0].bore_m))


def jet_balance(site: Site, ejector: Ejector, pipes: JetPipes, losses: PipeLosses, delivered_m3_s: Floats,
                pumping_level_m: Floats, suction_extra_m: Floats, delivery_head_m: Floats,
                suction_required_m: Floats) -> JetBalance:
    """
    Flow and head of the pump above an ejector for each delivered flow and water level.

    The discharge stands at what the delivery asks, or, where that drives the ejector too weakly to keep the pump's
    inlet above its suction limit, at what the installer's control valve must hold for it.

    Parameters
    ----------
    site : Site
    ejector : Ejector
    pipes : JetPipes
    losses : PipeLosses
    delivered_m3_s, pumping_level_m : ndarray, same shape
        [m3/s, m]
    suction_extra_m : ndarray
        Head lost before the ejector beside the suction pipe's own. [m]
    delivery_head_m : ndarray
        Head above ground that the delivery asks for the flow. [m]
    suction_required_m : ndarray
        NPSH the pump asks for. [m]

    Returns
    -------
    balance : JetBalance
    """
    pump_height = site.pipework.pump_height_m
    below_pump = ejector.depth_m + pump_height if ejector.depth_m > 0 else 0.0
    ejector_height = pump_height - below_pump
    port = -pumping_level_m - ejector_height - losses.suction.at(delivered_m3_s) - suction_extra_m
    asked = delivery_head_m - pump_height

    def at(drive: Floats) -> tuple[Floats, Floats, Floats]:
        nozzle, outlet, entry = ejector_heads(ejector, drive, delivered_m3_s)
        discharge = port + nozzle - below_pump + pipes.drive.at(drive)
        inlet = port + outlet - below_pump - pipes.lift.at(drive + delivered_m3_s)
        return discharge, inlet, port + entry

    free = float(suction_head_available_m(0.0, 0.0, altitude_m=site.altitude_m,
                                          water_temperature_c=site.well.water_temperature_c))
    floor = suction_required_m - free
    top = np.pi / 4.0 * ejector.nozzle_diameter_m**2 * np.sqrt(_G2 * 200.0)
    low, high = np.zeros_like(delivered_m3_s), np.full_like(delivered_m3_s, top)
    for _ in range(_HALVINGS):
        drive = 0.5 * (low + high)
        discharge, inlet, _ = at(drive)
        enough = (discharge >= asked) & (inlet >= floor)
        low, high = np.where(enough, low, drive), np.where(enough, drive, high)
    discharge, inlet, entry = at(high)
    return JetBalance(high + delivered_m3_s, np.maximum(discharge - inlet, 0.01), free + inlet, free + entry)
