"""Every number that rules may ask for, by name, and how it is measured."""
