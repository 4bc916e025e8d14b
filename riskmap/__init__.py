"""riskmap: expected movement of slab-on-ground houses on expansive clay, lot by lot."""

__version__ = "0.1.0"
