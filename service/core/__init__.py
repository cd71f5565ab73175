"""The pure planner: arrays and frozen values in and out; no clock, no I/O, no framework."""
