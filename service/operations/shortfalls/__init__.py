"""Shortfalls on the coming lists, and what could cover them."""
