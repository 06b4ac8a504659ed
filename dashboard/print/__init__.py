"""What can be printed or saved: hand-over sheets, strips on paper, a bed's log."""
