"""Nothing is ever sent to a device, and nothing listens on a network: read from the source, and seen from outside."""

import ast
import os
import sys
import time
import tty
from pathlib import Path

import pytest

from standbook.daq.capture.launcher import start_capture
from standbook.daq.capture.serial_port import ReadPort

SENDING = ("write", "send", "pwrite", "tcsend", "sendfile", "ioctl_write", "setDTR", "setRTS", "break_condition")
# All that this package does with an object of the serial driver.
DRIVER = {
    "port",
    "baudrate",
    "dtr",
    "exclusive",
    "inter_byte_timeout",
    "timeout",
    "open",
    "close",
    "read",
    "in_waiting",
}
NETWORK = {"socket", "socketserver", "http", "asyncio", "ssl", "xmlrpc", "wsgiref", "ftplib", "smtplib"}
LISTENING = {"bind", "listen", "accept", "create_server", "serve_forever", "start_server"}
PATIENCE = 20.0  # [s]


def imported(nodes):
    for node in nodes:
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def calls(nodes):
    """Give the attribute and the object of every call of a method, as written."""
    for node in nodes:
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            yield node.func.attr, ast.unparse(node.func.value)


def test_the_port_object_has_no_way_to_write():
    port = ReadPort("x", lambda timeout: b"", lambda: None)
    assert {name for name in dir(port) if not name.startswith("_")} == {"close", "is_pseudo", "path", "read"}
    with pytest.raises(AttributeError):
        port.write = None


def test_whoever_opens_a_port_sends_nothing(source_nodes):
    """All modules that can get hold of a port, and the one that makes it; what they do write is named."""
    ways = (
        "standbook.daq.capture.serial_port.open_port",
        "standbook.daq.capture.serial_port.ReadPort",
        "standbook.daq.capture.serial_port",
    )
    openers = {name: nodes for name, nodes in source_nodes.items() if any(found in ways for found in imported(nodes))}
    assert "daq/capture/process.py" in openers
    openers["daq/capture/serial_port.py"] = source_nodes["daq/capture/serial_port.py"]
    sent = {
        f"{name}: {whose}.{what}"
        for name, nodes in openers.items()
        for what, whose in calls(nodes)
        if what.startswith(SENDING)
    }
    assert sent == {"daq/capture/process.py: sys.stderr.write"}


def test_the_serial_driver_is_only_opened_read_and_closed(source_nodes):
    nodes = source_nodes["daq/capture/serial_port.py"]
    used = {
        node.attr
        for node in nodes
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "driver"
    }
    assert used == DRIVER
    flags = {node.attr for node in nodes if isinstance(node, ast.Attribute) and node.attr.startswith("O_")}
    assert "O_RDONLY" in flags
    assert flags & {"O_RDWR", "O_WRONLY"} == set()


def test_nothing_knows_how_to_listen_on_a_network(source_nodes):
    users = {
        name for name, nodes in source_nodes.items() if any(found.split(".")[0] in NETWORK for found in imported(nodes))
    }
    assert users == set()
    heard = {
        f"{name}: {whose}.{what}"
        for name, nodes in source_nodes.items()
        for what, whose in calls(nodes)
        if what in LISTENING
    }
    assert heard == set()


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks into /proc")
def test_a_capture_sends_the_device_not_one_byte_and_holds_no_socket(tmp_path):
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    handle = start_capture("cradle-a", os.ttyname(slave), 115_200, tmp_path)
    try:
        handle.wait_until_recording()
        os.write(master, b"hello from a board\n")
        deadline = time.monotonic() + PATIENCE
        while (status := handle.status()) is None or status.written_bytes == 0:
            assert time.monotonic() < deadline
            time.sleep(0.01)
        held = []
        for entry in Path(f"/proc/{handle.pid}/fd").iterdir():
            try:
                held.append(str(entry.readlink()))
            except FileNotFoundError:  # closed since: a status file
                continue
        assert os.ttyname(slave) in held
        assert [what for what in held if what.startswith("socket:")] == []
    finally:
        handle.stop()
    with pytest.raises(BlockingIOError):
        os.read(master, 1)
    os.close(slave)
    os.close(master)
