"""The hidden true plant behind a described site: what the sheet does not know."""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from diagnostics.proving.cells import StringModel, string_from_label
from diagnostics.proving.ground import friction_head_m, kinematic_viscosity_m2_s
from diagnostics.proving.machines import Machine, machine_from_sheet, toleranced, with_ejector
from diagnostics.proving.sky import CLIMATES, Climate
from diagnostics.site import SURFACE, Site

Floats = NDArray[np.float64]
RESERVOIR_S = (240.0, 3600.0, 43200.0, 7.0 * 86400.0)


@dataclass(frozen=True)
class Instrument:
    """How one channel errs: reading = gain x true + offset + noise, lagged, then rounded to the step."""

    gain: float = 1.0
    offset: float = 0.0
    noise: float = 0.0
    noise_share: float = 0.0
    step: float = 0.0
    lag_s: float = 0.0
    floor: float = 0.0


@dataclass(frozen=True)
class TruePlant:
    """
    A site as it really is.

    `site` is the sheet. Everything else is hidden from the diagnosis. Levels are below ground, positive down.
    """

    site: Site
    machine: Machine
    string: StringModel | None
    climate: Climate
    tilt_deg: float = 20.0
    azimuth_deg: float = 180.0
    still_w_m2_k: float = 26.0
    wind_w_s_m3_k: float = 4.0
    module_lag_s: float = 420.0
    static_level_m: float = 20.0
    season_m: float = 0.0
    deepest_day: int = 270
    aquifer_s_m2: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)
    turbulent_loss: float = 0.0         # of s = c Q^1.9
    casing_m2: float = 0.018
    barometric_share: float = 0.4
    roughness_m: tuple[float, ...] = (2e-5,)
    bore_ratio: float = 1.0
    drive_efficiency: float = 0.94
    tracking: float = 0.985
    standby_w: float = 3.0
    start_w: float = 0.0
    stop_w: float = 0.0
    restart_s: float = 0.0
    low_water_restart_s: float = 1200.0
    seep_m3_s: float = 0.0
    demand_m3_day: float | None = None      # None: always more than the plant can give
    demand_kind: str = "people"
    dust_pct_day: float = 0.05
    instruments: dict[str, Instrument] = field(default_factory=dict)
    channels: tuple[str, ...] = ()
    logger_step_s: float = 600.0
    region_seed: int | None = None
    gap_share: float = 0.004
    battery_start: float = 0.8
    variant: str = "training"           # "held_out": physics that nothing was tuned on, see `variants`
    loss_power: float = 1.9             # of the turbulent loss in the well, in flow
    absorbed: float = 0.93              # of the light, as heat in the module
    sky_loss_w_m2: float = 75.0         # to a clear night sky
    glass: float = 0.16                 # cosine at which glass begins to turn light away
    drive_shares: tuple[float, float, float] = (0.12, 0.48, 0.40)   # of its losses: fixed, with power, with its square
    gap_kind: str = "holes"             # "nights", "daily" and "long" besides
    low_flow_droop: float = 0.04        # share a water meter misses at little flow

    def replaced(self, **changes: object) -> "TruePlant":
        """Return a copy with some fields changed."""
        return replace(self, **changes)  # type: ignore[arg-type]


DEFAULT_INSTRUMENTS: dict[str, Instrument] = {
    "poa_irradiance_w_m2": Instrument(noise_share=0.003, step=1.0, lag_s=8.0),
    "global_horizontal_irradiance_w_m2": Instrument(noise_share=0.003, step=1.0, lag_s=8.0),
    "air_temperature_c": Instrument(noise=0.1, step=0.1),
    "module_temperature_c": Instrument(noise=0.3, step=0.1, lag_s=60.0),
    "wind_speed_m_s": Instrument(noise=0.05, step=0.1),
    "rain_mm_rain": Instrument(step=0.2),
    "array_voltage_v": Instrument(noise=0.15, step=0.1),
    "array_current_a": Instrument(noise=0.01, step=0.01),
    "array_power_w": Instrument(noise=1.0, step=1.0),
    "motor_voltage_v": Instrument(noise=0.1, step=0.1),
    "motor_current_a": Instrument(noise=0.01, step=0.01),
    "pump_speed_rpm": Instrument(noise=2.0, step=1.0),
    "drive_frequency_hz": Instrument(noise=0.02, step=0.1),
    "flow_m3_s": Instrument(noise_share=0.006, step=0.0),
    "meter_total_m3": Instrument(step=0.001),
    "draw_flow_m3_s": Instrument(noise_share=0.01, step=0.0),
    "water_level_m": Instrument(noise=0.01, step=0.01, lag_s=10.0),
    "tank_level_m": Instrument(noise=0.006, step=0.01, lag_s=20.0),
    "tank_full_ratio": Instrument(),
    "low_water_ratio": Instrument(),
    "outlet_pressure_pa": Instrument(noise=400.0, step=1000.0),
    "suction_pressure_pa": Instrument(noise=200.0, step=100.0),
    "battery_voltage_v": Instrument(noise=0.02, step=0.01),
    "battery_current_a": Instrument(noise=0.05, step=0.01),
}
_GAIN_SPREAD = {"poa_irradiance_w_m2": 0.015, "global_horizontal_irradiance_w_m2": 0.015, "array_voltage_v": 0.004,
                "array_current_a": 0.007, "array_power_w": 0.008, "motor_voltage_v": 0.004, "motor_current_a": 0.007,
                "flow_m3_s": 0.012, "meter_total_m3": 0.012, "draw_flow_m3_s": 0.012, "outlet_pressure_pa": 0.004,
                "suction_pressure_pa": 0.005, "wind_speed_m_s": 0.02, "battery_current_a": 0.008}
_OFFSET_SPREAD = {"air_temperature_c": 0.3, "module_temperature_c": 0.8, "water_level_m": 0.04, "tank_level_m": 0.01,
                  "outlet_pressure_pa": 800.0, "array_voltage_v": 0.05, "array_current_a": 0.01}


def drawn_instruments(rng: np.random.Generator, scale: float = 1.0) -> dict[str, Instrument]:
    """
    Draw a set of instruments with the errors that sound ones have.

    Parameters
    ----------
    rng : numpy.random.Generator
    scale : float, default 1.0
        0 gives ideal gains. [1]

    Returns
    -------
    instruments : dict of str to Instrument
    """
    out = {}
    for name, plain in DEFAULT_INSTRUMENTS.items():
        draws = np.clip(rng.standard_normal(2), -2, 2) * scale
        out[name] = replace(plain, gain=1 + _GAIN_SPREAD.get(name, 0.0) * float(draws[0]),
                            offset=_OFFSET_SPREAD.get(name, 0.0) * float(draws[1]))
    out["meter_total_m3"] = replace(out["meter_total_m3"], gain=out["flow_m3_s"].gain)
    return out


def true_plant(site: Site, rng: np.random.Generator, *, climate: str | Climate = "high_desert",
               machine: Machine | None = None, tolerance: float = 1.0, channels: tuple[str, ...] = (),
               logger_step_s: float = 600.0, demand_m3_day: float | None = None, demand_kind: str = "people",
               age_years: float = 1.0, region_seed: int | None = None) -> TruePlant:
    """
    Draw the true plant behind a sheet.

    Parameters
    ----------
    site : Site
    rng : numpy.random.Generator
    climate : str or Climate, default 'high_desert'
    machine : Machine, optional
        The pump the sheet was printed from; found from the sheet where it is not given.
    tolerance : float, default 1.0
        Scales every draw. [1]
    channels : tuple of str
        What its logger writes.
    logger_step_s : float, default 600.0
        [s]
    demand_m3_day : float, optional
        None for users who always want more. [m³/day]
    demand_kind : str, default 'people'
    age_years : float, default 1.0
        [years]
    region_seed : int, optional
        Sites with the same seed share their weather.

    Returns
    -------
    plant : TruePlant
    """
    weather = CLIMATES[climate] if isinstance(climate, str) else climate
    true_machine = toleranced(machine or machine_from_sheet(site.pump), rng, tolerance)
    if site.pump.ejector is not None and site.pump.family.startswith("jet"):
        true_machine = _with_pipes_to_ejector(with_ejector(true_machine, site.pump.ejector), site)
    string = string_from_label(site.array, rng=rng, tolerance=tolerance, age_years=age_years) if site.array else None
    well, drive = site.well, site.drive
    draw = tolerance * np.clip(rng.standard_normal(16), -2.0, 2.0)
    level_doubt = well.level_uncertainty_m if well.level_uncertainty_m is not None else (
        0.1 if well.kind == "open" else 1.0)
    linear = well.drawdown_linear_s_m2 * float(np.exp(0.12 * draw[0]))
    weights = np.array([0.45, 0.30, 0.18, 0.07]) * np.exp(0.25 * tolerance * rng.standard_normal(4))
    weights = weights / weights.sum() * 1.05
    rated = true_machine.flow_m3_s
    turbulent = well.drawdown_quadratic_s2_m5 * rated ** 0.1 * float(np.exp(0.15 * draw[1]))
    rough = tuple(max(run.roughness_m, 1.5e-6) * float(np.exp(0.5 * draw[2] + 0.25)) for run in site.pipework.runs)
    aged = tuple(_hazen_roughness(run.hazen_williams_c, r) for run, r in zip(site.pipework.runs, rough, strict=True))
    array = site.array
    start = drive.start_power_w if drive.start_power_w is not None else 0.0
    stop = drive.stop_power_w if drive.stop_power_w is not None else 0.0
    return TruePlant(
        site=site, machine=true_machine, string=string, climate=weather,
        tilt_deg=(array.tilt_deg + 1.0 * draw[3]) if array else 0.0,
        azimuth_deg=(array.azimuth_deg + 2.0 * draw[4]) if array else 0.0,
        still_w_m2_k=25.0 * float(np.exp(0.08 * draw[5])), wind_w_s_m3_k=4.5 * float(np.exp(0.2 * draw[6])),
        module_lag_s=420.0 * float(np.exp(0.2 * draw[7])),
        static_level_m=well.static_water_level_m + 0.6 * level_doubt * float(draw[8]),
        season_m=well.static_level_season_m * float(np.exp(0.15 * draw[9])),
        deepest_day=int(well.deepest_day_of_year + round(8 * float(draw[10]))),
        aquifer_s_m2=tuple(float(v) for v in linear * weights), turbulent_loss=turbulent,
        casing_m2=0.018 if well.kind == "borehole" else 1.2, barometric_share=float(0.2 + 0.5 * rng.random()),
        roughness_m=aged, bore_ratio=1.0 + 0.006 * float(draw[11]),
        drive_efficiency=float(np.clip(drive.rated_efficiency * (1 + 0.01 * draw[12]), 0.5, 0.99)),
        tracking=float(1 - 0.008 - 0.012 * rng.random() * min(tolerance, 1.0)) if drive.kind != "direct" else 1.0,
        standby_w=drive.standby_power_w * float(np.exp(0.2 * draw[13])),
        start_w=start * (1 + 0.03 * float(draw[14])), stop_w=stop * (1 + 0.03 * float(draw[15])),
        restart_s=drive.restart_delay_s * 1.02, low_water_restart_s=drive.low_water_restart_delay_s * 1.02,
        seep_m3_s=float(2e-7 * rng.random()), demand_m3_day=demand_m3_day, demand_kind=demand_kind,
        dust_pct_day=weather.dust_pct_day * float(np.exp(0.3 * draw[2])) * 0.35,
        instruments=drawn_instruments(rng, tolerance), channels=channels, logger_step_s=logger_step_s,
        region_seed=region_seed)


def _with_pipes_to_ejector(machine: Machine, site: Site) -> Machine:
    ejector, suction = site.pump.ejector, site.pipework.suction
    if ejector is None or suction is None or ejector.depth_m <= 0.5:
        return machine
    water_c, flow = site.well.water_temperature_c, np.array([1.3 * machine.flow_m3_s])
    down = suction.replaced(bore_m=ejector.drive_pipe_bore_m, length_m=ejector.depth_m + 1.0)
    losses = [float(friction_head_m(flow * share, run, water_c=water_c, roughness_m=1.5e-5)[0]
                    / (flow[0] * share) ** 1.8) for run, share in ((down, 0.5), (suction, 1.0))]
    return replace(machine, down_pipe_loss=losses[0], up_pipe_loss=losses[1])


def _hazen_roughness(coefficient: float | None, otherwise: float) -> float:
    if coefficient is None:
        return otherwise
    return float(np.interp(coefficient, [80, 100, 120, 130, 140, 150], [2.5e-3, 8e-4, 2.4e-4, 1e-4, 3e-5, 3e-6]))


def pipe_head_m(plant: TruePlant, flow_m3_s: Floats, *, beyond_wellhead: bool = False) -> Floats:
    """
    Friction of the runs on the pressure side. [m].

    Parameters
    ----------
    plant : TruePlant
    flow_m3_s : ndarray
        [m³/s]
    beyond_wellhead : bool, default False
        Leave the riser out, where there is one.

    Returns
    -------
    head_m : ndarray
        [m]
    """
    water_c = plant.site.well.water_temperature_c
    total = np.zeros_like(flow_m3_s)
    runs = list(zip(plant.site.pipework.runs, plant.roughness_m, strict=True))
    first = plant.site.pipework.runs[0]
    if beyond_wellhead and plant.site.pump.family not in SURFACE:
        runs = runs[1:]
    for run, rough in runs:
        total = total + friction_head_m(flow_m3_s, run, water_c=water_c, roughness_m=rough, bore_ratio=plant.bore_ratio)
    if not beyond_wellhead and plant.site.pipework.suction is None and plant.site.pipework.strainer_loss_k > 0:
        speed = flow_m3_s / (np.pi / 4 * first.bore_m ** 2)
        total = total + plant.site.pipework.strainer_loss_k * speed ** 2 / 19.6133
    return np.asarray(total, dtype=np.float64)


def suction_head_m(plant: TruePlant, flow_m3_s: Floats) -> Floats:
    """
    Friction, entrance and strainer on the suction side of a surface pump. [m].

    Parameters
    ----------
    plant : TruePlant
    flow_m3_s : ndarray
        [m³/s]

    Returns
    -------
    head_m : ndarray
        [m]
    """
    suction = plant.site.pipework.suction
    if suction is None or plant.machine.up_pipe_loss > 0.0:     # a deep jet's return pipe is its ejector's affair
        return np.zeros_like(flow_m3_s)
    run = suction.replaced(minor_loss_k=suction.minor_loss_k + 0.5 + plant.site.pipework.strainer_loss_k)
    return friction_head_m(flow_m3_s, run, water_c=plant.site.well.water_temperature_c,
                           roughness_m=max(suction.roughness_m, 2e-6) * 1.5, bore_ratio=plant.bore_ratio)


def riser_volume_m3(plant: TruePlant) -> float:
    """
    Water held between the water table and the wellhead. [m³].

    Parameters
    ----------
    plant : TruePlant

    Returns
    -------
    volume_m3 : float
        [m³]
    """
    run = plant.site.pipework.runs[0]
    if plant.site.pump.family in SURFACE:
        run = plant.site.pipework.suction or run
        return float(np.pi / 4 * run.bore_m ** 2 * min(run.length_m, 30.0))
    return float(np.pi / 4 * run.bore_m ** 2 * min(run.length_m, max(plant.static_level_m, 2.0)))


def viscosity_ratio(plant: TruePlant) -> float:
    """
    Viscosity of the site's water over that at 20 degC. [1].

    Parameters
    ----------
    plant : TruePlant

    Returns
    -------
    ratio : float
        [1]
    """
    return kinematic_viscosity_m2_s(plant.site.well.water_temperature_c) / kinematic_viscosity_m2_s(20.0)
