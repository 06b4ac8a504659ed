"""The embedded broker and store, as processes of their own."""

from typing import Annotated

import typer


def embedded_broker(port: Annotated[int, typer.Option("--port")]) -> None:
    """Run the embedded MQTT broker on 127.0.0.1, for demo and tests."""
    from quietward.runtime.embedded import run_broker

    run_broker(port)


def embedded_store(port: Annotated[int, typer.Option("--port")]) -> None:
    """Run the embedded store on 127.0.0.1, for demo and tests."""
    from quietward.runtime.embedded import run_store

    run_store(port)
