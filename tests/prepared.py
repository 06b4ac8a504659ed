"""What children of the forkserver have from their beginning: the parts are imported, and the core is compiled.

Tests that kill parts start hundreds of them. Each would import all of this anew, for more than a second of a core.
"""

import uvloop  # noqa: F401

import tests.conftest  # noqa: F401
from quietward.detect import rule_file, service  # noqa: F401
from quietward.detect.core import engine
from quietward.ingest import service as ingest  # noqa: F401

engine.prepare(rule_file.load())
