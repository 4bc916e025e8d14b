"""The version of riskmap, once."""

__version__ = "0.1.0"
