"""Drills: scripts of invented calls, spoken by synthetic voices in synthetic noise."""
