"""One headless browser for all pages of a run, spoken to in its own protocol through two pipes."""

import base64
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

EXECUTABLE = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--hide-scrollbars",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--remote-debugging-pipe",
)
LISTENS, SPEAKS = 3, 4  # file descriptors that the browser takes for the two pipes
OUT_OF_THE_WAY = 10  # the lowest that ours may have before they are moved there
WINDOW = {"width": 1280, "height": 1000, "deviceScaleFactor": 1, "mobile": False}  # [px]
START = f"import os, sys; os.dup2(int(sys.argv[1]), {LISTENS}); os.dup2(int(sys.argv[2]), {SPEAKS}); "
START += "os.execv(sys.argv[3], sys.argv[3:])"


class Browser:
    """Shows one page at a time in a window of 1280 by 1000 pixels."""

    def __init__(self, commands, answers):
        self.commands, self.answers = commands, answers
        self.number, self.session, self.events = 0, None, set()
        self.asked_for = []  # addresses, of the page that is shown
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        self.session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        self.ask("Page.enable")
        self.ask("Network.enable")
        self.ask("Emulation.setDeviceMetricsOverride", **WINDOW)

    def ask(self, method, **parameters):
        """Give the answer to one command."""
        self.number += 1
        message = {"id": self.number, "method": method, "params": parameters}
        message |= {"sessionId": self.session} if self.session else {}
        self.commands.write(json.dumps(message).encode() + b"\0")
        self.commands.flush()
        while (answer := self._next()).get("id") != self.number:
            pass
        assert "error" not in answer, f"{method}: {answer['error']}"
        return answer["result"]

    def _next(self):
        text = bytearray()
        while (byte := self.answers.read(1)) != b"\0":
            assert byte, "the browser ended"
            text += byte
        answer = json.loads(text)
        self.events.add(answer.get("method"))
        if answer.get("method") == "Network.requestWillBeSent":
            self.asked_for.append(answer["params"]["request"]["url"])
        return answer

    def show(self, page):
        """Load a file and all that belongs to it."""
        self.events.clear()
        self.asked_for.clear()
        self.ask("Page.navigate", url=page.as_uri())
        while "Page.loadEventFired" not in self.events:
            self._next()
        return self

    def value_of(self, expression):
        """Evaluate an expression in the page."""
        found = self.ask("Runtime.evaluate", expression=expression, returnByValue=True)
        assert "exceptionDetails" not in found, found
        return found["result"]["value"]

    def printed(self):
        """Print the page as its style sheet says; give the PDF."""
        return base64.b64decode(self.ask("Page.printToPDF", printBackground=True, preferCSSPageSize=True)["data"])


def _pipe():
    import fcntl  # which Windows lacks, where the tests of pages only have to be passed over

    ends = os.pipe()
    moved = tuple(fcntl.fcntl(end, fcntl.F_DUPFD_CLOEXEC, OUT_OF_THE_WAY) for end in ends)
    for end in ends:
        os.close(end)
    return moved


@contextmanager
def started(profile) -> Iterator[Browser]:
    """Start the browser with a profile of its own, end it with the block."""
    (listens, ours_out), (ours_in, speaks) = _pipe(), _pipe()
    command = [sys.executable, "-c", START, str(listens), str(speaks), EXECUTABLE, *FLAGS, f"--user-data-dir={profile}"]
    with (
        open(ours_out, "wb") as commands,  # noqa: PTH123  # a descriptor, not a path
        open(ours_in, "rb") as answers,  # noqa: PTH123
        subprocess.Popen(command, pass_fds=(listens, speaks), stderr=subprocess.DEVNULL) as process,
    ):
        os.close(listens)
        os.close(speaks)
        try:
            yield Browser(commands, answers)
        finally:
            process.kill()


def pages_of(pdf):
    """Return the text of each page of a PDF, as `pdftotext` reads it."""
    done = subprocess.run(["pdftotext", "-layout", str(pdf), "-"], check=True, capture_output=True, text=True)
    return [re.sub(r"\s+", " ", page).strip() for page in done.stdout.split("\f")[:-1]]
