"""Ports are read, never written; every refusal is one sentence. Real pseudo-terminals throughout."""

import ast
import fcntl
import os
import socket
import subprocess
import sys
import threading
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

import standbook.daq.capture.serial_port
from standbook.daq.capture.serial_port import PortInfo, list_ports, open_port
from standbook.daq.errors import LinkError
from tests.repository import ROOT

pytestmark = [
    pytest.mark.xdist_group("real_time"),
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="the system has no pseudo-terminals"),
]
BAUD = 2_000_000


class Pty:
    """A device on a pseudo-terminal: the master side, which a test writes to."""

    def __init__(self) -> None:
        self.master, slave = os.openpty()
        self.path = os.ttyname(slave)
        tty.setraw(slave)
        self.slave = slave

    def write(self, data: bytes) -> None:
        assert os.write(self.master, data) == len(data)

    def close(self) -> None:
        for name in ("slave", "master"):
            fd = getattr(self, name)
            if fd >= 0:
                os.close(fd)
                setattr(self, name, -1)


@pytest.fixture
def pty() -> Iterator[Pty]:
    device = Pty()
    yield device
    device.close()


@pytest.fixture
def three_ports(monkeypatch: pytest.MonkeyPatch) -> None:
    class Found:
        def __init__(self, device: str, serial_number: str | None, description: str) -> None:
            self.device, self.serial_number, self.description = device, serial_number, description

    found = [Found("/dev/ttyACM1", "0007", "Cradle node"), Found("/dev/ttyACM0", "", "n/a"), Found("COM9", None, "")]
    monkeypatch.setattr(standbook.daq.capture.serial_port.driver_list, "comports", lambda: iter(found))


def test_what_is_sent_is_read(pty: Pty) -> None:
    with open_port(pty.path, BAUD) as port:
        for data in (b"abc", bytes(range(256)), b"\x03\x04\x11\x13\x1a\r\n\x7f"):
            pty.write(data)  # control characters included: the line is raw
            assert port.read(1.0) == data


def test_a_quiet_port_gives_nothing_after_the_timeout(pty: Pty) -> None:
    with open_port(pty.path, BAUD) as port:
        assert port.read(0.0) == b""
        assert port.read(-1.0) == b""
        assert port.read(0.01) == b""


def test_one_read_drains_all_that_waits(pty: Pty) -> None:
    with open_port(pty.path, BAUD) as port:
        for _ in range(3):
            pty.write(b"x" * 1000)
        assert len(port.read(1.0)) == 3000


def test_nothing_is_echoed_to_the_device(pty: Pty) -> None:
    with open_port(pty.path, BAUD) as port:
        pty.write(b"echo?\n")
        assert port.read(1.0) == b"echo?\n"
        os.set_blocking(pty.master, False)
        with pytest.raises(BlockingIOError):
            os.read(pty.master, 100)


@pytest.mark.parametrize("baud", [9600, 115_200, 250_000, 2_000_000, 3_123_456])
def test_a_pseudo_terminal_takes_any_speed(pty: Pty, baud: int) -> None:
    with open_port(pty.path, baud) as port:
        pty.write(b"x")
        assert port.read(1.0) == b"x"
        assert port.is_pseudo


def test_a_speed_that_no_port_has_is_refused(pty: Pty) -> None:
    with pytest.raises(LinkError, match="-5 bit/s is not a speed"):
        open_port(pty.path, -5)


def test_the_port_object_has_nothing_that_writes(pty: Pty) -> None:
    with open_port(pty.path, BAUD) as port:
        public = {name for name in dir(port) if not name.startswith("_")}
        assert public == {"close", "is_pseudo", "path", "read"}
        assert not hasattr(port, "__dict__")


def test_the_descriptor_itself_refuses_to_write(pty: Pty) -> None:
    with open_port(pty.path, BAUD):
        device = Path(pty.path).stat().st_rdev
        descriptors = [int(entry.name) for entry in Path("/dev/fd").iterdir()]
        ours = [fd for fd in descriptors if fd != pty.slave and _device_of(fd) == device]
        assert len(ours) == 1  # the driver's own, which could write, is closed
        assert fcntl.fcntl(ours[0], fcntl.F_GETFL) & os.O_ACCMODE == os.O_RDONLY
        with pytest.raises(OSError, match="Bad file descriptor"):
            os.write(ours[0], b"x")


def _device_of(fd: int) -> int | None:
    try:
        return os.fstat(fd).st_rdev
    except OSError:
        return None


@pytest.mark.parametrize("module", ["capture/serial_port", "capture/process", "wire/byte_survey"])
def test_no_code_on_the_way_from_the_port_calls_write(module: str) -> None:
    tree = ast.parse((ROOT / "daq" / f"{module}.py").read_text(encoding="utf-8"))
    called = [
        ast.unparse(node.func)
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and node.func.attr.startswith(("write", "send", "sendall", "writelines", "tcsendbreak", "pwrite"))
    ]
    assert called in ([], ["sys.stderr.write"])


def test_a_missing_port_is_named_with_those_present(three_ports: None) -> None:
    with pytest.raises(LinkError) as caught:
        open_port("/dev/ttyNONE7", BAUD)
    assert str(caught.value) == (
        "/dev/ttyNONE7: no such port; present: /dev/ttyACM0 (n/a), /dev/ttyACM1 (Cradle node), COM9 (serial port)"
    )


def test_a_computer_without_ports_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(standbook.daq.capture.serial_port.driver_list, "comports", lambda: iter(()))
    with pytest.raises(LinkError, match=r"^/dev/ttyNONE7: no such port; no serial port is present$"):
        open_port("/dev/ttyNONE7", BAUD)


def test_ports_are_listed_by_name_with_what_identifies_them(three_ports: None) -> None:
    assert list_ports() == (
        PortInfo("/dev/ttyACM0", None, "n/a"),
        PortInfo("/dev/ttyACM1", "0007", "Cradle node"),
        PortInfo("COM9", None, "serial port"),
    )


def test_a_port_opened_twice_is_busy_and_free_again_after_closing(pty: Pty) -> None:
    with open_port(pty.path, BAUD), pytest.raises(LinkError, match="the port is busy; another program has it"):
        open_port(pty.path, BAUD)
    open_port(pty.path, BAUD).close()


def test_a_port_that_another_process_holds_is_busy_for_root_too(pty: Pty) -> None:
    program = (
        "import sys; from standbook.daq.capture.serial_port import open_port; port = open_port(sys.argv[1], 115200);"
        "sys.stdout.write('open'); sys.stdout.flush(); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, pty.path], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        assert other.stdout.read(4) == b"open"
        with pytest.raises(LinkError, match="busy"):
            open_port(pty.path, BAUD)
        other.kill()
    open_port(pty.path, BAUD).close()  # a killed holder leaves no lock behind


def test_a_file_is_not_a_port(tmp_path: Path) -> None:
    (tmp_path / "log.txt").touch()
    with pytest.raises(LinkError, match="not a serial port; name a device such as"):
        open_port(str(tmp_path / "log.txt"), BAUD)
    with pytest.raises(LinkError, match="not a serial port"):
        open_port("/dev/null", BAUD)


def test_a_folder_is_not_a_port(tmp_path: Path) -> None:
    with pytest.raises(LinkError, match="not a serial port"):
        open_port(str(tmp_path), BAUD)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody who may not")
def test_a_port_without_permission_names_the_group(pty: Pty) -> None:
    Path(pty.path).chmod(0o600)
    program = (
        "import grp, os, sys\nfrom standbook.daq.errors import LinkError\n"
        "from standbook.daq.capture.serial_port import open_port\n"
        "os.setuid(65534)\n"
        "try: open_port(sys.argv[1], 115200)\nexcept LinkError as error: sys.stdout.write(str(error))"
    )
    done = subprocess.run([sys.executable, "-c", program, pty.path], capture_output=True, text=True, check=True)
    group = Path(pty.path).group()
    assert done.stdout.startswith(f"{pty.path}: permission denied; on most Linux systems membership of the group")
    assert f"({group})" in done.stdout


def test_a_hang_up_is_a_link_error_and_what_came_before_is_still_read(pty: Pty) -> None:
    with open_port(pty.path, BAUD) as port:
        pty.write(b"last words")
        assert port.read(1.0) == b"last words"
        pty.close()
        for _ in range(2):
            with pytest.raises(LinkError, match=r"the port was lost \(.+\); plug it in again"):
                port.read(0.1)


def test_a_port_closed_here_is_not_read_and_closing_again_does_nothing(pty: Pty) -> None:
    port = open_port(pty.path, BAUD)
    port.close()
    port.close()
    with pytest.raises(ValueError, match="read after close"):
        port.read(0.0)


def test_a_socket_on_loopback_serves_where_there_is_no_pseudo_terminal() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        peers: list[socket.socket] = []
        thread = threading.Thread(target=lambda: peers.append(server.accept()[0]))
        thread.start()
        with open_port(url, BAUD) as port:
            thread.join()
            assert port.read(0.01) == b""
            peers[0].sendall(b"frame")
            received = b""
            while len(received) < 5:
                received += port.read(1.0)
            assert received == b"frame"
            peers[0].close()
            with pytest.raises(LinkError, match="the port was lost"):
                port.read(1.0)


def test_a_socket_nobody_serves_and_a_scheme_nobody_knows_are_refused() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        number = server.getsockname()[1]
    with pytest.raises(LinkError, match="cannot open the port"):
        open_port(f"socket://127.0.0.1:{number}", BAUD)
    with pytest.raises(LinkError, match="nothing://here is no port: write a device path"):
        open_port("nothing://here", BAUD)
