"""The declaration: what the box is meant to be, and how its file is read, checked and described."""
