"""What may be opened as a port, and what the serial driver would open besides."""

import pytest
from pydantic import ValidationError

from standbook.daq.capture.serial_port import open_port
from standbook.daq.config.stand import Device
from standbook.daq.errors import LinkError
from standbook.daq.port_name import port_fault

PORTS = (
    "/dev/ttyACM0",
    "/dev/serial/by-id/usb-maker_board_0007",
    "COM3",
    "socket://127.0.0.1:4000",
    "socket://localhost:1",
)
NO_PORTS = (
    "",
    "spy:///dev/ttyACM0?file=kept.txt",
    "hwgrep://0007",
    "loop://",
    "alt:///dev/ttyACM0?class=PosixPollSerial",
    "rfc2217://127.0.0.1:4000",
    "socket://192.168.0.4:4000",
    "socket://127.0.0.1.example:4000",
    "socket://127.0.0.1:4000?logging=debug",
    "cp2110://x",
    "/dev/ttyACM0\x1b[2J",
    "/dev/tty\u202e0MCA",
    "/dev/tty\x00",
    "x/" * 3000,
)


@pytest.mark.parametrize("port", PORTS)
def test_device_paths_and_loopback_sockets_are_ports(port):
    assert port_fault(port) == ""
    assert Device.model_validate({"name": "cradle-a", "port": port}).port == port


@pytest.mark.parametrize("port", NO_PORTS)
def test_whatever_else_the_driver_would_open_is_refused_by_stand_and_opening(port, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    kept = tmp_path / "kept.txt"
    kept.write_text("older")
    assert port_fault(port).isprintable()
    with pytest.raises(ValidationError, match="is no port: write a device path"):
        Device.model_validate({"name": "cradle-a", "port": port})
    with pytest.raises(LinkError, match="is no port: write a device path"):
        open_port(port, 115_200)
    assert kept.read_text() == "older"
