"""voicelog: a hands-free, voice-driven event logger for prehospital emergency crews."""

__version__ = "0.1.0"
