"""The detection core inside Bytewax, a stream engine: for whoever has one, or outgrows quietward's own shards.

A dataflow of yours brings the inputs and takes the outputs; between them stands one step:

    from bytewax import operators as op
    from bytewax.dataflow import Dataflow
    from quietward.dataflow import detect
    from quietward.detect import rule_file

    flow = Dataflow("ward")
    inputs = op.input("in", flow, SOURCE)             # items: quietward.contracts.inputs.Input, in their order
    outputs = detect("detect", inputs, rule_file.load(), shards=12)
    op.output("out", outputs, SINK)                   # items: (shard, Event or Summary)

What comes out is what quietward's own detector writes, for both call `quietward.detect.core.engine.step`. What differs
is around it: where the inputs stand is kept by the engine, which gives outputs at least once after a failure, and not
by one commit together with them. Whoever takes them drops what comes twice: an event's id says which it is. Needs the
extra `engine`.
"""

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadRules, extra
from quietward.contracts.inputs import Input, Tick
from quietward.contracts.log import Event
from quietward.contracts.summary import Summary
from quietward.detect.core import engine
from quietward.detect.core.reporting import summaries
from quietward.detect.core.state.rules import Rules
from quietward.detect.core.state.state import State

with extra("engine", "quietward.dataflow"):
    from bytewax import operators as op
    from bytewax.operators import StatefulBatchLogic

if TYPE_CHECKING:
    from bytewax.dataflow import Stream
    from bytewax.operators import KeyedStream


def detect(step_id: str, inputs: "Stream[Input]", rules: Rules, shards: int = 1) -> "KeyedStream[Event | Summary]":
    """Return events and summaries of a ward, by shard.

    inputs: samples, status, what people do, and a tick at least once a second, each bed's in its order. shards: beds
    are shared out among so many, as by `QUIETWARD_SHARDS`; each goes to one worker. Raises BadRules, from within the
    dataflow, if it goes on from a state of other rules or of another version.
    """
    engine.prepare(rules)
    ward = Ward("dataflow", shards)
    every = [str(number) for number in range(shards)]

    def by_shard(item: Input) -> Iterable[tuple[str, Input]]:
        """Time is of all beds; everything else is of one."""
        return (
            [(shard, item) for shard in every] if isinstance(item, Tick) else [(every[ward.shard_of(item.bed)], item)]
        )

    def begin(resume: bytes | None) -> ShardDetector:
        return ShardDetector(rules, resume)

    return op.stateful_batch(step_id, op.flat_map(f"{step_id}-by-shard", inputs, by_shard), begin)


class ShardDetector(StatefulBatchLogic[Input, Event | Summary, bytes]):
    """The beds of one shard. resume: what `snapshot` returned before a failure or a stop, None at first."""

    def __init__(self, rules: Rules, resume: bytes | None) -> None:
        state = State(rules) if resume is None else State.from_bytes(resume, rules)
        if state is None and resume is not None:
            remedy = "Continue with those, or start again without the engine's recovery store"
            raise BadRules("state of the dataflow", State.why_not(resume, rules), remedy)
        self._state: Any = state

    def on_batch(self, values: list[Input]) -> tuple[Iterable[Event | Summary], bool]:
        """Take inputs in their order; the second is False: a ward has no end."""
        output = engine.step(self._state, values)
        return [*output.events, *summaries.of(self._state, output)], StatefulBatchLogic.RETAIN

    def snapshot(self) -> bytes:
        """Return a checkpoint, as quietward's own detector keeps it in Redis."""
        checkpoint: bytes = self._state.to_bytes()
        return checkpoint
