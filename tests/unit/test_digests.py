"""`.ci/digests` asks for every image that the compose file names, and prints no line that is no digest."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.unit.test_deploy import ROOT, SERVICES

DIGEST = f"sha256:{'0123456789abcdef' * 4}"
ANSWER = json.dumps({"mediaType": "application/vnd.oci.image.index.v1+json", "digest": DIGEST, "manifests": []})


def digests(folder: Path, docker: str | None) -> subprocess.CompletedProcess[str]:
    """Run it where `docker` is this script, or there is none."""
    if docker is not None:
        program = folder / "docker"
        program.write_text(f"#!/bin/sh\n{docker}\n")
        program.chmod(0o755)
    command = [sys.executable, str(ROOT / ".ci" / "digests")]
    return subprocess.run(command, env=os.environ | {"PATH": str(folder)}, capture_output=True, text=True, check=False)


def test_there_is_a_line_for_every_image_that_is_not_ours(tmp_path: Path) -> None:
    asked = tmp_path / "asked"
    found = digests(tmp_path, f"echo \"$@\" >> {asked}; echo '{ANSWER}'")
    assert found.returncode == 0, found.stderr
    lines = dict(line.split("=", 1) for line in found.stdout.splitlines())
    names = [service["image"] for service in SERVICES.values() if "build" not in service]
    names.append(SERVICES["detect"]["build"]["args"]["BASE"])
    assert {f"${{{variable}:-{image.removesuffix(f'@{DIGEST}')}}}" for variable, image in lines.items()} == set(names)
    assert all(image.endswith(f"@{DIGEST}") for image in lines.values())
    for line, image in zip(asked.read_text().splitlines(), lines.values(), strict=True):
        assert line == f"buildx imagetools inspect {image.partition('@')[0]} --format {{{{json .Manifest}}}}"


@pytest.mark.parametrize(
    ("docker", "said"),
    [
        (None, "docker is not installed"),
        ("echo 'no such\nhost' >&2; exit 1", "no such host"),
        ("exit 125", "docker ended with 125"),
        ("echo", "no digest in"),
        ("echo null", "no digest in"),
        ("echo '{}'", "no digest in"),
        ("""echo '{"digest": "latest"}'""", "'latest' is no digest"),
        ("""echo '{"digest": "sha256:12"}'""", "'sha256:12' is no digest"),
        ("""echo '{"digest": 7}'""", "7 is no digest"),
    ],
)
def test_what_is_no_digest_is_said_in_one_line(docker: str | None, said: str, tmp_path: Path) -> None:
    found = digests(tmp_path, docker)
    assert found.returncode == 77
    assert found.stdout == ""
    assert found.stderr.startswith("skipped: ")
    assert said in found.stderr
    assert found.stderr.count("\n") == 1
