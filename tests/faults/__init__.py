"""Faults injected on real parts, one at a time, and what comes of them."""
