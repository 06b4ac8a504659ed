"""Options and arguments that several commands have in common."""

from pathlib import Path
from typing import Annotated

import typer

from quietward.recordings import SUFFIXES

BedsOption = Annotated[
    int | None, typer.Option("--beds", help="How many simulated beds, 1 to 500; 8, or all of the shift.")
]
SpeedOption = Annotated[float, typer.Option("--speed", help="Seconds of signal per second, 0.1 to 100.")]
ShiftOption = Annotated[str | None, typer.Option("--shift", help="Shift: beds with a scenario each, by name or path.")]
SeedOption = Annotated[int, typer.Option("--seed", help="Seed of the random numbers: another one makes other labours.")]
WardOption = Annotated[str | None, typer.Option("--ward", help="Name of the ward (QUIETWARD_WARD).")]
BrokerOption = Annotated[
    str | None, typer.Option("--broker", help="mqtt[s]://[user:password@]host:port (QUIETWARD_BROKER).")
]
StoreOption = Annotated[
    str | None, typer.Option("--store", help="redis[s]://[user:password@]host:port/0 (QUIETWARD_STORE).")
]
ShardsOption = Annotated[
    int | None,
    typer.Option("--shards", help="Shards of the ward, the same for every part (QUIETWARD_SHARDS)."),
]
PolicyOption = Annotated[
    str | None,
    typer.Option("--policy", help="Attention policy: a name, or a path ending in .toml (QUIETWARD_POLICY)."),
]
HostOption = Annotated[str | None, typer.Option("--host", help="Address the page listens on (QUIETWARD_HOST).")]
PortOption = Annotated[int | None, typer.Option("--port", help="Port the page listens on (QUIETWARD_PORT).")]
SettingsOption = Annotated[str | None, typer.Option("--settings", help="TOML file with settings (QUIETWARD_SETTINGS).")]
PathsArgument = Annotated[list[Path], typer.Argument(help=f"Recordings ({', '.join(SUFFIXES)}) or folders of them.")]
