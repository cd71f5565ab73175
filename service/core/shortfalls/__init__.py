"""Shortfalls: what runs short, every way to cover it, and its last moment."""
