"""Rules about the main memory."""
