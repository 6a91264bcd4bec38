"""How likely each cause is, given the evidence, and which check would show most."""
