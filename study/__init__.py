"""What a threshold costs in interruptions and saves in minutes: policies over shifts, with the live detector."""
