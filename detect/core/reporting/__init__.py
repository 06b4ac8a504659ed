"""What the core says: events of the log, summaries."""
