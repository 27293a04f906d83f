"""``python -m gateway``: the same as the command ``mendproof``."""

from gateway.cli.main import main

main()
