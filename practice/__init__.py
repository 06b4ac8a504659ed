"""Practice: a learner marks a strip of a simulated labour and is compared with what is true and with the detector."""
