"""Centre, scale and weight of every trait of a finding; written by ``python -m pipelines.prove --calibrate``."""

FITTED_ON = "109 findings on 260 training plants, seed 512"
INTERCEPT = 0.7853
TRAITS: dict[str, tuple[float, float, float]] = {
    "posterior": (2.2904, 2.7071, 0.8886),
    "evidence": (2.9434, 0.4436, 0.0768),
    "strength": (3.1473, 0.8928, 0.2425),
    "active": (4.7621, 0.7717, 0.6331),
    "day_one": (0.1376, 0.3445, -0.4013),
    "measuring": (0.2385, 0.4262, 0.2069),
}
