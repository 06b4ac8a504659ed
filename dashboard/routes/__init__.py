"""What the pages ask the server for."""
