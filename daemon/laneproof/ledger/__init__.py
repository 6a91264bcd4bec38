"""What the passes add up to: counts with their exposure, episodes, boots, changes, trials. No judgement, no I/O."""
