"""Rules that compare a machine with its build and look for signs of failure; listed by hand in ``catalogue``."""
