"""The chain from sun to tank, one link a module; `operating_point` couples them, `diagnostics.expected` runs them."""
