"""Mutation testing: are there errors in the core that no test would notice?

`python -m tests.mutation [--sample 50] [--seed 1] [FILES...]` makes one small error at a time in a copy of the tree
(never in place): a comparison, a sign, a number, an `and`, a `not`. A selection of the tests that compute is run on
each, by the part of the core it is in, until one fails. What survives is listed with its line. The exit code is 1
when fewer than 90 % of the errors were noticed. Without FILES: all Python of the core, its policy and concern among
them. TOML files may be named as well: then their numbers are changed.

Written here, since the tools for it change modules in place or wrap every function in a switch, and know no TOML.
Compilation is switched off in the copies: what is run is what was changed.
"""

import argparse
import ast
import copy
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from queue import Queue

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("detect", "simulator", "ingest", "study", "load", "practice", "dashboard")
CORE = "detect/core"
NOT_TRIED = {"compiled.py"}
"""How functions are compiled and kept: nothing is compiled in the copies."""

PLAIN = ROOT / "build" / "plain"
"""What the plain reader has found: it knows nothing of the core, so one reading serves all."""

AIM = 0.9
KILLED, SURVIVED, TIMED_OUT = "killed", "survived", "timed out"

UNIT = "tests/unit/test_"
QUICK = [UNIT + name for name in ("parts.py", "windows.py", "edges.py")]
"""Parts of the core called one by one: a few seconds each."""
READING = [
    *QUICK,
    *(UNIT + name for name in ("shape.py", "signal.py", "said.py", "measures.py")),
    "tests/property/test_oracle.py",
]
ALERTING = [
    *(UNIT + name for name in ("edges.py", "concern.py", "clauses.py", "policy_cases.py", "attention.py")),
    "tests/property/test_attention_machine.py",
    UNIT + "never_calm.py",
]
KEEPING = [
    *(UNIT + name for name in ("arrays.py", "ordering.py", "histogram.py")),
    "tests/property/test_streaming_core.py",
]
DEFINITIONS = [
    UNIT + name for name in ("rule_files.py", "clauses.py", "published_definitions.py", "explain.py", "measures.py")
]
TESTS = {
    "engine": [*READING, UNIT + "attention.py", UNIT + "clock.py"],
    "alerting/": ALERTING,
    "people/": [
        UNIT + name for name in ("edges.py", "said.py", "attention.py", "policy_cases.py", "stays.py", "moves.py")
    ],
    "reporting/": [
        UNIT + name for name in ("edges.py", "said.py", "carry_over.py", "twins.py", "attention.py", "measures.py")
    ],
    "hand": [UNIT + "said.py", UNIT + "attention.py"],
    "state/": [*KEEPING, UNIT + "stays.py", UNIT + "moves.py"],
    "arrays": KEEPING,
    "histogram": [UNIT + "histogram.py", *READING],
    "twins": [UNIT + "windows.py", UNIT + "twins.py"],
    "attention.toml": ALERTING,
    "concern.toml": ALERTING,
    "stay.toml": [UNIT + name for name in ("rule_files.py", "stays.py", "moves.py")],
    "nichd-2008.toml": DEFINITIONS,
    "figo-2015.toml": DEFINITIONS,
    "": READING,
}
"""What is run, in its order, by a part of the path."""
COMPUTING = sorted({test for tests in TESTS.values() for test in tests})
"""All of them: what they run of the core is counted with compilation switched off (`.ci/nightly coverage`)."""

BOUNDARY = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt}
OPPOSITE = {
    ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
ARITHMETIC = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult,
    ast.Mod: ast.FloorDiv, ast.Pow: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip
NOT_RUN = {"annotation", "returns", "decorator_list", "bases"}
"""Fields of syntax that hold types."""


@dataclass(frozen=True)
class Mutant:
    """One error: the changed text of a file."""

    file: str
    line: int
    what: str
    text: str


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description="make errors, and see who notices")
    parser.add_argument("files", nargs="*", help=f"Python or TOML files; by default all of {CORE}")
    parser.add_argument("--sample", type=int, default=50, help="how many errors are tried")
    parser.add_argument("--seed", type=int, default=1, help="which ones")
    parser.add_argument("--jobs", type=int, default=1, help="how many are tried at once, each in a copy of its own")
    given = parser.parse_args()
    core = (p for p in (ROOT / CORE).rglob("*.py") if p.name not in NOT_TRIED)
    files = given.files or sorted(str(p.relative_to(ROOT)) for p in core)
    chosen, possible = drawn(files, given.sample, given.seed)
    print(f"{len(chosen)} of {possible} possible errors in {len(files)} files, seed {given.seed}", flush=True)
    fates: list[tuple[Mutant, str]] = []
    PLAIN.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="mutation-") as folder:
        trees: Queue[Path] = Queue()
        for number in range(given.jobs):
            trees.put(copied(Path(folder) / str(number)))
        tree, began = trees.get(), time.monotonic()
        if fate(tree, sorted({test for mutant in chosen for test in tests_of(mutant)}), within_s=3600) != SURVIVED:
            print("The tests fail on the tree as it is: mend that first.")
            return 2
        trees.put(tree)
        within_s = max(120.0, 4 * (time.monotonic() - began))
        # In the order they were drawn in: a run that is broken off is a smaller sample.
        with ThreadPoolExecutor(given.jobs) as pool, suppress(KeyboardInterrupt):
            for mutant, fate_of in zip(chosen, pool.map(lambda m: tried(trees, m, within_s), chosen), strict=True):
                fates.append((mutant, fate_of))
    return told(sorted(fates, key=lambda one: (one[0].file, one[0].line)))


def drawn(files: list[str], sample: int, seed: int) -> tuple[list[Mutant], int]:
    """Return a sample of the errors that can be made in files, in the order it was drawn, and how many there are."""
    texts = {file: (ROOT / file).read_text() for file in files}
    every = [(file, number) for file in files for number, _ in enumerate(mutants(file, texts[file], set()))]
    chosen = random.Random(seed).sample(every, min(sample, len(every)))
    made: dict[tuple[str, int], Mutant] = {}
    for file in files:
        numbers = {number for of, number in chosen if of == file}
        if numbers:
            made |= {(file, k): m for k, m in enumerate(mutants(file, texts[file], numbers)) if m is not None}
    return [made[one] for one in chosen], len(every)


def told(fates: list[tuple[Mutant, str]]) -> int:
    """Print what became of all, and return the exit code."""
    total = Counter(mutant.file for mutant, _ in fates)
    killed = Counter(mutant.file for mutant, fate in fates if fate != SURVIVED)
    print(f"\n{'file':<48}{'killed':>8}{'of':>5}")
    for file in sorted(total):
        print(f"{file:<48}{killed[file]:>8}{total[file]:>5}")
    share = killed.total() / max(1, total.total())
    late = sum(fate == TIMED_OUT for _, fate in fates)
    print(f"{'all':<48}{killed.total():>8}{total.total():>5}  {share:.0%}, {late} of them by running out of time")
    for mutant, fate in fates:
        if fate == SURVIVED:
            print(f"survived: {mutant.file}:{mutant.line}: {mutant.what}")
    return 0 if share >= AIM else 1


def copied(folder: Path) -> Path:
    """Return a copy of all that the tests need, laid out as it is imported."""
    leave_out = shutil.ignore_patterns("__pycache__", "node_modules", "studies")
    shutil.copytree(ROOT / "quietward", folder / "quietward", ignore=leave_out)
    for room in ROOMS:
        shutil.copytree(ROOT / room, folder / "quietward" / room, ignore=leave_out)
    shutil.copytree(ROOT / "tests", folder / "tests", ignore=leave_out)
    shutil.copy(ROOT / "pyproject.toml", folder)
    return folder


def fate(tree: Path, tests: list[str], within_s: float) -> str:
    """Run tests on a copy, up to the first that fails. Raises SystemExit when there was nothing to run."""
    tests = [test for test in tests if (tree / test).exists()]
    # Only the plugins that these tests need: loading all of them takes longer than most tests.
    plugins = ["-p", "pytest_asyncio.plugin", "-p", "_hypothesis_pytestplugin", "-p", "no:cacheprovider"]
    options = ["-x", "-q", "-o", "addopts=", "--hypothesis-seed=1", *plugins]
    environment = os.environ | {
        "PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1", "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1",
        "NUMBA_DISABLE_JIT": "1", "NUMBA_CACHE_DIR": str(tree / "numba"), "QUIETWARD_PLAIN": str(PLAIN),
        "QUIETWARD_EXAMPLES": "2",
    }  # fmt: skip
    command = [sys.executable, "-m", "pytest", *options, *tests]
    try:
        ended = subprocess.run(
            command, cwd=tree, env=environment, capture_output=True, text=True, timeout=within_s, check=False
        )
    except subprocess.TimeoutExpired:
        return TIMED_OUT
    if ended.returncode in (4, 5):
        raise SystemExit(f"pytest could not run {' '.join(tests)}: {ended.stdout[-500:]}{ended.stderr[-500:]}")
    return KILLED if ended.returncode else SURVIVED


def tests_of(mutant: Mutant) -> list[str]:
    return list(dict.fromkeys(next(tests for part, tests in TESTS.items() if part in mutant.file)))


def tried(trees: "Queue[Path]", mutant: Mutant, within_s: float) -> str:
    """Return what became of a mutant."""
    tree, began = trees.get(), time.monotonic()
    place = tree / "quietward" / mutant.file
    before = place.read_text()
    place.write_text(mutant.text)
    try:
        found = fate(tree, tests_of(mutant), within_s)
    finally:
        place.write_text(before)
        trees.put(tree)
    print(f"{found:<10}{time.monotonic() - began:>4.0f} s  {mutant.file}:{mutant.line}: {mutant.what}", flush=True)
    return found


def mutants(file: str, text: str, wanted: set[int]) -> Iterator[Mutant | None]:
    """Yield every error that can be made in a file, counted from 0; None for those that are not wanted: to write a file
    anew for each takes a minute.
    """
    if file.endswith(".toml"):
        yield from (mutant if i in wanted else None for i, mutant in enumerate(in_toml(file, text)))
        return
    tree = ast.parse(text)
    lines, number = text.splitlines(), -1
    for parent, name, index, node in places(tree):
        for other in changed(node):
            number += 1
            if number not in wanted:
                yield None
                continue
            put(parent, name, index, other)
            new = ast.unparse(tree)
            put(parent, name, index, node)
            line = getattr(node, "lineno", 0)
            what = f"`{shown(node)}` becomes `{shown(other)}` in `{lines[line - 1].strip()}`"
            yield Mutant(file, line, what, new)


def shown(node: ast.AST) -> str:
    """Return code, the middle of it left out where it is long."""
    text = ast.unparse(node)
    return text if len(text) < 80 else f"{text[:38]} ... {text[-38:]}"


def in_toml(file: str, text: str) -> Iterator[Mutant]:
    """Change a number by a tenth and a bit, so that whole ones change as well."""
    lines = text.splitlines(keepends=True)
    for i, line in enumerate(lines):
        code = line.partition("#")[0]
        if "text =" in code or code.strip().startswith(("source", "status", "calibration")):
            continue
        for found in re.finditer(r"(?<=[\s\[=,])-?\d+(\.\d+)?(?=[\s\],]|$)", code):
            is_whole = found[1] is None
            number = f"{round(float(found[0]) * 1.1) + 1}" if is_whole else f"{float(found[0]) * 1.1 + 0.01:.4g}"
            new = line[: found.start()] + number + line[found.end() :]
            yield Mutant(file, i + 1, f"{code.strip()}  ->  {number}", "".join([*lines[:i], new, *lines[i + 1 :]]))


Place = tuple[ast.AST, str, int | None, ast.AST]


def places(node: ast.AST) -> Iterator[Place]:
    """Yield every expression and statement that is run, with where it stands."""
    if isinstance(node, ast.Subscript) and ast.unparse(node.value) in ("Annotated", "Literal"):
        return
    for name, value in ast.iter_fields(node):
        if name in NOT_RUN:
            continue
        for index, child in enumerate(value) if isinstance(value, list) else [(None, value)]:
            if isinstance(child, ast.AST):
                yield node, name, index, child
                yield from places(child)


def put(parent: ast.AST, name: str, index: int | None, child: ast.AST) -> None:
    if index is None:
        setattr(parent, name, child)
    else:
        getattr(parent, name)[index] = child


def changed(node: ast.AST) -> Iterator[ast.AST]:
    """Yield what a node might wrongly have been."""
    match node:
        case ast.Compare(ops=ops):
            for i, op in enumerate(ops):
                for table in (BOUNDARY, OPPOSITE):
                    if type(op) in table:
                        other = copy.deepcopy(node)
                        other.ops[i] = table[type(op)]()
                        yield other
        case ast.BinOp(op=op) | ast.AugAssign(op=op) if type(op) in ARITHMETIC and not is_text(node):
            wrong = copy.copy(node)
            wrong.op = ARITHMETIC[type(op)]()
            yield wrong
        case ast.BoolOp(op=op, values=values):
            yield ast.copy_location(ast.BoolOp(ast.Or() if isinstance(op, ast.And) else ast.And(), values), node)
        case ast.UnaryOp(op=ast.Not() | ast.Invert(), operand=operand):
            yield operand
        case ast.Constant(value=bool(value)):
            yield ast.copy_location(ast.Constant(not value), node)
        case ast.Constant(value=int(value) | float(value)):
            for step in (1, -1):
                yield ast.copy_location(ast.Constant(value + step), node)


def is_text(node: ast.AST) -> bool:
    return any(
        isinstance(x, ast.JoinedStr) or (isinstance(x, ast.Constant) and isinstance(x.value, str))
        for x in (getattr(node, "left", None), getattr(node, "right", None), getattr(node, "value", None))
    )


if __name__ == "__main__":
    raise SystemExit(main())
