"""Sound into the program: recordings, the endpointer that finds speech in them, the sample clock and audio clips."""
