"""From samples to what is known of the signal: what is usable, baseline, variability, resting tone."""
