"""How much a device may claim and send. Everything else has its bounds in `fields`."""

LARGEST_SEQ = 2**32 - 1
"""136 years of seconds; some devices number their seconds by the epoch."""
AHEAD_OF_ARRIVAL_MS = 100 * 86_400_000
"""`t` may be so far ahead of the server's clock: a simulated ward at its greatest speed gets there in a day. It may be
behind by any time: a device whose clock was never set still watches somebody."""
SKIP_CREDIT_S = 600
"""So many seconds in all may a bed's numbers and clock skip, beyond the time that has passed by the server's clock;
each second that comes earns one back. What skips more is not believed: its seconds follow one after the other. That is
as long as the baseline's window: a device cannot have its past forgotten again and again."""
EARLIER_SESSIONS = 8
"""So many superseded sessions of a bed are remembered: a device that goes on with one of them is a second device."""

AT_ONCE = 3_600
"""So many messages of a bed may come at once: an hour that a device has kept ..."""
BURST_PER_S = 250
"""... and so many a second after that: the fastest simulated device, with every message twice, and room."""
BACKLOG = 100_000
"""So many messages of a bed in all may come faster than `rate` allows on average: a day's seconds, as long as a broker
keeps them for ingest."""
