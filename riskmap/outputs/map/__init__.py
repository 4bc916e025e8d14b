"""The one-file map and the county map: their data, their scripts and their pages."""
