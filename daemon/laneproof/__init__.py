"""Judges a storage box against its declared build, follows signs of failure, and reports both."""

__version__ = "0.1.0"
