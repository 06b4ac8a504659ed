"""`python -m quietward` is the command `quietward`."""

from quietward.cli import main

if __name__ == "__main__":
    main()
