"""Spreadsheets and the tables in them."""
