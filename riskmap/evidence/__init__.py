"""How we know: known answers, measured comparisons, published methods, the source of every constant, exact solutions.

Nothing here affects an estimate.
"""
