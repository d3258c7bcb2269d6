"""`python -m ingestd` is the command `ingestd`."""

from ingestd.cli.main import main

main()
