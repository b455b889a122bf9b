"""What all tests stand on: Ctrl-C means something, also where they were started in the background.

A shell without job control starts background programs with SIGINT ignored, and children inherit that.
"""

import signal

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

pytest_plugins = ("pytester", "tests.processor_time", "tests.solved_once", "tests.shared_fixtures", "tests.two_workers")
