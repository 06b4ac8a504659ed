"""Ingest: MQTT to checked blocks in the input streams, acknowledged only once they are safe."""
