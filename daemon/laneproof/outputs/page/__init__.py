"""The web page: one module for each part of it."""
