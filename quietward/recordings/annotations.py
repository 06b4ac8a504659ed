"""Pure: a log as annotations of the recording that it belongs to."""

from collections.abc import Iterable

from quietward.contracts.log import Event
from quietward.recordings.recording import Annotation


def annotations_of(log: Iterable[Event], began_s: float = 0.0) -> list[Annotation]:
    """Return an annotation for each event, by its beginning. began_s: the recording's first sample, by the log's clock.

    An excursion of the signal lasts from its onset to its end; anything else is the moment at which it was said.
    """
    annotations = []
    for event in log:
        onset_s, end_s = event.detail.get("onset_s"), event.detail.get("end_s")
        from_s = onset_s if isinstance(onset_s, float | int) else event.t / 1000
        to_s = end_s - began_s if isinstance(end_s, float | int) else None
        annotations.append(Annotation(from_s - began_s, to_s, event.kind, event.text))
    return sorted(annotations, key=lambda one: one.from_s)
