"""Run ``standbook`` as ``python -m standbook.cli``."""

from standbook.cli.start import main

main()
