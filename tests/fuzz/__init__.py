"""Fuzzing of everything that reads what others wrote: `python -m tests.fuzz READER --inputs N`."""
