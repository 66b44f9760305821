"""The pumps of the demo scenario as their maker built them; the sheets in fleet/equipment were printed from these."""

from diagnostics.proving.machines import Machine

MACHINES: dict[str, Machine] = {
    "marl-c8": Machine("rotodynamic", 3000, 1.20e-3, 50.0, 0.55, shutoff=1.36, motor_power_w=1450,
                       motor_efficiency=0.80, motor_voltage_v=150),
    "marl-c14": Machine("rotodynamic", 3000, 0.72e-3, 74.0, 0.50, shutoff=1.40, motor_power_w=1400,
                        motor_efficiency=0.79, motor_voltage_v=150),
    "marl-c5": Machine("rotodynamic", 3000, 2.05e-3, 29.0, 0.57, shutoff=1.32, motor_power_w=1350,
                       motor_efficiency=0.80, motor_voltage_v=150),
    "marl-ac9": Machine("rotodynamic", 3450, 1.60e-3, 70.0, 0.58, shutoff=1.34, motor_power_w=2450,
                        motor_efficiency=0.78, motor_voltage_v=230),
    "heron-d5": Machine("displacement", 1800, 1.00e-4, 45.0, 0.56, slip_share=0.10, stick_share=0.4,
                        motor_power_w=110, motor_efficiency=0.72, motor_voltage_v=24),
    "heron-d9": Machine("displacement", 1800, 1.55e-4, 25.0, 0.54, slip_share=0.09, stick_share=0.4,
                        motor_power_w=100, motor_efficiency=0.71, motor_voltage_v=24),
    "auger-h4": Machine("displacement", 1500, 3.6e-4, 60.0, 0.66, slip_share=0.08, stick_share=1.2,
                        motor_power_w=420, motor_efficiency=0.78, motor_voltage_v=90),
    "rill-s60": Machine("rotodynamic", 2800, 3.0e-3, 6.0, 0.45, shutoff=1.30, suction_need_m=1.5, motor_power_w=520,
                        motor_efficiency=0.75, motor_voltage_v=60),
    "rill-s36": Machine("rotodynamic", 2800, 2.2e-3, 4.2, 0.42, shutoff=1.30, suction_need_m=1.5, motor_power_w=300,
                        motor_efficiency=0.72, motor_voltage_v=36),
    "swale-j1": Machine("rotodynamic", 3000, 1.50e-3, 30.0, 0.42, shutoff=1.35, suction_need_m=2.0,
                        motor_power_w=1350, motor_efficiency=0.78, motor_voltage_v=120),
    "swale-j2": Machine("rotodynamic", 3000, 1.60e-3, 38.0, 0.43, shutoff=1.35, suction_need_m=2.0,
                        motor_power_w=1800, motor_efficiency=0.79, motor_voltage_v=150),
    "swale-jc": Machine("rotodynamic", 3000, 1.30e-3, 32.0, 0.42, shutoff=1.35, suction_need_m=2.0,
                        motor_power_w=1250, motor_efficiency=0.78, motor_voltage_v=120),
    "weir-b48": Machine("rotodynamic", 2900, 0.85e-3, 34.0, 0.50, shutoff=1.35, suction_need_m=2.0,
                        motor_power_w=720, motor_efficiency=0.78, motor_voltage_v=48),
    "weir-p3": Machine("displacement", 900, 1.40e-4, 120.0, 0.80, slip_share=0.04, stick_share=0.5,
                       suction_need_m=2.5, motor_power_w=275, motor_efficiency=0.76, motor_voltage_v=180),
}
