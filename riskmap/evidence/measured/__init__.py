"""Measured values compared with ours: the material of the page notebooks/evidence.md."""
