"""Recalls: notices, what they reach, and their end."""
