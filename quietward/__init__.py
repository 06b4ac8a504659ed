"""quietward: a non-diagnostic prototype of a streaming monitor for a labour ward."""

__version__ = "0.1.0"
