"""Rules about readings that cannot be made or do not move."""
