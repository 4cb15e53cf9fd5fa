"""`python -m advisor` is the command `advisor`."""

from advisor.cli.main import main

main()
