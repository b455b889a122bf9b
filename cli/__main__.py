"""``python -m cli`` is ``standbook``."""

from cli.start import main

main()
