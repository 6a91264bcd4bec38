"""Rules about mounted file systems."""
