"""Demand: what was used, at which rate and in which sizes."""
