"""`python -m riskmap`: the command line."""

from riskmap.cli import main

if __name__ == "__main__":
    main()
