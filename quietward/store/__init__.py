"""Redis: the one client, and the layout that all parts of a ward share."""
