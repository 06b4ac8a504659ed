"""MQTT: the one client, its packets, and the description of the wire."""
