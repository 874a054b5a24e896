"""Speech and tones out: the voices, our own tones, and the thread that plays them and keeps when."""
