"""Queries by noun. They return rows or plain values and never commit."""
