"""Disks of the block layer, and SATA, SAS and USB drives."""
