"""Rules about temperatures and fans."""
