"""`python -m sdrcheck` is the command `sdrcheck`."""

from sdrcheck.cli.main import main

main()
