"""What the measures lead to: rule sets, concern, attention."""
