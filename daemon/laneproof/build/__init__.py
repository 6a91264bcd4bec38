"""The declaration: what the box is meant to be, how it is written, checked at the desk, and drafted from a machine."""
