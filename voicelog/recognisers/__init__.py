"""Recognisers: each turns blocks of audio, or text in their place, into words, behind one contract."""
