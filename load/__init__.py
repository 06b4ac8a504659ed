"""Load test: how long a second takes from its device to Redis, to a flag and to the page, and how many beds fit."""
