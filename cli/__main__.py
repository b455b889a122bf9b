"""``python -m standbook.cli`` is ``standbook``."""

from standbook.cli.start import main

main()
