"""Drafts a declaration of a machine as it stands, and brings one up to date."""
