"""linkview: from one hard-point file to where every joint goes, what touches, and what to cut."""

__version__ = "0.1.0"
