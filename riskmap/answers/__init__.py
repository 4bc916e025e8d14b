"""What a finished run answers: comparison with another run, screening, briefs, surveys, measured series, calibration.

In: the folder of a run, and what somebody brings to it. Out: tables and papers in a folder of their own; the run stays
as its manifest says.
"""
