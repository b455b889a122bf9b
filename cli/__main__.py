"""``python -m cli`` is ``standbook``."""

from cli.main import main

main()
