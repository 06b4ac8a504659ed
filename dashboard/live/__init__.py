"""What moves on the pages, one frame a second."""
