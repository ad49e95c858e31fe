"""Accuracy and speed, measured. `python -m benchmarks --help` says what there is."""
