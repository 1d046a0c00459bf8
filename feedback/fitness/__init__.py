"""Is the probe fit to measure? Calibration records, checks on certified artefacts, and what a failed one means."""
