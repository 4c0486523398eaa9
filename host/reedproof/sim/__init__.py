"""Simulated boards and contacts, and the C core inside Python."""
