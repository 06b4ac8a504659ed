"""What people do at a bed, and whether it helped."""
