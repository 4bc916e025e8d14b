"""The version of riskmap, defined only here."""

__version__ = "0.1.0"
