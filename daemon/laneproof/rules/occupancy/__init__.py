"""Rules about which device is in which position."""
