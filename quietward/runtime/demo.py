"""The whole ward under one supervisor: broker, store, devices, ingest, detect, page, all on 127.0.0.1."""

import contextlib
import os
import signal
import sys
import tempfile
import time
import urllib.request
import webbrowser
from collections.abc import Iterator
from pathlib import Path

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings, Refused, Unreachable
from quietward.contracts.liveness import WorkerReport, reports_of
from quietward.contracts.notice import NOTICE
from quietward.contracts.settings import Settings, without_password
from quietward.language.terminal import say
from quietward.runtime.embedded import free_port
from quietward.runtime.process import bind
from quietward.runtime.supervisor import LOOKS_EVERY_S, START_WITHIN_S, ProcessSupervisor
from quietward.store.ask import ask

COMPILES_S = 4.0
"""Who waits longer than that is told why: a start without compiling takes less."""


class _Stop(Exception):
    """The demo is to end."""


@contextlib.contextmanager
def _stoppable() -> Iterator[None]:
    def stop(*_: object) -> None:
        raise _Stop

    before = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    except _Stop:
        pass
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def run(
    settings: Settings,
    *,
    beds: int,
    shift: str | None,
    minutes: float | None,
    speed: float,
    browser: bool,
    own_broker: bool,
    own_store: bool,
) -> None:
    """Run the demo until Ctrl-C, SIGTERM or `minutes`. own_broker, own_store: start the embedded ones.

    Raises Unreachable when a port is taken or a process cannot start; nothing is left running then.
    """
    if _in_use(settings.host, settings.port):
        remedy = "Something listens there already; choose another with --port or QUIETWARD_PORT"
        raise Unreachable("page's port", settings.port, remedy)
    if minutes is not None and minutes <= 0:
        raise BadSettings("--minutes", minutes, "Give more than 0, or leave it out")
    with tempfile.TemporaryDirectory(prefix="quietward-demo-") as folder, _stoppable():
        broker_port, store_port = free_port(), free_port()
        environment = {
            **os.environ,
            "QUIETWARD_WARD": settings.ward,
            "QUIETWARD_SHARDS": str(settings.shards),
            "QUIETWARD_BROKER": f"mqtt://127.0.0.1:{broker_port}" if own_broker else settings.broker,
            "QUIETWARD_STORE": f"redis://127.0.0.1:{store_port}/0" if own_store else settings.store,
            "QUIETWARD_BROKER_PASSWORD_FILE": "",  # the passwords stand in the URLs by now
            "QUIETWARD_STORE_PASSWORD_FILE": "",
            "QUIETWARD_TLS_CA": settings.tls_ca,
            "QUIETWARD_TLS_CERTIFICATE": settings.tls_certificate,
            "QUIETWARD_TLS_KEY": settings.tls_key,
            "QUIETWARD_DEVICE_PASSWORDS": settings.device_passwords,
            "QUIETWARD_HOST": settings.host,
            "QUIETWARD_PORT": str(settings.port),
            "QUIETWARD_POLICY": settings.policy,
            "QUIETWARD_STUDIES": settings.studies,
            "QUIETWARD_CLASSROOM": settings.classroom,
            "QUIETWARD_PEOPLE": settings.people,
            "QUIETWARD_DEMO_SPEED": str(speed),
            "QUIETWARD_RATE": str(max(settings.rate, 2 * speed)),  # its devices play faster than time
        }
        supervisor = ProcessSupervisor(environment, Path(folder))
        try:
            if own_broker:
                supervisor.wait_until_up(
                    supervisor.start("broker", "embedded-broker", "--port", str(broker_port)), broker_port
                )
            if own_store:
                supervisor.wait_until_up(
                    supervisor.start("store", "embedded-store", "--port", str(store_port)), store_port
                )
            page = supervisor.start("page", "serve")
            supervisor.start("ingest", "ingest")
            supervisor.start("detect", "detect")
            devices = ["--beds", str(beds), "--speed", str(speed), "--head-start", "12", "--hours", "24"]
            devices += [] if shift is None else ["--shift", shift]
            supervisor.start("devices", "simulate", *devices, once=True)
            supervisor.wait_until_up(page, settings.port)
            address = f"http://{settings.host}:{settings.port}/"
            _wait_for_beds(address, supervisor)
            say(NOTICE)
            say(f"The ward of {beds} simulated beds is on {address}")
            broker, store = (without_password(environment[f"QUIETWARD_{name}"]) for name in ("BROKER", "STORE"))
            say(f"Broker {broker}, store {store}. Ctrl-C ends everything.")
            sys.stdout.flush()
            if browser:
                webbrowser.open(address)
            end = None if minutes is None else time.monotonic() + minutes * 60
            looks_at = time.monotonic() + LOOKS_EVERY_S
            while end is None or time.monotonic() < end:
                time.sleep(0.2)
                if time.monotonic() > looks_at:
                    looks_at = time.monotonic() + LOOKS_EVERY_S
                    if (news := supervisor.kill_hung(_reports(environment["QUIETWARD_STORE"], settings))) is not None:
                        say(news, flush=True)
                if (news := supervisor.restart_dead()) is not None:
                    say(news, flush=True)
        finally:
            with contextlib.suppress(_Stop):
                supervisor.end()
    say("Ended.")


def _reports(store: str, settings: Settings) -> list[WorkerReport]:
    """Return what the parts say of themselves, nothing while the store does not answer."""
    try:
        raw = ask(store, settings.tls, "HGETALL", Ward(settings.ward).heartbeats)
    except (Refused, Unreachable):
        return []
    return reports_of(dict(zip(raw[::2], raw[1::2], strict=True)))


def _in_use(host: str, port: int) -> bool:
    try:
        bind(host, port).close()
    except Unreachable:
        return True
    return False


def _wait_for_beds(address: str, supervisor: ProcessSupervisor) -> None:
    """Wait until a bed is watched, so that nobody opens a page of beds of which nothing is known.

    Raises Unreachable when a process dies again and again meanwhile.
    """
    began = time.monotonic()
    is_told = False
    while (lasts_s := time.monotonic() - began) < START_WITHIN_S:
        supervisor.restart_dead(gives_up=True)
        if lasts_s > COMPILES_S and not is_told:
            say(
                "Starting. After an installation the detector compiles its core first: a minute or so, once.",
                flush=True,
            )
            is_told = True
        try:
            with urllib.request.urlopen(f"{address}health", timeout=2) as answer:  # noqa: S310 - our own address
                if b'"watched":0' not in answer.read():
                    return
        except OSError:
            pass  # not up yet
        time.sleep(0.1)
