"""Measured numbers beside ours: what the page notebooks/evidence.md is made from."""
