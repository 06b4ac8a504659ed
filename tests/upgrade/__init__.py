"""What an earlier version left in Redis, and how today's parts go on from it."""
