"""A live session: what comes from the microphone is stored, heard, talked over and shown, all at the same time."""
