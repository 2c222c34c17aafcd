"""``python -m leafledger.cli``."""

from leafledger.cli.main import main

main()
