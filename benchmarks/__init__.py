"""Timings, as ratios within one run, and the study behind docs/learning.md; `make bench` runs them all."""
