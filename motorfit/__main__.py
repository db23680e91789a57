"""`python -m motorfit` is `motorfit`."""

from motorfit.cli import main

if __name__ == "__main__":
    main(prog_name="motorfit")
