"""Fractures: classes, findings, and the rules that suggest what to have ready."""
