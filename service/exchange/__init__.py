"""Formats in and out: barcodes, spreadsheets, health-record and order documents."""
