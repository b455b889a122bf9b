"""A simulated device that plays from a thread of the test while another process records it."""

import threading
from contextlib import contextmanager


@contextmanager
def playing(device):
    """Give the port of a device that plays until the block ends."""
    stop = threading.Event()
    with device:
        thread = threading.Thread(target=device.run, args=(stop,))
        thread.start()
        try:
            yield device.port
        finally:
            stop.set()
            thread.join()
