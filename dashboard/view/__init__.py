"""Pure: from what is stored to what is shown of a bed."""
