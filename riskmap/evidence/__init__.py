"""How we know: known answers, measured comparisons, published methods, the source of every constant, closed forms.

Nothing here takes part in an estimate.
"""
