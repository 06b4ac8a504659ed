"""The loop of a shard's detector: read, step, commit. Several workers share out the shards.

What comes out depends on the input stream alone. So after a kill at any point the state is rebuilt from the last
checkpoint and the entries after it, saying nothing up to the last written position, and goes on from there.
"""

import asyncio
import dataclasses
import logging
import time
from collections import Counter
from collections.abc import Iterable, Mapping
from itertools import groupby

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import LostOwnership
from quietward.contracts.fields import encode_json
from quietward.contracts.inputs import (
    Asked,
    Block,
    Input,
    SetAside,
    Tick,
    Transfer,
    TransferAnswer,
    UndoTransfer,
    Unreadable,
)
from quietward.contracts.log import Event
from quietward.contracts.samples import EXAMPLE_BYTES
from quietward.contracts.settings import Settings
from quietward.contracts.summary import Summary
from quietward.detect import rule_file
from quietward.detect.core import engine
from quietward.detect.core.people import moves, stays
from quietward.detect.core.reporting import summaries
from quietward.detect.core.reporting.carry_over import carry_over
from quietward.detect.core.reporting.output import Output
from quietward.detect.core.state.rules import Rules
from quietward.detect.core.state.state import State
from quietward.detect.store import (
    READ_AT_MOST,
    STREAM_START,
    Encoded,
    Place,
    Resume,
    ShardStore,
    StreamEntry,
    encoded,
    entry_key,
)
from quietward.detect.working_note import SET_ASIDE_AFTER, Doubt, WorkingNote
from quietward.runtime import metrics
from quietward.runtime.clock import now_ms, steady_ms
from quietward.runtime.hooks import TestHook, no_hook
from quietward.runtime.leases import LeaseGroup, run_leased
from quietward.runtime.liveness import LATE_S, FailedInARow, StoppedSince, report
from quietward.runtime.logs import Seldom
from quietward.runtime.process import RecancellingTaskGroup
from quietward.runtime.retry import STORE_DELAY_S, Backoff, until_stored
from quietward.store.client import RedisError, Store, connected
from quietward.store.topology import check_topology

Part = list[tuple[Place, Input | SetAside]]
"""Inputs of one step."""
log = logging.getLogger("quietward.detect")

LOGGED_WHERE_FOUND = frozenset({"unreadable", "failed"})
"""Reasons of refusals that are logged, with what they are about, before they are counted."""
DEAD_AFTER_S = 4.0
"""The shards of a detector that is silent for so long go to others."""
STEP_AT_MOST = 20_000
"""Inputs of one step: a fraction of a second. A loop that stands still for 10 s loses its shards, see `leases`."""
ASKED_AGAIN_S = 3.0
"""What another bed has been asked for is repeated after so long without an answer."""
SAVED_AGAIN_S = 5.0
"""A checkpoint that could not be written is tried again after so long at most, so that its trouble goes soon."""
REBUILD_MS = 90 * 60_000
"""Without a usable checkpoint the state is rebuilt from so much of the stream: more than any finding looks back, and
than any condition of the default policy takes to hold."""


async def serve(settings: Settings) -> None:
    """Run the shards that this detector has leases for, until cancelled. Raises BadRules, BadSettings, Unreachable."""
    rules = rule_file.load(settings.policy)
    ward = Ward(settings.ward, settings.shards)
    metrics.expose(settings, "detect")
    began = time.monotonic()
    await asyncio.to_thread(engine.prepare, rules)  # before it asks for shards: nobody is kept waiting for it
    log.info("the compiled core is ready after %.1f s", time.monotonic() - began)
    async with connected(settings.store, settings.tls) as store, RecancellingTaskGroup() as tasks:
        await until_stored(lambda: check_topology(store, ward, shards=settings.shards))
        await until_stored(lambda: publish_policy(store, ward, rules))

        held: dict[int, Detector] = {}

        async def run(number: int) -> None:
            detector = held[number] = Detector(ShardStore(store, ward.shard(number)), rules, settings.checkpoint_s)
            try:
                await detector.run_for_ever()
            except LostOwnership as error:
                log.warning("%s", error)
            finally:
                del held[number]

        shards = LeaseGroup("detect", settings.shards, DEAD_AFTER_S)
        tasks.create_task(run_leased(store, ward, shards, run), name="shards")
        tasks.create_task(report(store, ward, "detect", lambda: troubles_of(held)), name="report")
        log.info("detect of %s runs, rules %s", ward.name, rules.digest)


def troubles_of(detectors: Mapping[int, "Detector"]) -> list[str]:
    """Return in words which shards have not had their last second worked through."""
    return [trouble for _, detector in sorted(detectors.items()) for trouble in detector.troubles()]


async def publish_policy(store: Store, ward: Ward, rules: Rules) -> None:
    """Write what the page needs to know of the running policy."""
    await store.at(ward.policy).set(ward.policy, encode_json(rule_file.policy_info(rules)))


class Detector:
    """One shard's detector."""

    def __init__(self, store: ShardStore, rules: Rules, checkpoint_s: float, test_hook: TestHook = no_hook) -> None:
        self.store, self.rules, self.checkpoint_s, self.test_hook = store, rules, checkpoint_s, test_hook
        self.state = State(rules)
        self.aside: dict[Place, str] = {}
        self.position = STREAM_START
        self._worked = StoppedSince()
        self._is_abreast = False  # the newest read brought all there was
        self._saves_at = 0.0
        self._saving: asyncio.Task[None] | None = None
        self._sending: asyncio.Task[None] | None = None
        self._saves, self._sends = FailedInARow(), FailedInARow()
        self._answers: list[TransferAnswer] = []
        self._asked_at: dict[str, float] = {}
        self._seldom = Seldom()
        self._note = WorkingNote()
        self._doubt: Doubt | None = None

    async def run_for_ever(self) -> None:
        """Take over and run; start again from what is stored after every outage of the store.

        Raises LostOwnership, so that whoever took over the shard meanwhile is not fenced in turn.
        """
        backoff = Backoff(STORE_DELAY_S)
        metrics.SHARDS.hold(self.store.shard.number, self.behind_s)
        try:
            while True:
                try:
                    await self.store.check_ownership()
                    await self.take_over()
                    backoff.worked()
                    await self.run()
                except RedisError as error:
                    await backoff.wait(f"store: {error}")
        finally:
            metrics.SHARDS.let_go(self.store.shard.number)
            for task in (self._saving, self._sending):
                if task is not None:
                    task.cancel()
            self._note.close()
            await self.store.disconnect()

    async def take_over(self) -> None:
        """Become the owner and bring the state up to what has been written.

        What an earlier owner began and never ended is worked through input by input; the one in which the next two
        ended, too, is set aside.
        """
        resume = await self.store.take_over()
        doubt = self._doubt = self._note.begin(self.store) or self._doubt
        if doubt is not None and doubt.ended >= SET_ASIDE_AFTER:
            entry_id, number = doubt.first
            log.error(
                "shard %d: set aside, since detectors have ended in it: input %d of entry %s",
                self.store.shard.number, number, entry_id,
            )  # fmt: skip
            await self.store.put_aside({doubt.first: "detectors have ended in it"})
            self._doubt = None
            await self.store.count_refused({("?", "failed"): 1})
        await self._rebuild(resume)

    async def _rebuild(self, resume: Resume, *, careful: bool = False) -> None:
        """Bring the state up to what has been written. careful: an input makes a step fail; find out which."""
        started = time.monotonic()
        self.aside = await self.store.set_aside()
        saved = State.from_bytes(resume.state, self.rules) if resume.state else None
        written: dict[str, Summary] = {}
        if saved is None and resume.state:
            why = State.why_not(resume.state, self.rules)
            log.warning("shard %d: the checkpoint is of %s; the state is rebuilt", self.store.shard.number, why)
        if saved is None:
            oldest = max(0, entry_key(resume.written)[0] - REBUILD_MS)
            self.state, after = State(self.rules), f"{oldest}-0"
            written = await self.store.summaries()
            self.state.admit(bed for bed, summary in written.items() if summary.stay is not None)
            for summary in written.values():
                stays.resume(self.state, summary, oldest)
        else:
            self.state, after = saved, resume.saved
        rebuilt_from = after
        while after != resume.written and resume.written != STREAM_START:
            entries = [e for e in await self.store.read(after) if entry_key(e[0]) <= entry_key(resume.written)]
            if not entries:
                break
            inputs = self._usable(entries)
            if careful:
                await self._without_what_fails(inputs)
            else:
                try:
                    await self._step(inputs)
                except Exception:
                    log.exception("shard %d: rebuilding the state failed", self.store.shard.number)
                    await self._rebuild(resume, careful=True)
                    return
            after = entries[-1][0]
        if saved is None:
            self.state.admit(written)
            for bed in [bed for bed in self.state.beds if self.state.index_of[bed] not in self.state.first_at]:
                last = written.get(bed)
                newest = await self.store.last_events(bed, 0 if last is None else last.stay_id)
                carry_over(self.state, bed, newest, last)
        self.position = resume.written
        log.info(
            "shard %d: %d beds, rebuilt from %s to %s in %.1f s",
            self.store.shard.number, len(self.state.beds), rebuilt_from, resume.written, time.monotonic() - started,
        )  # fmt: skip

    async def run(self) -> None:
        """Read, step, commit. Raises RedisError, LostOwnership."""
        while True:
            entries = await self.store.wait(self.position)
            self._is_abreast = len(entries) < READ_AT_MOST
            self._send_if_due()
            if not entries:
                self._worked.note()
                continue
            inputs = self._usable(entries)
            with metrics.STEP.time():
                output, live, outputs = await self._work_through(inputs)
            position = entries[-1][0]
            self.test_hook("stepped")
            with metrics.COMMIT.time():
                await self.store.commit(position, outputs, self._kept_s(output))
            self.test_hook("committed")
            self.position = position
            self._worked.note()
            self._save_if_due()
            self._answers += output.answers
            self._send_if_due()
            self._count(inputs.values(), output.events, live)
            refused = output.refused + self._unreadable_in(entries)
            if refused:
                self._say_refused(refused)
                await self.store.count_refused(refused)

    def _say_refused(self, refused: Counter[tuple[str, str]]) -> None:
        """Count seconds that were not used as they came, and log it, of each bed and reason now and then."""
        for (bed, why), seconds in refused.items():
            metrics.UNUSED.labels(why).inc(seconds)
            if why not in LOGGED_WHERE_FOUND and self._seldom.is_due(bed, why, steady_ms()):
                n = self.state.index_of.get(bed)
                about = {"bed": bed, "session": "" if n is None else self.state.sessions[n], "reason": why}
                level = logging.INFO if why == "repeated" else logging.WARNING  # what was acknowledged too late
                of_another = " of another session" if why == "superseded" else ""
                log.log(level, "not used as it came: %d s of signal%s", seconds, of_another, extra=about)

    def _kept_s(self, output: Output) -> dict[tuple[str, int], int]:
        """Return how long log and trend of stays that have begun or ended are kept from now on; 0: for good."""
        read_s = round(self.rules.stay.read_h * 3600)
        return {stay: read_s if has_ended else 0 for stay, has_ended in output.ended.items()}

    def _usable(self, entries: list[StreamEntry]) -> dict[Place, Input | SetAside]:
        """Return the inputs of entries by their places, in order; SetAside for each that makes a step fail."""
        return {
            (entry_id, number): _set_aside(item) if (entry_id, number) in self.aside else item
            for entry_id, items in entries
            for number, item in enumerate(items)
            if not isinstance(item, Unreadable)
        }

    def _unreadable_in(self, entries: list[StreamEntry]) -> Counter[tuple[str, str]]:
        """Tell what could not be decoded in entries, and return it as counts of refusals."""
        refused: Counter[tuple[str, str]] = Counter()
        for entry_id, items in entries:
            for item in items:
                if isinstance(item, Unreadable):
                    refused["?", "unreadable"] += 1
                    log.error(
                        "shard %d: entry %s is passed over in part: %s", self.store.shard.number, entry_id, item.why
                    )
        return refused

    async def _work_through(self, inputs: dict[Place, Input | SetAside]) -> tuple[Output, list[Summary], Encoded]:
        """Take a step. If it fails, begin again from what is stored, and leave out what makes it fail."""
        try:
            return self._to_write(await self._step(inputs))
        except Exception:
            log.exception("shard %d: a step failed", self.store.shard.number)
        if self._saving is not None:
            await asyncio.wait([self._saving])
        resume = await self.store.resume()
        await self._rebuild(dataclasses.replace(resume, written=self.position))
        return self._to_write(await self._without_what_fails(inputs))

    def _to_write(self, output: Output) -> tuple[Output, list[Summary], Encoded]:
        """Return outputs with the summaries that are due, and both as they are stored."""
        live = summaries.of(self.state, output)
        return output, live, encoded(output.copied + output.events, live)

    async def _step(self, inputs: dict[Place, Input | SetAside]) -> Output:
        """Take a step, in parts: what has piled up may be hours of many beds, and the loop must make its turns."""
        output = Output()
        for part in self._parts(inputs):
            _add(output, self._step_of(part))
            await asyncio.sleep(0)
        return output

    def _parts(self, inputs: dict[Place, Input | SetAside]) -> list[Part]:
        """Return inputs in parts of a step: one by one where an earlier owner ended in one of them."""
        items, doubt = list(inputs.items()), self._doubt
        if doubt is None:
            return _cut(items, STEP_AT_MOST)
        parts: list[Part] = []
        for is_doubted, some in groupby(items, key=lambda item: doubt.holds_some(item[0], item[0])):
            parts += _cut(list(some), 1 if is_doubted else STEP_AT_MOST)
        return parts

    def _step_of(self, part: Part) -> Output:
        """Take a step, and note where it is, for whoever takes over if it never ends."""
        first, last, doubt = part[0][0], part[-1][0], self._doubt
        is_doubted = doubt is not None and first == last and doubt.holds_some(first, last)
        ended = doubt.ended + 1 if doubt is not None and is_doubted else 0
        with self._note.working(first, last, ended):
            return engine.step(self.state, [item for _, item in part])

    async def _without_what_fails(self, inputs: dict[Place, Input | SetAside]) -> Output:
        """Take a step without the inputs that make it fail, and note these, so that they stop nobody a second time."""
        output, failed = Output(), {}
        left = self._parts(inputs)[::-1]
        while left:
            await asyncio.sleep(0)
            part = left.pop()
            before = self.state.to_bytes()
            try:
                step = self._step_of(part)
                self._to_write(step)
            except Exception as error:
                self.state = State.from_bytes(before, self.rules) or self.state  # what was just written can be read
                if len(part) > 1:
                    middle = len(part) // 2
                    left += [part[middle:], part[:middle]]
                    continue
                ((place, item),) = part
                failed[place] = repr(error)
                about = {"bed": bed_of(item), "session": getattr(item, "session", ""), "reason": "failed"}
                log.exception(
                    "shard %d: set aside, since it makes the detector fail: %s", self.store.shard.number,
                    str(item)[:EXAMPLE_BYTES], extra=about,
                )  # fmt: skip
                step = engine.step(self.state, [_set_aside(item)])
                step.refused[bed_of(item) or "?", "failed"] += 1
            _add(output, step)
        if failed:
            await self.store.put_aside(failed)
        return output

    def _save_if_due(self) -> None:
        if time.monotonic() >= self._saves_at and (self._saving is None or self._saving.done()):
            self._saves_at = time.monotonic() + self.checkpoint_s
            self._saving = asyncio.create_task(self._save(self.position, self.state.to_bytes()), name="checkpoint")

    async def _save(self, position: str, state: bytes) -> None:
        try:
            self.test_hook("saving")
            await self.store.save(position, state)
            self.test_hook("saved")
            self._saves.note()
        except LostOwnership:
            pass  # the next commit raises it
        except RedisError as error:
            log.warning("checkpoint of shard %d: %s", self.store.shard.number, error)
            self._saves.note(error)
            self._saves_at = time.monotonic() + min(self.checkpoint_s, SAVED_AGAIN_S)

    def _send_if_due(self) -> None:
        """Send other beds what they are asked and answered: only what follows from inputs whose outputs are written.

        An answer may be lost, then it is asked for again.
        """
        if self._sending is not None and not self._sending.done():
            return
        now, pending = time.monotonic(), moves.asked_for(self.state) if self.state.stays else []
        self._asked_at = {one.id: self._asked_at[one.id] for one in pending if one.id in self._asked_at}
        due = [one for one in pending if now - self._asked_at.get(one.id, -ASKED_AGAIN_S) >= ASKED_AGAIN_S]
        if due or self._answers:
            self._asked_at |= {one.id: now for one in due}
            messages, self._answers = [*self._answers, *due], []
            self._sending = asyncio.create_task(self._send(messages), name="to other beds")
        elif not pending:
            self._sends.note()  # nothing is waited for any more

    async def _send(self, messages: list[Asked | TransferAnswer]) -> None:
        failed: RedisError | None = None
        for message in messages:
            try:
                self.test_hook("sending")
                await self.store.send(message)
                self.test_hook("sent to another bed")
            except RedisError as error:
                log.warning("shard %d: %s was not sent to another bed: %s", self.store.shard.number, message.id, error)
                failed = error
        self._sends.note(failed)

    def behind_s(self) -> float | None:
        """Return the age in s of the newest input whose outputs are written, None before the first commit."""
        if self.position == STREAM_START:
            return None
        return max(0.0, (now_ms() - entry_key(self.position)[0]) / 1000)

    def troubles(self) -> list[str]:
        """Return in words whether the last second was not worked through, and what cannot be written beside it."""
        number, behind_s = self.store.shard.number, self.behind_s()
        troubles = self._worked.trouble(f"shard {number} has not been worked through")
        if not troubles and behind_s is not None and behind_s > LATE_S and not self._is_abreast:
            troubles = [f"shard {number} is {behind_s:.0f} s behind"]
        if error := self._saves.error:
            troubles.append(f"shard {number}: the checkpoint cannot be written: {error}")
        if error := self._sends.error:
            troubles.append(f"shard {number}: what another bed is asked cannot be written: {error}")
        return troubles

    def _count(self, inputs: Iterable[Input | SetAside], events: list[Event], live: list[Summary]) -> None:
        now, arrivals = now_ms(), [item.at for item in inputs if isinstance(item, Block)]
        metrics.WORKED.inc(len(arrivals))
        for at in arrivals:
            metrics.DELAY.observe((now - at) / 1000)
        for event in events:
            metrics.EVENTS.labels(event.kind).inc()
        metrics.SHARDS.note(self.store.shard.number, live)


def bed_of(item: Input | SetAside) -> str:
    """Return the bed that an input is of; empty if it is of all."""
    return "" if isinstance(item, Tick) else item.bed


def _set_aside(item: Input | SetAside) -> SetAside:
    """Return what stands in the place of an input that makes a step fail."""
    return SetAside(bed_of(item), item if isinstance(item, Transfer | UndoTransfer) else None)


def _cut(items: Part, at_most: int) -> list[Part]:
    return [items[first : first + at_most] for first in range(0, len(items), at_most)]


def _add(output: Output, more: Output) -> None:
    output.events += more.events
    output.updated |= more.updated
    output.copied += more.copied
    output.answers += more.answers
    output.ended |= more.ended
    output.refused.update(more.refused)
