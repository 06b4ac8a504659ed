"""The documentation as a site: links lead somewhere, every page carries the notice, nothing comes from elsewhere."""

import json
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from typing import get_args

import pytest

from quietward.contracts.commands import Command, WardCommand
from quietward.contracts.notice import NOTICE
from quietward.detect import rule_file
from quietward.detect.core.measures.findings import MEASURES

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("site")
    command = [sys.executable, "-m", "mkdocs", "build", "--strict", "--site-dir", str(out)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0, done.stderr
    return out


class Sources(HTMLParser):
    """What a page loads, and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[str] = []
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        is_loaded = tag in ("script", "img", "iframe") or (tag == "link" and given.get("rel") != "canonical")
        if is_loaded:
            self.found += [value for name in ("src", "href") if (value := given.get(name))]

    def handle_data(self, data: str) -> None:
        self.text += data


def test_every_page_carries_the_notice_and_loads_nothing_from_elsewhere(site: Path) -> None:
    pages = sorted(site.rglob("*.html"))
    assert len(pages) > 25
    for path in pages:
        page = Sources(path.read_text())
        assert NOTICE in " ".join(page.text.split()), path
        assert not [address for address in page.found if "//" in address], path


def test_the_reference_names_what_the_code_has(site: Path) -> None:
    def text(name: str) -> str:
        return Sources((site / "reference" / f"{name}.html").read_text()).text

    found = text("rule-sets")
    for rules in rule_file.load().rule_sets:
        assert rules.name in found
        assert all(criterion.source in found for criterion in rules.criterion)
    measures = text("measures")
    assert all(name in measures for name in MEASURES)
    assert "quietward:{<ward>:<n>}:checkpoint" in text("keys")
    assert "quietward_delay_seconds" in text("metrics")
    assert "--find-limit" in text("commands")
    assert "QUIETWARD_PROXIES" in text("settings")
    document = json.loads((site / "reference" / "openapi.json").read_text())
    assert re.match(r"3\.\d", document["openapi"])
    assert {"/health", "/act", "/export/{bed}/log.csv"} <= document["paths"].keys()
    act = document["paths"]["/act"]["post"]["requestBody"]["content"]["application/json"]["schema"]
    names = [one["$ref"].removeprefix("#/components/schemas/") for one in act["anyOf"]]
    schemas = document["components"]["schemas"]
    tags = [tag for name in names for tag in schemas[name]["properties"]["type"]["enum"]]
    assert sorted(tags) == sorted(act["discriminator"]["mapping"])
    assert sorted(tags) == sorted(one.__struct_config__.tag for one in get_args(Command | WardCommand))
    assert schemas["Acknowledge"]["required"] == ["type", "bed", "by", "flag"]
    assert json.loads((site / "reference" / "asyncapi.json").read_text())["asyncapi"] == "3.0.0"
