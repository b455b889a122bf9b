"""What all tests stand on: Ctrl-C means something, also where they were started in the background.

A shell without job control starts background programs with SIGINT ignored, and children inherit that. And the commands
that tests start keep what they compile, as they do for a user: else each would compile all of standbook again.
"""

import os
import signal

from hypothesis import settings

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# How long an example may take would be a verdict of the machine.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")

pytest_plugins = ("pytester", "tests.processor_time", "tests.solved_once", "tests.shared_fixtures", "tests.two_workers")
