"""Rules about what drives say of themselves, and how they stay."""
