"""Bytes in, readings out: pure parsers for layouts that a form declares."""
