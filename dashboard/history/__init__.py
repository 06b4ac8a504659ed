"""What happened: hours of a bed, a shift, its flags, its export."""
