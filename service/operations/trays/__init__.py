"""Trays: packs scanned, brought, used and returned."""
