"""Which licences may stand among what quietward brings, and whether everything that it brings is looked at."""

import importlib.util
from importlib.machinery import SourceFileLoader
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]


def module() -> Any:
    loader = SourceFileLoader("licences", str(ROOT / ".ci" / "licences"))
    spec = importlib.util.spec_from_loader("licences", loader)
    assert spec is not None
    found = importlib.util.module_from_spec(spec)
    loader.exec_module(found)
    return found


@pytest.mark.parametrize(
    ("licence", "accepted"),
    [
        ("MIT", True),
        ("BSD-3-Clause AND 0BSD AND MIT AND Zlib AND CC0-1.0", True),
        ("EPL-2.0 OR BSD-3-Clause", True),
        ("Apache Software License; MIT License", True),
        ("GNU General Public License v3 (GPLv3)", False),
        ("MIT AND GPL-3.0-only", False),
        ("AGPL-3.0-only OR SSPL-1.0", False),
        ("UNKNOWN", False),
        ("", False),
    ],
)
def test_only_licences_that_let_everybody_pass_it_on_are_accepted(licence: str, accepted: bool) -> None:
    assert module().is_accepted("some-package", licence) is accepted


def test_what_packages_need_in_turn_is_looked_at_too() -> None:
    found = module().needed("quietward[all]")
    assert {"quietward", "redis", "hiredis", "dash", "plotly", "wfdb", "pandas", "msgspec"} <= found
    assert not {"pytest", "ruff", "mkdocs-material"} & found
    assert "wfdb" not in module().needed("quietward")
