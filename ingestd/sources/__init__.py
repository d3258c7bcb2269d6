"""Bytes and where they came from: watched folders and serial lines."""
