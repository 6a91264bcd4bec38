"""kelp-1, the demo: a declaration and a recording of a shore station's storage box, both invented."""
