"""What can be printed or taken away."""
