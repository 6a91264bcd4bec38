"""NVMe controllers and drives."""
