"""HTTP routes and the WebSocket: what pages request from the server."""
