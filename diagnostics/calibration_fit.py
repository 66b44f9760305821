"""Centre, scale and weight of every trait of a finding; written by ``python -m pipelines.prove --calibrate``."""

FITTED_ON = "not fitted"
INTERCEPT = 0.0
TRAITS: dict[str, tuple[float, float, float]] = {}
