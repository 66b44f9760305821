"""Centre, scale and weight of every trait of a finding; written by ``python -m pipelines.prove --calibrate``."""

FITTED_ON = "110 findings on 260 training plants, seed 512"
INTERCEPT = 0.7494
TRAITS: dict[str, tuple[float, float, float]] = {
    "posterior": (2.4157, 2.6996, 0.9967),
    "evidence": (2.9242, 0.4530, 0.1165),
    "margin": (3.9957, 5.4431, 0.0129),
    "strength": (3.1242, 0.8220, 0.1004),
    "active": (4.7925, 0.7424, 0.6231),
    "day_one": (0.1364, 0.3432, -0.3285),
    "measuring": (0.2273, 0.4191, 0.1090),
}
