"""Rules about settings of the firmware and the kernel."""
