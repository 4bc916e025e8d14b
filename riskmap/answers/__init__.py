"""What can be asked of a finished run: comparison, screening, briefs, surveys, measured series, calibration.

In: the folder of a run, and the files that somebody brings to it. Out: tables and papers in a folder of their own. The
run itself stays as its manifest describes it.
"""
