"""What services need to run: start and stop, heartbeats, leases, retries, metrics; the demo, the doctor."""
