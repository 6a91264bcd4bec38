"""Rules about arrays and their members."""
