"""Operators are told of what waits: by mail and webhook, once a matter, not in quiet hours."""
