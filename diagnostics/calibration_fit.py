"""Centre, scale and weight of every trait of a finding; written by ``python -m pipelines.prove --calibrate``."""

FITTED_ON = "119 findings on 260 training plants, seed 512"
INTERCEPT = 0.6046
TRAITS: dict[str, tuple[float, float, float]] = {
    "posterior": (3.0268, 2.9107, 0.9223),
    "evidence": (4.4032, 1.9839, 0.0486),
    "margin": (6.0345, 7.2776, 0.1905),
    "strength": (3.0859, 0.7916, 0.1436),
    "active": (4.6291, 0.8907, 0.7101),
    "day_one": (0.1261, 0.3319, -0.2764),
    "measuring": (0.2269, 0.4188, 0.1941),
    "unexplained": (0.0084, 0.0913, -0.3919),
}
