"""What all parts agree on: messages, addresses, settings, errors, the notice."""
