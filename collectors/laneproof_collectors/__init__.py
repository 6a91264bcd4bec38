"""Reads what a Linux storage box really is; knows nothing of builds, rules or history."""
