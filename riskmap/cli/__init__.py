"""The command line: options, printing and exit codes; what is computed is in `riskmap.api`.

Nothing heavy is imported here: `riskmap --help` must stay quick.
"""
