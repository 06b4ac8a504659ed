"""What the live pages show: state of the ward, and one frame a second for all browsers."""
