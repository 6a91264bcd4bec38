"""Rules about network links and bonds."""
