"""Judges a storage box against its declared build, follows signs of failure, and tells of both."""

__version__ = "0.1.0"
