"""`python -m riskmap`: the command line."""

from riskmap.cli.main import main

if __name__ == "__main__":
    main()
