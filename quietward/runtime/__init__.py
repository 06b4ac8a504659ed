"""How parts run: start, stop, heartbeat, leases, counts, the demo, the doctor."""
