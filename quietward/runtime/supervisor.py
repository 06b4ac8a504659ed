"""Processes of one ward under a supervisor: started, restarted when they die, and ended together."""

import os
import socket
import subprocess
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from quietward.contracts.errors import Unreachable
from quietward.contracts.liveness import WorkerReport
from quietward.runtime.embedded import die_when_parent_dies, wait_for_port
from quietward.runtime.process import command_of

START_WITHIN_S = 60.0
END_WITHIN_S = 4.0
DEATHS_ALLOWED = 3
"""A process that has ended so often within a minute is not restarted at once."""
RESTS_S = 30.0
"""So long it rests then, while the others go on."""
LOOKS_EVERY_S = 5.0
"""How often reports should be looked at."""
SILENT_FOR_S = 35.0
"""A process that reports, and then has not for so long, hangs. One that can ends itself before, and says where."""
MOST_LOG_BYTES = 4 * 2**20
"""A log that has grown beyond it is cut to its newest half."""


@dataclass
class ManagedProcess:
    """A process under supervision. once: it may end by itself. ours: it watches QUIETWARD_PARENT and ends with us.

    metrics_port: where it serves its metrics; 0: nowhere. reported_at: ms of its newest report, None while it has made
    none; silent_s: for how long there has been no newer one.
    """

    name: str
    arguments: list[str]
    once: bool = False
    ours: bool = True
    metrics_port: int = 0
    process: subprocess.Popen[bytes] | None = None
    deaths: list[float] = field(default_factory=list)
    rests_until: float = 0.0
    reported_at: int | None = None
    silent_s: float = 0.0


class ProcessSupervisor:
    """Starts processes, restarts those that die, and ends all."""

    def __init__(self, environment: dict[str, str], folder: Path) -> None:
        self.environment, self.folder = environment, folder
        self.processes: list[ManagedProcess] = []
        # Every process reads from this pipe; it closes when we die, however we die, and then they end too.
        self.pipe_read, self.pipe_write = os.pipe()

    def start(self, name: str, *arguments: str, once: bool = False, metrics_port: int = 0) -> ManagedProcess:
        """Start `quietward <arguments>`."""
        return self._start(ManagedProcess(name, command_of(*arguments), once, metrics_port=metrics_port))

    def start_program(self, name: str, command: list[str]) -> ManagedProcess:
        """Start another program. On Linux the kernel ends it with us, however we die."""
        return self._start(ManagedProcess(name, command, ours=False))

    def _start(self, managed: ManagedProcess) -> ManagedProcess:
        self.processes.append(managed)
        self._launch(managed)
        return managed

    def _launch(self, managed: ManagedProcess) -> None:
        with self.log(managed).open("ab") as file:
            managed.process = subprocess.Popen(
                managed.arguments,
                stdout=file,
                stderr=file,
                stdin=subprocess.DEVNULL,
                env={
                    **self.environment,
                    "QUIETWARD_METRICS_PORT": str(managed.metrics_port),  # each needs a port of its own
                    "QUIETWARD_PARENT": str(self.pipe_read),
                },
                pass_fds=[self.pipe_read],
                start_new_session=True,  # Ctrl-C reaches us alone; we end the processes in order
                preexec_fn=None if managed.ours else die_when_parent_dies,  # noqa: PLW1509  # no thread holds a lock
            )

    def log(self, managed: ManagedProcess) -> Path:
        """Return the log file of a process."""
        return self.folder / f"{managed.name}.log"

    def kill_hung(self, reports: Sequence[WorkerReport]) -> str | None:
        """Kill a process that reports no more, however it hangs, and return a line about it; it will be restarted.

        To be called every LOOKS_EVERY_S with what the store holds, as long as that answers. Silence is counted in such
        looks, not by a clock, and only while others report: else it is the store that takes nothing.
        """
        here = socket.gethostname()
        at = {one.pid: one.at for one in sorted(reports, key=lambda one: one.at) if one.host == here}
        running = [one for one in self.processes if one.process is not None and one.process.poll() is None]
        now = [at.get(str(one.process.pid)) for one in running if one.process is not None]
        some_report = any(newest not in (None, one.reported_at) for one, newest in zip(running, now, strict=True))
        hung = None
        for one, newest in zip(running, now, strict=True):
            if newest is None or newest != one.reported_at:
                one.silent_s = 0.0
            elif some_report:
                one.silent_s += LOOKS_EVERY_S
            one.reported_at = newest
            if one.silent_s >= SILENT_FOR_S and one.process is not None:
                one.process.kill()
                hung = f"{one.name} has not reported for {one.silent_s:.0f} s, and is killed"
        return hung

    def _shorten_logs(self) -> None:
        """Cut every log that is too long to its newest lines. What is said in the moment of the cut may be lost.

        The processes append: wherever they have been, what they say next goes to the end of what is left.
        """
        for managed in self.processes:
            with suppress(OSError), self.log(managed).open("rb+") as file:  # it may have been tidied away
                if file.seek(0, os.SEEK_END) <= MOST_LOG_BYTES:
                    continue
                file.seek(-MOST_LOG_BYTES // 2, os.SEEK_END)
                file.readline()  # the rest of a line
                newest = file.read()
                file.seek(0)
                file.write(newest)
                file.truncate()

    def last_log_line(self, managed: ManagedProcess) -> str:
        """Return the last line of a process's log that holds words."""
        lines = self.log(managed).read_text(errors="replace").splitlines()
        with_words = [line.strip(" |") for line in lines if line.strip(" |+-")]
        return with_words[-1] if with_words else "(it said nothing)"

    def wait_until_up(self, managed: ManagedProcess, port: int) -> None:
        """Wait until a process listens. Raises Unreachable with its last log line when it does not."""
        end = time.monotonic() + START_WITHIN_S
        while time.monotonic() < end:
            if managed.process is not None and managed.process.poll() is not None:
                break
            if wait_for_port(port, 0.3):
                return
        raise Unreachable(f"{managed.name} did not start", port, self.last_log_line(managed))

    def restart_dead(self, *, gives_up: bool = False) -> str | None:
        """Restart a process that has died, and return a line about it, or about one that has ended as it should.

        To be called again and again: it also keeps the logs short.
        gives_up: raise Unreachable when one dies again and again, as at a start; else it rests, and the others go on.
        """
        self._shorten_logs()
        for managed in self.processes:
            if managed.process is None or (code := managed.process.poll()) is None:
                continue
            if managed.once and code == 0:
                managed.process = None
                return f"{managed.name} has finished"
            now = time.monotonic()
            if now < managed.rests_until:
                continue
            if managed.rests_until == 0:
                managed.deaths = [t for t in managed.deaths if now - t < 60] + [now]
                if len(managed.deaths) >= DEATHS_ALLOWED:
                    why = f"{managed.name} keeps stopping"
                    if gives_up:
                        raise Unreachable(why, code, self.last_log_line(managed))
                    managed.rests_until = now + RESTS_S
                    return f"{why} ({code}); next try in {RESTS_S:.0f} s. It said: {self.last_log_line(managed)}"
            managed.rests_until = 0.0
            self._launch(managed)
            return f"{managed.name} ended ({code}); started again"
        return None

    def end(self) -> None:
        """End all processes, the last started first."""
        running = [managed.process for managed in reversed(self.processes) if managed.process is not None]
        for process in running:
            if process.poll() is None:
                process.terminate()
        end = time.monotonic() + END_WITHIN_S
        for process in running:
            try:
                process.wait(max(0.1, end - time.monotonic()))
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        os.close(self.pipe_read)
        os.close(self.pipe_write)
