"""The core loads nothing that could do I/O, also where an import contract cannot see it."""

import subprocess
import sys


def test_the_core_loads_no_network_and_no_loop() -> None:
    code = (
        "import sys, quietward.detect.core.engine, quietward.detect.core.reporting.summaries\n"
        "print([m for m in ('asyncio', 'redis', 'aiomqtt', 'dash', 'pandas') if m in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert found.stdout.strip() == "[]"
