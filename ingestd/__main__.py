"""`python -m ingestd` is the command `ingestd`."""

from ingestd.cli import main

main()
