"""What passes between the rooms: tables, inputs, weather, results, wording, settings, findings, errors, units, months.

Nothing here reads a layer, computes an estimate or writes a product. Every room may import it, and it imports none.
"""
