"""Rules about losses of power."""
