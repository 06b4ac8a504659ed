"""Pages of the documentation that are made from the code, and the notice on every page; hooks of MkDocs.

`mkdocs build --strict` writes the site into build/site, without the network; `.ci/check` runs it.
"""

import json
from collections.abc import Iterable
from pathlib import Path
from types import SimpleNamespace
from typing import Any, get_args, get_type_hints

import msgspec
import typer
from mkdocs.config.defaults import MkDocsConfig
from mkdocs.structure.files import File, Files
from prometheus_client.metrics import MetricWrapperBase

from quietward.cli import app
from quietward.contracts import addresses
from quietward.contracts.commands import Command, WardCommand
from quietward.contracts.notice import NOTICE
from quietward.contracts.samples import Samples
from quietward.contracts.settings import Settings
from quietward.dashboard.app import create_app
from quietward.dashboard.auth.authentication import Authenticator
from quietward.dashboard.auth.sessions import Sessions
from quietward.detect import rule_file
from quietward.detect.core.measures.findings import MEASURES
from quietward.runtime import metrics
from quietward.transport import asyncapi

ROOT = Path(__file__).parents[1]
PICTURES = ROOT / "dashboard" / "screenshots"


def on_files(files: Files, config: MkDocsConfig) -> Files:
    """Add the pages that are made, the pictures of the page, and the two documents for programs."""
    for name, text in pages().items():
        files.append(File.generated(config, f"reference/{name}.md", content=text))
    for path in sorted(PICTURES.glob("*.png")):
        files.append(File.generated(config, f"screenshots/{path.name}", abs_src_path=str(path)))
    files.append(File.generated(config, "reference/openapi.json", content=json.dumps(openapi(), indent=1)))
    files.append(File.generated(config, "reference/asyncapi.json", content=asyncapi.text()))
    return files


def on_page_markdown(markdown: str, **_: Any) -> str:
    """Let every page carry the notice, and find the pictures where the site has them."""
    if NOTICE not in " ".join(markdown.replace("\n> ", " ").split()):
        title, _sep, rest = markdown.partition("\n")
        markdown = f"{title}\n\n> {NOTICE}\n{rest}"
    return markdown.replace("](../dashboard/screenshots/", "](screenshots/")


def pages() -> dict[str, str]:
    """Return the pages by name."""
    return {
        "rule-sets": rule_sets(),
        "policy": policy(),
        "measures": measures(),
        "wire": wire(),
        "keys": f"# Topics and keys\n\n{fenced(addresses.__doc__ or '')}",
        "settings": settings(),
        "commands": commands(),
        "metrics": counts(),
        "http": http(),
    }


def table(head: Iterable[str], rows: Iterable[Iterable[object]]) -> str:
    """Return a table of Markdown."""

    def line(cells: Iterable[object]) -> str:
        return "| " + " | ".join(str(cell).replace("|", "\\|").replace("\n", " ") for cell in cells) + " |"

    names = list(head)
    return "\n".join([line(names), line("---" for _ in names), *map(line, rows)]) + "\n"


def fenced(text: str) -> str:
    """Return text as it is."""
    return f"```text\n{text.strip()}\n```\n"


def in_words(clauses: Iterable[tuple[str, str, float]]) -> str:
    """Return clauses that must all hold."""
    return " and ".join(f"`{measure}` {operator} {limit:g}" for measure, operator, limit in clauses)


def rule_sets() -> str:
    """Every number of the published rule sets, with its source."""
    text = "# Rule sets\n\nPublished criteria as data, shown for what they are; read the originals first.\n"
    for rules in rule_file.load().rule_sets:
        text += f"\n## {rules.name}\n\nSource: {rules.source}. Classes: {', '.join(rules.classes)}.\n\n"
        text += table(
            ("class", "criterion", "source", "status"),
            ((rules.classes[c.rank - 1], in_words(c.all), c.source, c.status) for c in rules.criterion),
        )
        for part in ("deceleration", "acceleration", "tachysystole"):
            values = msgspec.to_builtins(getattr(rules, part))
            text += f"\n### {part}\n\n" + table(("number", "value"), ((f"`{k}`", v) for k, v in values.items()))
    return text


def policy() -> str:
    """Every condition of the default attention policy."""
    attention = rule_file.load().policy
    rows = (
        (
            f"`{c.name}`", c.level, in_words(c.all), f"{c.hold_s:g}",
            " or ".join(in_words([r]) for r in c.release)
            + (f", unanswered only while {in_words(c.release_needs)}" if c.release_needs else ""),
        )
        for c in attention.condition
    )  # fmt: skip
    text = "# Attention policy\n\nOur own thresholds, `detect/rules/attention.toml`; yours is a file like it.\n\n"
    text += table(("condition", "level", "holds when", "for s", "over when"), rows)
    for part in ("escalation", "repeat", "care", "longest"):
        values = msgspec.to_builtins(getattr(attention, part))
        text += f"\n## {part}\n\n" + table(("number", "s"), ((f"`{k}`", v) for k, v in values.items()))
    return text


def measures() -> str:
    """Every measure that rules may ask for."""
    rows = ((f"`{m.name}`", m.unit, m.meaning) for m in MEASURES.values())
    return "# Measures\n\nWhat rule sets, concern and policies may ask for.\n\n" + table(
        ("measure", "unit", "meaning"), rows
    )


def wire() -> str:
    """The message of a device, field by field."""
    (_, parts) = msgspec.json.schema_components([Samples])
    schema = parts["Samples"]
    rows = [
        (f"`{name}`", "yes" if name in schema["required"] else "no", f"`{json.dumps(of)}`")
        for name, of in schema["properties"].items()
    ]
    example = (
        '{"session": "a-1", "seq": 17, "t": 1790000000000, "hz": 4, "fhr": [142, null, 141, 141], "ua": [9, 9, 9, 9]}'
    )
    return (
        "# On the wire\n\nMQTT 5, QoS 1, one JSON message per bed and second on `quietward/v1/<ward>/<bed>/samples`; "
        "the same as an [AsyncAPI document](asyncapi.json).\n\n"
        f"```json\n{example}\n```\n\n{schema.get('description', '')}\n\n{table(('field', 'needed', 'schema'), rows)}"
    )


def settings() -> str:
    """Every setting with its default and its bounds."""
    hints = get_type_hints(Settings, include_extras=True)
    defaults = msgspec.to_builtins(Settings())
    rows = []
    for name in Settings.__struct_fields__:
        (meta,) = [one for one in get_args(hints[name])[1:] if isinstance(one, msgspec.Meta)] or [msgspec.Meta()]
        limits = {"at least": meta.ge, "at most": meta.le, "as": meta.pattern}
        bounds = ", ".join(f"{word} {limit}" for word, limit in limits.items() if limit is not None)
        rows.append((f"`QUIETWARD_{name.upper()}`", f"`{defaults[name]}`" if defaults[name] != "" else "", bounds))
    return (
        "# Settings\n\nFrom a TOML file (`--settings`), the environment, or flags; later ones win. What each is for: "
        "[running it](../running.md).\n\n" + table(("setting", "default", "bounds"), rows)
    )


def commands() -> str:
    """Every command with its options."""
    text = "# Commands\n\nEvery command takes `--help` and `--version`. An error is one line, and exit code 2.\n"
    group: Any = typer.main.get_command(app)
    for name, command in group.commands.items():
        if command.hidden:
            continue
        text += f"\n## quietward {name}\n\n{command.help}\n\n"
        rows = []
        for one in command.params:
            typed = one.name if one.param_type_name == "argument" else ", ".join(one.opts)
            is_told = isinstance(one.default, int | float | str) and not isinstance(one.default, bool)
            rows.append((f"`{typed}`", one.default if is_told else "", getattr(one, "help", "") or ""))
        text += table(("", "default", "what it is"), rows)
    return text


def counts() -> str:
    """Every metric, with its labels."""
    rows = [
        (f"`{one._name}`", one._type, ", ".join(one._labelnames), one._documentation)  # noqa: SLF001
        for one in vars(metrics).values()
        if isinstance(one, MetricWrapperBase)
    ]
    rows += [
        (f"`{one.name}`", one.type, "shard, level or signal", one.documentation) for one in metrics.SHARDS.collect()
    ]
    return (
        "# Metrics\n\nFor Prometheus, on `QUIETWARD_METRICS_PORT`. Beds are counted, never named. What to do when an "
        "alert comes: [on call](../on-call.md).\n\n" + table(("metric", "kind", "labels", "meaning"), rows)
    )


def openapi() -> dict[str, Any]:
    """Return what the page's server says of its routes; nothing is connected for it."""
    nothing: Any = SimpleNamespace()
    server: Any = create_app(nothing, Authenticator(nothing, Sessions(nothing, nothing)), Settings())
    while not hasattr(server, "openapi"):  # under its middleware
        server = server.app
    document: dict[str, Any] = server.openapi()
    (act,), parts = msgspec.json.schema_components([Command | WardCommand], ref_template="#/components/schemas/{name}")
    said = {
        "204": "taken",
        "403": "your role may not do that",
        "404": "no such bed",
        "409": "not now, and why",
        "422": "refused, and why",
    }
    document["paths"]["/act"]["post"] |= {
        "requestBody": {"required": True, "content": {"application/json": {"schema": act}}},
        "responses": {code: {"description": what} for code, what in said.items()},
    }
    document.setdefault("components", {}).setdefault("schemas", {}).update(parts)
    document["info"] = {"title": "quietward", "version": asyncapi.document()["info"]["version"], "description": NOTICE}
    return document


def http() -> str:
    """Every route of the page's server, with the first line of what its function says."""
    rows = [
        (method.upper(), f"`{path}`", (one.get("description") or one.get("summary", "")).split("\n")[0])
        for path, methods in openapi()["paths"].items()
        for method, one in methods.items()
    ]
    return (
        "# HTTP\n\nWhat the page's server answers, as an [OpenAPI document](openapi.json) too. With a file of people "
        "every route but `/health` and `/sign-in` asks for a session; what changes something must come from a page of "
        "its own. Live strips come over the WebSocket `/live`, whose frames are for the page and may change.\n\n"
        + table(("method", "path", "what it is"), rows)
    )
