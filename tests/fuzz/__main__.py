"""`python -m tests.fuzz READER --inputs N`: a table of what was refused and why.

Status 1 if anything escaped, memory grew, or one input took too long.
"""

import argparse
import shutil
import sys
import tempfile
from contextlib import ExitStack
from importlib.util import find_spec
from pathlib import Path

ESCAPES = Path("build/fuzz")


def main() -> int:
    """Run one reader, or all of them one after the other."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("reader")
    parser.add_argument("--inputs", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--blind", action="store_true", help="Mutate the seeds only, without coverage.")
    parser.add_argument("--keep", action="store_true", help="Keep what coverage has led to in tests/fuzz/corpus/.")
    given = parser.parse_args()
    by_coverage = find_spec("atheris") is not None and not given.blind
    if given.keep and not by_coverage:
        parser.error("--keep: nothing is found without coverage; install the extra `fuzz`, and leave out --blind")
    if by_coverage:
        import atheris

        # Not the compiled core: numba reads its bytecode.
        with atheris.instrument_imports(include=["quietward", "edfio"], exclude=["quietward.detect.core"]):
            from tests.fuzz import readers
    else:
        from tests.fuzz import readers
    from tests.fuzz import run

    if given.reader not in readers.READERS:
        parser.error(f"reader: {given.reader!r}. Use one of {', '.join(readers.READERS)}")
    stack = ExitStack()
    reader = run.with_corpus(given.reader, stack.enter_context(readers.READERS[given.reader]()))
    folder = Path(tempfile.mkdtemp(prefix="quietward-fuzz-"))

    def finish(count: run.Count) -> int:
        run.write_escapes(count, ESCAPES)
        stack.close()
        if given.keep:
            print(f"{run.keep(folder / 'seeds', given.reader, reader.seeds)} inputs kept")
        shutil.rmtree(folder)
        print(count.line())
        for why, times in count.refused.most_common(run.REASONS_TOLD):
            print(f"  {times:>9,}  {why}")
        for fault in count.faults:
            print(f"  {fault}")
        sys.stdout.flush()
        return 1 if count.faults else 0

    if by_coverage:
        run.fuzz_by_coverage(given.reader, reader, given.inputs, given.seed, folder, finish)
    told = lambda line: print(line, file=sys.stderr, flush=True)  # noqa: E731
    return finish(run.fuzz(given.reader, reader, given.inputs, given.seed, told))


if __name__ == "__main__":
    sys.exit(main())
