"""Departures from baseline and resting tone: decelerations, accelerations, contractions."""
