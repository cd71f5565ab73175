"""Holds: units reserved for cases."""
