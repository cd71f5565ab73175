"""Traywright: a theatre implant inventory and construct-kit planner."""
