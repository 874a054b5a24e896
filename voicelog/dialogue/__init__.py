"""The talk with the crew: what is read back, what waits for a spoken confirm, what a correction changes."""
