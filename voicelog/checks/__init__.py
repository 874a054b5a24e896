"""Checks on what was understood: each a small pure function that names what to ask about, never what to do."""
