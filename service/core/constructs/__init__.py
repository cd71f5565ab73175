"""Constructs: templates, what is planned, and the lines a kit takes from the shelf."""
