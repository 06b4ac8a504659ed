"""Simulator: invented labours and real recordings, as devices that publish over MQTT."""
