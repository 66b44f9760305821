"""Which readings are not to be trusted, and why: masks beside the values, never instead of them."""
