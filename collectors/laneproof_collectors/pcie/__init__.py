"""PCI Express functions: where each is, its link, its registers, its error counters."""
