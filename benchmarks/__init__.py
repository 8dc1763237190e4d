"""Timings, as ratios within one run; `make bench` runs them all."""
