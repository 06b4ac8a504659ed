"""All that is remembered of the beds of one shard, and the order in which their seconds are taken."""
