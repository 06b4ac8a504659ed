"""`quietward`, and `python -m quietward`, which is the same."""

import os
import sys


def main() -> None:
    """Run the command of this process."""
    match sys.argv[1:]:
        case ["alive", part] | ["alive", part, "--here"] if not part.startswith("-"):
            _check_health(part, here="--here" in sys.argv)
        case _:
            from quietward.cli import main as run

            run()


def _check_health(part: str, here: bool) -> None:
    """Run `quietward alive PART [--here]` without the other commands, which take four times as long to load.

    Where containers run, it is started every few seconds for every part.
    """
    from quietward.contracts.errors import QuietwardError
    from quietward.contracts.settings import load
    from quietward.language.terminal import said
    from quietward.runtime.health import keeps_up

    try:
        sys.exit(0 if keeps_up(load({}, os.environ), part, here) else 1)
    except QuietwardError as error:
        print(f"quietward: {error.in_words(said)}", file=sys.stderr)
        sys.exit(2)


if __name__ == "__main__":
    main()
