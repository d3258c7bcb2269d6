"""A serial line: every byte received is handed over, none is lost."""
