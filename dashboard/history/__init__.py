"""The last hours of a ward: what the store holds of each bed, and what became of its flags."""
