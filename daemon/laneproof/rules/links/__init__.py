"""Rules about PCIe links: how they trained, and the errors that they make."""
