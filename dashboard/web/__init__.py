"""What every page and route is made of: the shell, responses, request bodies."""
