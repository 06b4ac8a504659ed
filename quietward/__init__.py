"""quietward: a non-diagnostic prototype of a streaming monitor for a labour ward, and its detector as a library.

Not for diagnosis. Ten minutes of a heart rate, four samples a second:

>>> import quietward
>>> result = quietward.assess([140, 142, 141, 139] * 600)
>>> result
<Result of recording: 10 min, figo-2015; 0 contractions, 0 accelerations, 0 decelerations, 0 flags, 3 noted>
>>> result.noted[0].reason
'not enough trace to judge yet'

Nothing is imported before it is asked for, so that `import quietward` costs next to nothing.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from quietward.api.assessing import assess as assess
    from quietward.api.assessing import read_policy as read_policy
    from quietward.api.assessing import read_rule_set as read_rule_set
    from quietward.api.monitor import Monitor as Monitor
    from quietward.api.result import Result as Result
    from quietward.contracts.errors import QuietwardError as QuietwardError
    from quietward.contracts.notice import NOTICE as NOTICE
    from quietward.recordings.files import read_recording as read_recording
    from quietward.recordings.files import write_recording as write_recording
    from quietward.recordings.recording import Annotation as Annotation
    from quietward.recordings.recording import LabourContext as LabourContext
    from quietward.recordings.recording import Recording as Recording

__version__ = "0.2.0"

_WHERE = {
    "Annotation": "recordings.recording",
    "LabourContext": "recordings.recording",
    "NOTICE": "contracts.notice",
    "Monitor": "api.monitor",
    "QuietwardError": "contracts.errors",
    "Recording": "recordings.recording",
    "Result": "api.result",
    "assess": "api.assessing",
    "read_policy": "api.assessing",
    "read_recording": "recordings.files",
    "read_rule_set": "api.assessing",
    "write_recording": "recordings.files",
}
"""What the library offers, and the module that it comes from."""


if not TYPE_CHECKING:  # a type checker would take every name for one that is there

    def __getattr__(name: str) -> object:
        if name not in _WHERE:
            raise AttributeError(f"module 'quietward' has no attribute {name!r}")
        offered = getattr(import_module(f"quietward.{_WHERE[name]}"), name)
        globals()[name] = offered
        return offered


def __dir__() -> list[str]:
    return sorted({*globals(), *_WHERE})
