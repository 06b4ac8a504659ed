"""Detection: Redis input to findings and flags, around a pure core that also serves replay and studies."""
