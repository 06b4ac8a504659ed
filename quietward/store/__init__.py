"""Redis: the one client, and the topology that all services of a ward share."""
