"""The command line: options, printing and exit codes. The computing is in `riskmap.api`.

Nothing heavy is imported here, because `riskmap --help` must stay quick.
"""
