"""The desk check: whether a declaration fits together and what such a box can do, with no hardware at all."""
