"""Pure: turns what is stored of a bed into what is shown of it."""
