"""
Proving plants: simulated pump sites with known faults, for testing the diagnosis and for nothing else.

The physics here is richer than the expectation model and coded apart from it; nothing in this package is used to
judge a real site, and nothing of the expectation model is imported here.
"""
