"""The long proof of the diagnosis: proving plants run and kept on disk, diagnosed, scored, calibrated and reported."""
