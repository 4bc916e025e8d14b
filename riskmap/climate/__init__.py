"""Stage 4: the climate cell, driver history and drought category of every lot.

In: lots, `ClimateTables`, `DroughtTables`, index grids, climate settings.
Out: `ClimateAttached`: `tables.LOT_CLIMATE`, the driver history of the cells that contain lots, their monthly and
weekly tables for the products, the present month, and the problems found.
Method: notebooks/method.md, section 3.
Method: notebooks/method.md, section 3.
"""

from riskmap.climate.lot_weather import ClimateAttached, attach, present_month

__all__ = ["ClimateAttached", "attach", "present_month"]
