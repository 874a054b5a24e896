"""The room of the case file: one append-only SQLite file a case, its hash chain, and the state folded from it."""
