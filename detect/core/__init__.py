"""The pure core: state and input in, state and events out. No clock, no I/O, no randomness, no globals."""
