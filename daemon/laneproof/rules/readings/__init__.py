"""Rules about what could not be read."""
