"""What all packages share: messages, addresses, settings, errors, the notice."""
