"""The record as people and machines read it: written labels, timelines, JSON lines."""
